"""Limits on every quantity, looked at on every reading and in every slice of a wait.

`Watch` is the engine's only eye on the bench: there is no way to read or to wait
without the interlocks. It must not act on the bench; it raises, `safe.py` acts.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import isfinite

from runner.clock import Clock
from runner.errors import Tripped
from runner.steps import Reading
from runner.trends import RISE_JUDGED_AFTER_S, Trends

SLICE_S = 1.0
"""Longest time between two looks [s], on either clock."""
STANDS_AFTER_S = 0.5
"""A changed set point and the readbacks of both boxes stand after this [s]."""

LEAST_STANDS_S = 2.0
"""A least value is held against readings once the set points have stood so long [s]."""
MOST_DOUBTS = 50
"""Mad samples that are noted one by one; after that the meter is known to be noisy."""
OFTEN, OFTEN_WITHIN_S = 10, 60.0
"""Samples as mad as that, so many within this time [s], are no single ones any more."""
TEMPERATURES = ("hot_spot_temp_c", "case_temp_c", "ambient_temp_c", "capacitor_temp_c")

_DERIVED: dict[str, Callable[[Reading], float | None]] = {
    "ploss_w": lambda reading: _loss_w(reading),
    "pin_w": lambda r: r.vin_v * r.iin_a,
    "pout_w": lambda r: None if r.vout_v is None or r.iout_a is None else r.vout_v * r.iout_a,
    # What needs more than one reading; the watch asks its trends.
    "hot_spot_rise_k_per_min": lambda r: None,
    "case_rise_k_per_min": lambda r: None,
    "capacitor_rise_k_per_min": lambda r: None,
    "ploss_jump_w": lambda r: None,
}


@dataclass(frozen=True, slots=True)
class Limit:
    """The greatest value a quantity may take, and who says so."""

    quantity: str
    most: float
    source: str


@dataclass(frozen=True, slots=True)
class Least:
    """The smallest value a quantity may take while the supply is on, and who says so."""

    quantity: str
    least: float
    source: str


@dataclass(frozen=True, slots=True)
class Margin:
    """How far a quantity is from its limit; `used` is 1.0 at the limit."""

    limit: Limit
    value: float

    @property
    def used(self) -> float:
        """The share of the limit that is taken."""
        return self.value / self.limit.most if self.limit.most else 1.0


def _loss_w(reading: Reading) -> float | None:
    if reading.vout_v is None or reading.iout_a is None:
        return None
    return reading.vin_v * reading.iin_a - reading.vout_v * reading.iout_a


def value_of(reading: Reading, quantity: str) -> float | None:
    """A measured or derived quantity of a reading; None where no thermometer gives it."""
    derived = _DERIVED.get(quantity)
    if derived is not None:
        return derived(reading)
    value: float | None = getattr(reading, quantity)
    return value


def margins(limits: Iterable[Limit], reading: Reading) -> list[Margin]:
    """The margin to every limit that this reading speaks to."""
    values = ((limit, value_of(reading, limit.quantity)) for limit in limits)
    return [Margin(limit, value) for limit, value in values if value is not None]


class Watch:
    """Reads the bench and lets time pass, with the interlocks on.

    `leasts` are judged with the supply on and at rest; `rises_after_s` [s] is how long set points
    stand before a rise is judged. Whoever makes a watch may give it more to look for: `upset`
    finds what is no longer as it was set, `unread` says why a thermometer gave nothing, `doubted`
    is told of each sample that broke a limit and was not confirmed, `mind` sees what passes.
    """

    def __init__(
        self,
        look: Callable[[], Reading],
        clock: Clock,
        limits: tuple[Limit, ...],
        check_stop: Callable[[], None],
        on_reading: Callable[[Reading], None] = lambda reading: None,
        leasts: tuple[Least, ...] = (),
        rises_after_s: float = RISE_JUDGED_AFTER_S,
    ) -> None:
        self._look, self._clock, self.limits = look, clock, limits
        self._check_stop, self._on_reading, self._leasts = check_stop, on_reading, leasts
        self.trends = Trends({limit.quantity: limit.most for limit in limits}, rises_after_s)
        self._doubts, self._doubted_s = 0, deque[float](maxlen=OFTEN)
        self.supply_is_on = False
        self.changed_s = -STANDS_AFTER_S
        self.last: Reading | None = None
        self.mind: Callable[[Reading], None] = lambda reading: None
        self.upset: Callable[[Reading], Tripped | None] = lambda reading: None
        self.unread: Callable[[str], str] = lambda quantity: "its thermometer"
        self.doubted: Callable[[str], None] = lambda text: None

    def look(self) -> Reading:
        """One reading within every limit.

        A broken limit is confirmed by a second look at once, so that a single mad
        sample does not end a night's work. A power that is the product of readings taken one
        after the other is confirmed once a changed set point stands, half a second later at
        most. Raises Tripped, or Stopped when asked to end.
        """
        self._check_stop()
        reading = self._read()
        doubt = self._broken(reading)
        if doubt is not None:
            is_torn = doubt.quantity in _DERIVED and self._await_rest()
            reading = self._read()
            trip = self._broken(reading)
            if trip is not None:
                raise trip
            if not is_torn:
                self._doubt(doubt, reading.t_s)
        self._on_reading(reading)
        self.mind(reading)
        return reading

    def wait(
        self, duration_s: float, until: Callable[[Reading], bool] = lambda reading: False
    ) -> None:
        """Let time pass, with a look at least once a second; less of it once `until` is met."""
        end_s = self._clock.now_s() + duration_s
        while (left_s := end_s - self._clock.now_s()) > 0.0:
            self._clock.sleep(min(left_s, SLICE_S))
            if left_s > SLICE_S and until(self.look()):
                return

    def _read(self) -> Reading:
        reading = self.last = self._look()
        self.trends.add(reading, _loss_w(reading), self.changed_s)
        return reading

    def _await_rest(self) -> bool:
        """Wait until a set point stands that was just changed; tell whether one was."""
        left_s = self.changed_s + STANDS_AFTER_S - self._clock.now_s()
        self._clock.sleep(max(0.0, left_s))
        return left_s > 0.0

    def _doubt(self, doubt: Tripped, t_s: float) -> None:
        self._doubts += 1
        self._doubted_s.append(t_s)
        if len(self._doubted_s) == OFTEN and t_s - self._doubted_s[0] < OFTEN_WITHIN_S:
            often = f"it came and went {OFTEN} times within {t_s - self._doubted_s[0]:.0f} s: a"
            why = f"{doubt.source}; {often} contact that chatters, or a meter that is not right"
            raise Tripped(doubt.quantity, doubt.value, doubt.limit, why)
        if self._doubts <= MOST_DOUBTS:
            last = " No more such samples are noted" if self._doubts == MOST_DOUBTS else ""
            self.doubted(f"one sample not confirmed by a second look, no trip: {doubt}.{last}")

    def _broken(self, reading: Reading) -> Tripped | None:
        """Whatever ends a run at this reading, the most telling first."""
        return (
            self._unread(reading)
            or self._over(reading)
            or self._off(reading)
            or self.upset(reading)
            or self._under(reading)
            or self.trends.come_off()
        )

    def _unread(self, reading: Reading) -> Tripped | None:
        """A thermometer that is lost is a trip, not a blank."""
        for quantity in TEMPERATURES:
            value: float | None = getattr(reading, quantity)
            if value is not None and not isfinite(value):
                why = self.unread(quantity)
                return Tripped(quantity, "not read", "a temperature", why)
        return None

    def _over(self, reading: Reading) -> Tripped | None:
        for limit in self.limits:
            value = value_of(reading, limit.quantity)
            if value is None:
                value = self.trends.value_of(limit.quantity)
            if value is not None and not value <= limit.most:  # a NaN breaks every limit
                return Tripped(limit.quantity, value, limit.most, limit.source)
        return None

    def _off(self, reading: Reading) -> Tripped | None:
        if reading.supply_mode == "TRIPPED" or reading.load_mode == "TRIPPED":
            box = "supply" if reading.supply_mode == "TRIPPED" else "load"
            return Tripped(f"{box} protection", "tripped", "no trip", f"the {box} itself")
        if self.supply_is_on and reading.supply_mode == "OFF":
            return Tripped("supply output", "off", "on", "it went off without being told")
        return None

    def _under(self, reading: Reading) -> Tripped | None:
        if not self.supply_is_on or reading.t_s < self.changed_s + LEAST_STANDS_S:
            return None
        for least in self._leasts:
            value = value_of(reading, least.quantity)
            if value is not None and not value >= least.least:
                return Tripped(least.quantity, value, f"at least {least.least:g}", least.source)
        return None

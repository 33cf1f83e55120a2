"""Limits on every quantity, looked at on every reading and in every slice of a wait.

`Watch` is the engine's only eye on the bench: there is no way to read or to wait
without the interlocks. It must not act on the bench; it raises, `safe.py` acts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from runner.clock import Clock
from runner.errors import Tripped
from runner.steps import Reading

SLICE_S = 1.0
"""Longest time between two looks [s], on either clock."""
STANDS_AFTER_S = 0.5
"""A changed set point and the readbacks of both boxes stand after this [s]."""

_DERIVED: dict[str, Callable[[Reading], float | None]] = {
    "ploss_w": lambda reading: _loss_w(reading),
    "pin_w": lambda r: r.vin_v * r.iin_a,
}


@dataclass(frozen=True, slots=True)
class Limit:
    """The greatest value a quantity may take, and who says so."""

    quantity: str
    most: float
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


def first_broken(limits: Iterable[Limit], reading: Reading) -> Margin | None:
    """The first limit this reading breaks, or None."""
    for limit in limits:
        value = value_of(reading, limit.quantity)
        if value is not None and not value <= limit.most:  # a NaN breaks every limit
            return Margin(limit, value)
    return None


class Watch:
    """Reads the bench and lets time pass, with the interlocks on."""

    def __init__(
        self,
        look: Callable[[], Reading],
        clock: Clock,
        limits: tuple[Limit, ...],
        check_stop: Callable[[], None],
        on_reading: Callable[[Reading], None] = lambda reading: None,
    ) -> None:
        self._look, self._clock, self.limits = look, clock, limits
        self._check_stop, self._on_reading = check_stop, on_reading
        self.supply_is_on = False
        self.changed_s = -STANDS_AFTER_S
        self.last: Reading | None = None
        self.mind: Callable[[Reading], None] = lambda reading: None
        self.upset: Callable[[Reading], Tripped | None] = lambda reading: None

    def look(self) -> Reading:
        """One reading within every limit.

        A broken limit is confirmed by a second look at once, so that a single mad
        sample does not end a night's work. A power that is the product of readings taken one
        after the other is confirmed once a changed set point stands, half a second later at
        most. Raises Tripped, or Stopped when asked to end.
        """
        self._check_stop()
        reading = self._look()
        self.last = reading
        broken = self._is_broken(reading)
        if broken is not None:
            if broken.quantity in _DERIVED:
                stands_s = self.changed_s + STANDS_AFTER_S
                self._clock.sleep(max(0.0, stands_s - self._clock.now_s()))
            reading = self.last = self._look()
            trip = self._is_broken(reading)
            if trip is not None:
                raise trip
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

    def _is_broken(self, reading: Reading) -> Tripped | None:
        broken = first_broken(self.limits, reading)
        if broken is not None:
            limit = broken.limit
            return Tripped(limit.quantity, broken.value, limit.most, limit.source)
        if reading.supply_mode == "TRIPPED" or reading.load_mode == "TRIPPED":
            box = "supply" if reading.supply_mode == "TRIPPED" else "load"
            return Tripped(f"{box} protection", "tripped", "no trip", f"the {box} itself")
        if self.supply_is_on and reading.supply_mode == "OFF":
            return Tripped("supply output", "off", "on", "it went off without being told")
        return self.upset(reading)

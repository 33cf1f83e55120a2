"""What cannot be: a readback that stands still to the digit while what it measures must have
moved, more power coming out than goes in, a hot spot colder than the case that it heats.

The performer shows it every reading; it raises nothing and keeps the last values alone. A
reading that stands still while nothing moves is no sign of anything: many boxes do that.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import expm1, inf, isfinite
from typing import Any

from runner.errors import Tripped
from runner.steps import Reading

MOVED_SHARE, MOVED_LEAST_W = 0.2, 1.0
"""A power has moved when it did so by this share of the greater and by so many watts. One watt
is 40 mA of a 24 V line: several digits of any supply (common practice, no source)."""
LINE_SHARE, LINE_LEAST_V = 0.02, 0.2
"""The line has been moved when its set point was, by this share and by so many volts."""
STILL_S, STILL_READINGS = 0.5, 3
"""A readback may lag behind for so long [s]; so many readings have been the same by then."""
TEMP_STILL_S = {"hot_spot_temp_c": 60.0, "case_temp_c": 120.0, "capacitor_temp_c": 120.0}
"""A thermometer follows late: so long the loss must have been another one [s]."""
LAGS_S = {"hot_spot_temp_c": 60.0, "case_temp_c": 400.0, "capacitor_temp_c": 400.0}
"""What a temperature came from is the loss of so long, not of the moment: a load that is taken off
for a sweep and comes back finds a warm module where it was [s]."""
COARSE_K, COARSE_TIMES, COARSE_LEAST_K = 0.5, 5.0, 5.0
"""A display that shows no more than this hides a small change. It is given so many times as long,
and held against what it has shown: its height above the coldest seen, times the share by which
the loss has changed, is at least so many kelvins (common practice, no source)."""
GAIN_SHARE, GAIN_LEAST_W, GAIN_FOR_S = 0.05, 1.0, 5.0
"""More going out than in, by this share and by so many watts, for so long [s]: readings are taken
one after the other, and capacitors give for moments only (common practice, no source)."""
COLDER_K, COLDER_LEAST_W, COLDER_FOR_S = 10.0, 0.5, 60.0
"""A hot spot that loses so much and is so far below its own case for so long [K], [W], [s]: two
thermometers and their lags do not explain it (common practice, no source)."""
STUCK = "its readback stands still to the digit"


@dataclass(slots=True)
class Standstill:
    """How long a value has been the same: since when, how often, and its cause at the beginning.

    The cause has moved when it did so by `share` of the greater and by `least`.
    """

    share: float = MOVED_SHARE
    least: float = MOVED_LEAST_W
    value: Any = None
    cause: float = 0.0
    readings: int = 0
    moved_s: float | None = None

    def add(self, value: Any, cause: float, t_s: float) -> None:
        """Take the value of a reading at `t_s` [s], and what it must follow."""
        if value != self.value:
            self.value, self.cause, self.readings, self.moved_s = value, cause, 1, None
            return
        self.readings += 1
        greater = max(abs(cause), abs(self.cause))
        if abs(cause - self.cause) <= max(self.least, self.share * greater):
            self.moved_s = None
        elif self.moved_s is None:
            self.moved_s = t_s

    def begin(self) -> None:
        """Forget: what moves now says nothing of this value."""
        self.value, self.moved_s = None, None

    def is_stuck(self, t_s: float, for_s: float = STILL_S) -> bool:
        """Whether its cause has been another one for `for_s` [s], and the value still the same."""
        if self.moved_s is None or self.readings < STILL_READINGS:
            return False
        return t_s - self.moved_s >= for_s


@dataclass(slots=True)
class Followed:
    """A temperature, and the loss [W] that it came from: a first-order lag of what was lost."""

    lag_s: float
    still: Standstill = field(default_factory=Standstill)
    loss_w: float | None = None
    t_s: float = 0.0
    is_coarse: bool = True
    coldest_c: float = inf

    def add(self, temp_c: float | None, loss_w: float, t_s: float) -> None:
        """Take a reading."""
        if self.loss_w is None:
            self.loss_w = loss_w
        self.loss_w += (loss_w - self.loss_w) * -expm1((self.t_s - t_s) / self.lag_s)
        self.t_s = t_s
        if temp_c is not None:
            self.coldest_c = min(self.coldest_c, temp_c)
            self.is_coarse &= isfinite(temp_c) and (temp_c / COARSE_K).is_integer()
        self.still.add(temp_c, loss_w, t_s)
        if self.still.readings == 1:
            self.still.cause = self.loss_w

    def is_stuck(self, temp_c: float, loss_w: float, for_s: float) -> bool:
        """Whether it stands still though its loss has been another one for `for_s` [s]."""
        if not self.is_coarse:
            return self.still.is_stuck(self.t_s, for_s)
        was_w = self.still.cause
        share = abs(loss_w - was_w) / max(abs(loss_w), abs(was_w), MOVED_LEAST_W)
        moves_k = share * (temp_c - self.coldest_c)
        return moves_k >= COARSE_LEAST_K and self.still.is_stuck(self.t_s, COARSE_TIMES * for_s)


@dataclass(slots=True)
class Balance:
    """Since when more comes out than goes in [s]; None while it does not."""

    since_s: float | None = None

    def gained(self, reading: Reading, pin_w: float, pout_w: float) -> Tripped | None:
        """Take a reading; say so once it has lasted."""
        if reading.supply_mode != "CV" or pout_w <= (1.0 + GAIN_SHARE) * pin_w + GAIN_LEAST_W:
            self.since_s = None
            return None
        if self.since_s is None:
            self.since_s = reading.t_s
        if reading.t_s - self.since_s < GAIN_FOR_S:
            return None
        why = "no module gives more than it takes: a meter is wrong, or something else feeds it"
        return Tripped("pout_w", pout_w, f"at most pin_w, which is {pin_w:.2f}", why)


@dataclass(slots=True)
class Colder:
    """Since when the hot spot reads colder than the case it heats [s]; None while it does not."""

    since_s: float | None = None

    def than_case(self, reading: Reading, loss_w: float) -> Tripped | None:
        """Take a reading; say so once it has lasted."""
        hot_c, case_c = reading.hot_spot_temp_c, reading.case_temp_c
        if hot_c is None or case_c is None or loss_w < COLDER_LEAST_W:
            self.since_s = None
            return None
        if not hot_c < case_c - COLDER_K:
            self.since_s = None
        elif self.since_s is None:
            self.since_s = reading.t_s
        elif reading.t_s - self.since_s >= COLDER_FOR_S:
            why = "heat flows from hot to cold: a thermometer has come off or the two are swapped"
            near = f"near case_temp_c, {case_c:.1f}, or above"
            return Tripped("hot_spot_temp_c", hot_c, near, why)
        return None


class Standstills:
    """Looks at the line, at what goes in and out, and at the temperatures that follow the loss."""

    def __init__(self) -> None:
        self._set = Standstill(LINE_SHARE, LINE_LEAST_V)
        self._line, self._output = Standstill(), Standstill()
        self._temps = {quantity: Followed(lag_s) for quantity, lag_s in LAGS_S.items()}
        self._balance, self._colder, self._vin_v = Balance(), Colder(), 0.0

    def stuck(self, reading: Reading, line_set_v: float) -> Tripped | None:
        """Take a reading and the line's set point [V]; tell what stands still, or None."""
        t_s, line = reading.t_s, (reading.vin_v, reading.iin_a)
        self._set.add(line, line_set_v, t_s)
        if self._set.is_stuck(t_s):
            return _trip("vin_v", reading.vin_v, "the line was set", self._set, line_set_v)
        if reading.vout_v is None or reading.iout_a is None:
            return None
        if abs(reading.vin_v - self._vin_v) > max(LINE_LEAST_V, LINE_SHARE * self._vin_v):
            self._vin_v = reading.vin_v  # what a linear regulator takes then moves with it
            self._output.begin()
        pin_w, pout_w = reading.vin_v * reading.iin_a, reading.vout_v * reading.iout_a
        self._line.add(line, pout_w, t_s)
        self._output.add((reading.vout_v, reading.iout_a), pin_w, t_s)
        if self._line.is_stuck(t_s):
            return _trip("iin_a", reading.iin_a, "pout_w went", self._line, pout_w)
        if self._output.is_stuck(t_s):
            return _trip("iout_a", reading.iout_a, "pin_w went", self._output, pin_w)
        loss_w = pin_w - pout_w
        return (
            self._balance.gained(reading, pin_w, pout_w)
            or self._colder.than_case(reading, loss_w)
            or self._stuck_temp(reading, loss_w)
        )

    def _stuck_temp(self, reading: Reading, loss_w: float) -> Tripped | None:
        for quantity, one in self._temps.items():
            temp_c: float | None = getattr(reading, quantity)
            one.add(temp_c, loss_w, reading.t_s)
            if temp_c is not None and one.is_stuck(temp_c, loss_w, TEMP_STILL_S[quantity]):
                return _trip(quantity, temp_c, "ploss_w went", one.still, loss_w)
        return None


def _trip(quantity: str, value: float, what: str, still: Standstill, now: float) -> Tripped:
    moved = f"another value since {what} from {still.cause:.2f} to {now:.2f}"
    return Tripped(quantity, value, moved, STUCK)

"""The supply and the load: what was set, and how it is set, with the interlocks on.

The base of the performer, which adds waiting and reading. Every set point is checked against
what bench and module may carry before it is sent; every setting is read back by the driver.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers.roles import Load
from runner.analysis.wiring_audit import AuditPoint, first_power
from runner.bench import Bench
from runner.errors import BadInput, BenchError, Tripped
from runner.implausible import Standstills
from runner.interlocks import SLICE_S, Watch
from runner.ratings import Allowed, check_input, check_line, check_load, check_up
from runner.step_bounds import check_resistance, check_start
from runner.steps import (
    Done,
    Draw,
    Outcome,
    PowerDown,
    PowerUp,
    Reading,
    Release,
    Resist,
    SetLine,
    Start,
)
from runner.tracing import trace
from runner.upset import upset

LINE_BAND = 0.02
"""How near the line must come to its set point [of the set point]."""
LINE_BAND_LEAST_V = 0.1
UP_WITHIN_S = 5.0
FIRST_LIMIT = 0.1
"""Share of the current limit that a first power-up gets, until the module has proved itself."""
FIRST_LIMIT_LEAST_A = 0.25
RAMP_EVERY_S, RAMP_LEAST_V = 0.05, 0.01
"""A ramp's steps: so often [s], but none smaller than a supply can make [V]."""


@dataclass(slots=True)
class State:
    """What the engine last set; a run starts with everything off.

    `load_ohm` [ohm] is set in constant resistance alone, and `iout_set_a` is then 0.
    `line_may_sag` is True while the supply is held below its own limit on purpose.
    """

    line_set_v: float = 0.0
    line_may_sag: bool = False
    iout_set_a: float = 0.0
    load_ohm: float | None = None
    supply_is_on: bool = False
    load_is_on: bool = False
    settled: bool = False
    soaked: bool = False
    lost: bool = False
    changed_s: float = 0.0

    @property
    def load_mode(self) -> str:
        """The mode the load was told to be in."""
        return "CC" if self.load_ohm is None else "CR"


class Outputs:
    """Sets supply and load and remembers what was set."""

    def __init__(
        self,
        bench: Bench,
        allowed: Allowed,
        watch: Watch,
        record_sample: Callable[[Reading], None],
        record_note: Callable[[str], None],
        vout_set_v: float,
    ) -> None:
        self.bench, self.allowed, self.watch = bench, allowed, watch
        self.state = State()
        self.watch.upset, self.watch.unread = self._upset, self._unread
        self.watch.doubted = record_note
        self._record_sample, self._record_note = record_sample, record_note
        self._vout_set_v = vout_set_v
        self._not_there: set[str] = set()
        self._standstills = Standstills()

    # ------------------------------------------------------------------ the supply

    def _power_up(self, step: PowerUp) -> Outcome:
        check_line(self.allowed, step.line_v)
        allowed = self.allowed
        self._load_off()
        self._protect()
        gentle_a = max(FIRST_LIMIT_LEAST_A, FIRST_LIMIT * allowed.supply_limit_a)
        self._move_line(step.line_v, min(gentle_a, allowed.supply_limit_a))
        self._supply_on()
        try:
            reading = self._await_line(step.line_v)
        except (Tripped, BenchError) as error:
            raise self._explained(error, step.line_v) from error
        self._move_line(step.line_v, allowed.supply_limit_a)
        return Done(reading)

    def _start(self, step: Start) -> Outcome:
        """As in PowerUp, but nothing is waited for: what comes up is what is asked."""
        check_line(self.allowed, step.line_v)
        check_load(self.allowed, step.iout_a)
        check_start(step, self.state.supply_is_on, self.allowed)
        self._load_off()
        self._protect()
        limit_a = self.allowed.supply_limit_a if step.limit_a is None else step.limit_a
        if step.load_ohm is not None:
            self._set_resistance(step.load_ohm)
        elif step.iout_a > 0.0:
            self._set_load(step.iout_a)
        if step.load_ohm is not None or step.iout_a > 0.0:
            self._load_on()
        self._move_line(step.line_v, limit_a)
        self.state.line_may_sag = step.limit_a is not None
        self._supply_on()
        return self._trace(step.watch_s, step.every_s)

    def _supply_on(self) -> None:
        if not self.bench.has_been_read:  # a box is in a hurry only once it is known how slow it is
            self.watch.look()
        self.bench.supply.set_output(True)
        self.bench.hurry(True)
        self.state.supply_is_on = self.watch.supply_is_on = True

    def _protect(self) -> None:
        """Arm the boxes' own trips; what a box does not have is said once."""
        allowed = self.allowed
        missing = self.bench.supply.set_protection(allowed.supply_trip_v, allowed.supply_trip_a)
        missing += self.bench.arm_watchdogs()
        for protection in (*missing, *self._protect_load()):
            if protection not in self._not_there:
                self._record_note(f"protection not available: {protection}")
                self._not_there.add(protection)

    def _trace(self, duration_s: float, every_s: float) -> Outcome:
        now_s = self.bench.clock.now_s
        return trace(self.watch, now_s, self._record_sample, duration_s, every_s)

    def _explained(self, error: Tripped | BenchError, line_v: float) -> Tripped | BenchError:
        """The same failure, with what the last reading says of the wiring."""
        last = self.watch.last
        vout_v, iout_a = (last.vout_v or 0.0, last.iout_a or 0.0) if last else (0.0, 0.0)
        found = last and first_power(
            AuditPoint(line_v, 0.0, last.vin_v, last.iin_a, vout_v, iout_a, last.supply_mode),
            self._vout_set_v,
        )
        if not found:
            return error
        if isinstance(error, Tripped):
            source = f"{error.source}; {found.text}"
            return Tripped(error.quantity, error.value, error.limit, source)
        return BenchError(f"{error}; {found.text}")

    def _set_line(self, step: SetLine) -> Outcome:
        check_line(self.allowed, step.line_v)
        check_up(step, self.state.supply_is_on)
        check_input(self.allowed, self._vout_set_v, step.line_v, self.state.iout_set_a)
        if step.rate_v_per_s > 0.0:
            self._ramp(step.line_v, step.rate_v_per_s)
        self._move_line(step.line_v, self.allowed.supply_limit_a)
        return Done(self._await_line(step.line_v) if step.wait else self.watch.look())

    def _ramp(self, line_v: float, rate_v_per_s: float) -> None:
        """Towards `line_v` by the clock: a slow box makes the steps longer, not the ramp."""
        now_s, from_v = self.bench.clock.now_s, self.state.line_set_v
        takes_s, began_s = abs(line_v - from_v) / rate_v_per_s, now_s()
        every_s = min(max(RAMP_EVERY_S, RAMP_LEAST_V / rate_v_per_s), SLICE_S)
        while (left_s := began_s + takes_s - now_s()) > every_s:
            self.watch.wait(every_s)
            share = min((now_s() - began_s) / takes_s, 1.0)
            self._move_line(from_v + share * (line_v - from_v), self.allowed.supply_limit_a)
            self._record_sample(self.watch.look())
        self.watch.wait(left_s)

    def _power_down(self, step: PowerDown) -> Outcome:
        bench, state = self.bench, self.state
        while state.load_is_on and state.iout_set_a > 0.0:
            self._set_load(max(0.0, state.iout_set_a - 0.25 * self.allowed.iout_max_a))
            self.watch.wait(0.1)
        self._load_off()
        self.watch.supply_is_on = False
        bench.supply.set_output(False)
        bench.hurry(False)
        state.supply_is_on, state.line_set_v = False, 0.0
        self._changed()
        return Done(self.watch.look())

    def _move_line(self, line_v: float, limit_a: float) -> None:
        self.bench.supply.set_level(line_v, limit_a)
        self.state.line_set_v = line_v
        self.state.line_may_sag = False
        self._changed()

    def _await_line(self, line_v: float) -> Reading:
        """Wait until the line stands; a supply stuck in current limit is a trip, not a wait."""
        end_s = self.bench.clock.now_s() + UP_WITHIN_S
        while True:
            reading = self.watch.look()
            # What the leads drop of a line that the supply does not sense is no fault of the line.
            drop_v = abs(reading.iin_a) * self.bench.leads.line_ohm
            if abs(reading.vin_v - line_v) <= self._line_band_v(line_v) + drop_v:
                return reading
            if self.bench.clock.now_s() >= end_s:
                break
            self.watch.wait(0.05)
        if reading.supply_mode == "CC":
            raise Tripped(
                "supply current",
                f"at its limit with the line at {reading.vin_v:.3f} V",
                f"a line of {line_v:g} V within {UP_WITHIN_S:g} s",
                "a module that draws this much at power-up is shorted, reversed or overloaded",
            )
        raise BenchError(
            f"the line did not come to {line_v:g} V within {UP_WITHIN_S:g} s: "
            f"{reading.vin_v:.3f} V is seen, the supply says {reading.supply_mode}; "
            "check fuse, leads, sense wires and which meter has the role vin"
        )

    def _line_band_v(self, line_v: float) -> float:
        """How near the line must come [V]; setting and reading may both be off as stated."""
        share, floor_v = self.bench.line_error
        return max(LINE_BAND * line_v, LINE_BAND_LEAST_V, 2.0 * (share * line_v + floor_v))

    # -------------------------------------------------------------------- the load

    def _draw(self, step: Draw) -> Outcome:
        check_load(self.allowed, step.iout_a)
        check_up(step, self.state.supply_is_on)
        check_input(self.allowed, self._vout_set_v, self.state.line_set_v, step.iout_a)
        self._set_load(step.iout_a)
        self._load_on()
        return Done(self.watch.look())

    def _resist(self, step: Resist) -> Outcome:
        check_resistance(step, step.load_ohm)
        check_up(step, self.state.supply_is_on)
        self._set_resistance(step.load_ohm)
        self._load_on()
        return Done(self.watch.look())

    def _release(self, step: Release) -> Outcome:
        self._load_off()
        return Done(self.watch.look())

    def _set_load(self, iout_a: float) -> None:
        self._load.set_level(iout_a)
        self.state.iout_set_a, self.state.load_ohm = iout_a, None
        self._changed()

    def _set_resistance(self, load_ohm: float) -> None:
        self._load.set_level(load_ohm, "CR")
        self.state.iout_set_a, self.state.load_ohm = 0.0, load_ohm
        self._changed()

    def _load_on(self) -> None:
        if not self.state.load_is_on:
            self._load.set_input(True)
            self.state.load_is_on = True

    def _load_off(self) -> None:
        self._load.set_input(False)
        self.state.load_is_on, self.state.iout_set_a, self.state.load_ohm = False, 0.0, None
        self._changed()

    def _protect_load(self) -> tuple[str, ...]:
        return self._load.set_protection(self.allowed.load_trip_a, self.allowed.load_trip_w)

    @property
    def _load(self) -> Load:
        if self.bench.load is None:
            raise BadInput("this step sets a load, and the bench's load is worked by hand")
        return self.bench.load

    def _upset(self, reading: Reading) -> Tripped | None:
        own_supply = self.bench.own_supply
        if own_supply is None:
            return None
        changed = upset(self.state, own_supply, self.bench.own_load, reading.t_s)
        return changed or self._standstills.stuck(reading, self.state.line_set_v)

    def _unread(self, quantity: str) -> str:
        return self.bench.unread.get(quantity.removesuffix("_temp_c"), "its thermometer")

    def _changed(self) -> None:
        state = self.state
        state.changed_s = self.watch.changed_s = self.bench.clock.now_s()
        state.settled = state.soaked = state.lost = False

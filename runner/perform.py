"""How each step is done on a bench: one function a step, from set point to outcome.

Called by the engine alone. Every reading and every wait goes through the watch, so
the interlocks are on throughout; what goes wrong is raised, the engine leaves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from drivers.roles import Load
from runner.analysis.wiring_audit import AuditPoint, first_power
from runner.bench import Bench
from runner.errors import BadInput, BenchError, GaveUp, Tripped
from runner.interlocks import Watch
from runner.ratings import (
    Allowed,
    check_ambient,
    check_dead,
    check_line,
    check_load,
    check_up,
)
from runner.settle import WINDOW, electrical_rest, mains_interval_s
from runner.soaking import LOG_S, Soaking
from runner.spread import Spread
from runner.steps import (
    Done,
    Draw,
    GiveUp,
    Note,
    Outcome,
    Point,
    PowerDown,
    PowerUp,
    Read,
    Reading,
    Release,
    SetAmbient,
    SetLine,
    Settle,
    Settled,
    Soak,
    Step,
    Tare,
    Tared,
    Wait,
)
from runner.upset import moved, upset

LOW, HIGH = 0.9, 1.1
"""Outside these the output is no longer held [of its set voltage]."""
LINE_BAND = 0.02
"""How near the line must come to its set point [of the set point]."""
LINE_BAND_LEAST_V = 0.1
UP_WITHIN_S = 5.0
FIRST_LIMIT = 0.1
"""Share of the current limit that a first power-up gets, until the module has proved itself."""
FIRST_LIMIT_LEAST_A = 0.25
MEASURED = (
    "vin_v",
    "iin_a",
    "vout_v",
    "iout_a",
    "ambient_temp_c",
    "case_temp_c",
    "hot_spot_temp_c",
)


@dataclass(slots=True)
class State:
    """What the engine last set; a run starts with everything off."""

    line_set_v: float = 0.0
    iout_set_a: float = 0.0
    supply_is_on: bool = False
    load_is_on: bool = False
    settled: bool = False
    soaked: bool = False
    lost: bool = False
    changed_s: float = 0.0


class Performer:
    """Performs steps one after the other and remembers what was set."""

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
        self.watch.upset = self._upset
        self._record_sample, self._record_note = record_sample, record_note
        self._vout_set_v = vout_set_v
        self._ways: dict[type, Callable[[Any], Outcome]] = {
            Tare: self._tare,
            PowerUp: self._power_up,
            SetLine: self._set_line,
            Draw: self._draw,
            Release: self._release,
            Settle: self._settle,
            Soak: self._soak,
            Read: self._read,
            SetAmbient: self._set_ambient,
            Wait: self._wait,
            Note: self._note,
            GiveUp: self._give_up,
            PowerDown: self._power_down,
        }

    def perform(self, step: Step) -> Outcome:
        """Do one step and return its outcome; the step's way is named in `_ways`."""
        return self._ways[type(step)](step)

    # ------------------------------------------------------------------ the supply

    def _power_up(self, step: PowerUp) -> Outcome:
        check_line(self.allowed, step.line_v)
        bench, allowed = self.bench, self.allowed
        self._load_off()
        missing = bench.supply.set_protection(allowed.supply_trip_v, allowed.supply_trip_a)
        missing += self._protect_load()
        for protection in missing:
            self._record_note(f"protection not available: {protection}")
        gentle_a = max(FIRST_LIMIT_LEAST_A, FIRST_LIMIT * allowed.supply_limit_a)
        self._move_line(step.line_v, min(gentle_a, allowed.supply_limit_a))
        bench.supply.set_output(True)
        self.state.supply_is_on = self.watch.supply_is_on = True
        try:
            reading = self._await_line(step.line_v)
        except (Tripped, BenchError) as error:
            raise self._explained(error, step.line_v) from error
        self._move_line(step.line_v, allowed.supply_limit_a)
        return Done(reading)

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
        self._move_line(step.line_v, self.allowed.supply_limit_a)
        return Done(self._await_line(step.line_v))

    def _power_down(self, step: PowerDown) -> Outcome:
        bench, state = self.bench, self.state
        while state.load_is_on and state.iout_set_a > 0.0:
            self._set_load(max(0.0, state.iout_set_a - 0.25 * self.allowed.iout_max_a))
            self.watch.wait(0.1)
        self._load_off()
        self.watch.supply_is_on = False
        bench.supply.set_output(False)
        state.supply_is_on, state.line_set_v = False, 0.0
        self._changed()
        return Done(self.watch.look())

    def _move_line(self, line_v: float, limit_a: float) -> None:
        self.bench.supply.set_level(line_v, limit_a)
        self.state.line_set_v = line_v
        self._changed()

    def _await_line(self, line_v: float) -> Reading:
        """Wait until the line stands; a supply stuck in current limit is a trip, not a wait."""
        end_s = self.bench.clock.now_s() + UP_WITHIN_S
        while True:
            reading = self.watch.look()
            if abs(reading.vin_v - line_v) <= self._line_band_v(line_v):
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
        self._set_load(step.iout_a)
        if not self.state.load_is_on:
            self._load.set_input(True)
            self.state.load_is_on = True
        return Done(self.watch.look())

    def _release(self, step: Release) -> Outcome:
        self._load_off()
        return Done(self.watch.look())

    def _set_load(self, iout_a: float) -> None:
        self._load.set_level(iout_a)
        self.state.iout_set_a = iout_a
        self._changed()

    def _load_off(self) -> None:
        self._load.set_input(False)
        self.state.load_is_on, self.state.iout_set_a = False, 0.0
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
        return upset(self.state, own_supply, self.bench.own_load, reading.t_s)

    def _changed(self) -> None:
        state = self.state
        state.changed_s = self.watch.changed_s = self.bench.clock.now_s()
        state.settled = state.soaked = state.lost = False

    # --------------------------------------------------------------------- waiting

    def _wait(self, step: Wait) -> Outcome:
        end_s = self.bench.clock.now_s() + step.duration_s
        while (left_s := end_s - self.bench.clock.now_s()) > 0.0:
            self.watch.wait(min(left_s, LOG_S))
            reading = self.watch.look()
            self._record_sample(reading)
        return Done(self.watch.look())

    def _note(self, step: Note) -> Outcome:
        self._record_note(step.text)
        return Done(self.watch.look())

    def _give_up(self, step: GiveUp) -> Outcome:
        raise GaveUp(step.reason)

    def _settle(self, step: Settle) -> Outcome:
        start_s = self.bench.clock.now_s()
        self.watch.wait(step.at_least_s)
        trace: list[Reading] = []
        pause_s = max(0.02, step.at_least_s / WINDOW)
        while True:
            trace.append(self.watch.look())
            elapsed_s = self.bench.clock.now_s() - start_s
            rest = electrical_rest(trace)
            if rest.settled or elapsed_s >= step.at_most_s:
                self.state.settled = rest.settled
                return Settled(rest.settled, elapsed_s, trace[-1], rest.why)
            self.watch.wait(pause_s)

    def _soak(self, step: Soak) -> Outcome:
        soak, judged_s = Soaking(step, self.bench.clock.now_s()), -LOG_S
        while True:
            reading = self.watch.look()
            self._record_sample(reading)
            temp_c, air_c = self._temperature(reading, step.quantity), self._air(reading, step)
            soak.add(reading, temp_c, air_c)
            lost = self._is_low(reading)
            if lost or soak.is_too_hot(temp_c) or reading.t_s - judged_s >= LOG_S - 0.5:
                judged_s = reading.t_s
                outcome = soak.outcome(reading, air_c, lost)
                if outcome is not None:
                    self.state.soaked, self.state.lost = outcome.settled, lost
                    return outcome
            # Trouble ends the wait; the look above then confirms it, or takes it for a mad sample.
            self.watch.wait(soak.every_s, until=lambda seen: self._is_trouble(soak, seen))

    def _is_trouble(self, soak: Soaking, reading: Reading) -> bool:
        temp_c: float | None = getattr(reading, soak.step.quantity)
        return self._is_low(reading) or (temp_c is not None and soak.is_too_hot(temp_c))

    def _is_low(self, reading: Reading) -> bool:
        """The output is not held: shut down by its own heat, in current limit, or dead."""
        if self.state.load_is_on and reading.load_mode == "UNREGULATED":
            return True
        return reading.vout_v is not None and reading.vout_v < LOW * self._vout_set_v

    def _set_ambient(self, step: SetAmbient) -> Outcome:
        check_ambient(self.allowed, step.ambient_temp_c)
        start_s = self.bench.clock.now_s()
        if self.bench.chamber is not None:
            self.bench.chamber.set_temp(step.ambient_temp_c)
        while True:
            reading = self.watch.look()
            self._record_sample(reading)
            away_k = abs(self._temperature(reading, "ambient_temp_c") - step.ambient_temp_c)
            elapsed_s = self.bench.clock.now_s() - start_s
            if away_k <= step.within_k:
                return Settled(True, elapsed_s, reading)
            if self.bench.chamber is None:
                raise BadInput(
                    f"the sequence wants air at {step.ambient_temp_c:g} °C; it is "
                    f"{reading.ambient_temp_c:.1f} °C and the bench file names no chamber. "
                    "Leave the ambients out to measure in the room's air"
                )
            if elapsed_s >= step.at_most_s:
                return Settled(False, elapsed_s, reading)
            self.watch.wait(LOG_S)

    def _temperature(self, reading: Reading, quantity: str) -> float:
        value: float | None = getattr(reading, quantity)
        if value is None:
            role = quantity.removesuffix("_temp_c")
            raise BadInput(
                f"the sequence waits for {quantity}, but the bench file gives the role "
                f"{role!r} to no thermometer"
            )
        return value

    def _air(self, reading: Reading, step: Soak) -> float:
        return 0.0 if step.quantity == "ambient_temp_c" else reading.ambient_temp_c or 0.0

    # --------------------------------------------------------------------- reading

    def _tare(self, step: Tare) -> Outcome:
        check_dead(step, self.state.supply_is_on or self.state.load_is_on)
        clock, spreads = self.bench.clock, {"iin_a": Spread(), "iout_a": Spread()}
        start_s = clock.now_s()
        for k in range(step.samples):
            self.watch.wait(start_s + k * step.every_s - clock.now_s())
            reading = self.watch.look()
            self._record_sample(reading)
            spreads["iin_a"].add(reading.iin_a)
            spreads["iout_a"].add(reading.iout_a or 0.0)
        sd = {name: spread.sd for name, spread in spreads.items() if spread.n > 1}
        means = (spreads["iin_a"].mean, spreads["iout_a"].mean)
        return Tared(step.samples, *means, sd, reading)

    def _read(self, step: Read) -> Outcome:
        clock, spreads = self.bench.clock, {name: Spread() for name in MEASURED}
        start_s, every_s, mains_hz = clock.now_s(), step.every_s, self.bench.mains_hz
        if mains_hz is not None:
            every_s = mains_interval_s(step.samples, step.every_s, mains_hz)
        settled = self.state.soaked if step.kind == "soaked" else self.state.settled
        flags: set[str] = set() if settled else {"UNSETTLED"}
        if self.state.lost:
            flags.add("OUTPUT_LOST")
        for k in range(step.samples):
            self.watch.wait(start_s + k * every_s - clock.now_s())
            reading = self.watch.look()
            self._record_sample(reading)
            flags |= self._flags(reading)
            for name, spread in spreads.items():
                value = getattr(reading, name)
                if value is not None:
                    spread.add(value)
        return self._point(step, reading, spreads, flags)

    def _flags(self, reading: Reading) -> set[str]:
        flags = set[str]()
        if self.bench.own_supply is not None:
            flags |= moved(self.state, self.bench.own_supply, self.bench.own_load)
        if reading.supply_mode == "CC":
            flags.add("SUPPLY_CC")
        if self.state.load_is_on and reading.load_mode == "UNREGULATED":
            flags.add("LOAD_UNREGULATED")
        if reading.vout_v is None:
            return flags
        if reading.vout_v < LOW * self._vout_set_v:
            flags.add("VOUT_LOW")
        elif reading.vout_v > HIGH * self._vout_set_v:
            flags.add("VOUT_HIGH")
        return flags

    def _point(
        self, step: Read, last: Reading, spreads: dict[str, Spread], flags: set[str]
    ) -> Point:
        mean = {name: spread.mean if spread.n else None for name, spread in spreads.items()}
        return Point(
            kind=step.kind,
            label=step.label,
            line_set_v=self.state.line_set_v,
            iout_set_a=self.state.iout_set_a,
            t_s=last.t_s,
            samples=step.samples,
            supply_mode=last.supply_mode,
            load_mode=last.load_mode,
            settled="UNSETTLED" not in flags,
            dwell_s=last.t_s - self.state.changed_s,
            sd={name: spread.sd for name, spread in spreads.items() if spread.n > 1},
            flags=tuple(sorted(flags)),
            **mean,  # type: ignore[arg-type]  # the four electrical means are always there
        )

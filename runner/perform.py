"""How each step is done on a bench: one function a step, from set point to outcome.

Called by the engine alone. Every reading and every wait goes through the watch, so
the interlocks are on throughout; what goes wrong is raised, the engine leaves.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from runner.bench import Bench
from runner.errors import BadInput, GaveUp
from runner.hand.person import Asking, Person, confirmed
from runner.interlocks import SLICE_S, Watch
from runner.outputs import Outputs
from runner.ratings import Allowed, check_ambient, check_dead
from runner.settle import WINDOW, electrical_rest, mains_interval_s
from runner.soaking import LOG_S, Soaking
from runner.spread import Spread
from runner.step_bounds import check_found, check_trace
from runner.steps import (
    Ask,
    Done,
    Draw,
    Follow,
    Found,
    GiveUp,
    Note,
    Outcome,
    Point,
    PowerDown,
    PowerUp,
    Read,
    Reading,
    Release,
    Resist,
    SetAmbient,
    SetLine,
    Settle,
    Settled,
    Soak,
    Start,
    Step,
    Tare,
    Tared,
    Wait,
)
from runner.upset import moved

LOW, HIGH = 0.9, 1.1
"""Outside these the output is no longer held [of its set voltage]."""
ASK_SLICE_S = 0.1
"""Between two looks at whether something was typed [s]."""
MEASURED = (
    "vin_v",
    "iin_a",
    "vout_v",
    "iout_a",
    "ambient_temp_c",
    "case_temp_c",
    "hot_spot_temp_c",
    "capacitor_temp_c",
)


class Performer(Outputs):
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
        super().__init__(bench, allowed, watch, record_sample, record_note, vout_set_v)
        self._asked: Asking | None = None
        self._ways: dict[type, Callable[[Any], Outcome]] = {
            Tare: self._tare,
            PowerUp: self._power_up,
            SetLine: self._set_line,
            Start: self._start,
            Draw: self._draw,
            Resist: self._resist,
            Release: self._release,
            Settle: self._settle,
            Soak: self._soak,
            Read: self._read,
            SetAmbient: self._set_ambient,
            Wait: self._wait,
            Follow: self._follow,
            Ask: self._ask_person,
            Found: self._found,
            Note: self._note,
            GiveUp: self._give_up,
            PowerDown: self._power_down,
        }

    def perform(self, step: Step) -> Outcome:
        """Do one step and return its outcome; the step's way is named in `_ways`."""
        return self._ways[type(step)](step)

    # --------------------------------------------------------------------- waiting

    def _wait(self, step: Wait) -> Outcome:
        end_s = self.bench.clock.now_s() + step.duration_s
        while (left_s := end_s - self.bench.clock.now_s()) > 0.0:
            self.watch.wait(min(left_s, LOG_S))
            reading = self.watch.look()
            self._record_sample(reading)
        return Done(self.watch.look())

    def _follow(self, step: Follow) -> Outcome:
        check_trace(step, step.duration_s, step.every_s)
        return self._trace(step.duration_s, step.every_s)

    def attend(self, person: Person, record: Callable[..., None]) -> None:
        """Somebody is there to be asked; `record(kind, **values)` journals what was said."""
        self._asked = Asking(person, self.bench.clock, self._pause, record)

    def _ask_person(self, step: Ask) -> Outcome:
        if self._asked is None:
            raise BadInput(f"the sequence yielded {step!r}, and nobody is there to be asked")
        confirmed(self._asked, step.text, step.typed)
        if step.polarity:
            self.bench.swap(step.polarity)
        return Done(self.watch.look())

    def _pause(self) -> None:
        """A moment for the person; the bench is looked at once a second all the same."""
        self.watch.wait(ASK_SLICE_S)
        last = self.watch.last
        if last is None or self.bench.clock.now_s() - last.t_s >= SLICE_S:
            self.watch.look()

    def _found(self, step: Found) -> Outcome:
        check_found(step)
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
                    if outcome.note:
                        self._record_note(outcome.note)
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
            self.watch.trends.air_moves(reading.t_s)
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
            iout_set_a=self._wanted_a(),
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

    def _wanted_a(self) -> float:
        """The load's set point [A]; a resistance's is what it would draw from a held output."""
        load_ohm = self.state.load_ohm
        return self.state.iout_set_a if load_ohm is None else self._vout_set_v / load_ohm

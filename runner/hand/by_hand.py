"""The steps on a bench of which a part is worked by hand: resistors, meters read by eye.

Made by the engine in place of the plain `Performer`. The person is asked at the step; while
they answer the interlocks are looked at, and the time a resistor may stay on runs. Nothing
is measured that was not: a resistor's current is derived from its voltage.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any

from runner.bench import Bench
from runner.errors import AmpworthError, BadInput, BenchError, Tripped
from runner.hand.answers import done
from runner.hand.eyes import Eye, Scene
from runner.hand.person import Asking, NoAnswer, Person
from runner.hand.resistor_bank import OPEN, Bank, Choice
from runner.interlocks import SLICE_S, Watch
from runner.perform import Performer
from runner.ratings import Allowed, check_load, check_up
from runner.settle import OWN_RULE, trend
from runner.steps import (
    Done,
    Draw,
    Outcome,
    Point,
    PowerDown,
    PowerUp,
    Read,
    Reading,
    Release,
    SetAmbient,
    Settle,
    Soak,
    Soaked,
    Step,
    Tare,
)

ASK_SLICE_S = 0.1
"""Between two looks at whether something was typed [s]."""
LATE_S = 3.0
"""A resistor counts as on since so long before its Enter [s]: hands are quicker than keys."""
TAKES_EFFECT_S = 0.5
"""After a resistor was moved, before the supply's current is judged [s]."""
NOTHING_W = 1.0
"""Supply power that says nothing of a resistor [W]: no-load power and offset of the readback."""
TRIES = 4
"""How often a step is begun that a resistor's time cuts short."""
OVER_RATING = 1.05
"""Of the power a resistor may ever carry, where the run ends: meter and tolerance allowed for."""
COUNTED_DOWN_S = (10, 5, 4, 3, 2, 1)


@dataclass(frozen=True, slots=True)
class ByHand:
    """Who works the bench, what can be connected (None: an electronic load), what is read."""

    person: Person
    bank: Bank | None
    eyes: tuple[Eye, ...]


class _TimeUp(AmpworthError):
    """A resistor has to come off soon; the step it cuts short is begun again."""


class HandPerformer(Performer):
    """A performer that asks. `record(kind, **values)` journals questions and answers."""

    def __init__(
        self,
        by_hand: ByHand,
        record: Callable[..., None],
        bench: Bench,
        allowed: Allowed,
        watch: Watch,
        record_sample: Callable[[Reading], None],
        record_note: Callable[[str], None],
        vout_set_v: float,
    ) -> None:
        super().__init__(bench, allowed, watch, record_sample, record_note, vout_set_v)
        self._person, self._bank, self._eyes = by_hand.person, by_hand.bank, by_hand.eyes
        self._asking = Asking(by_hand.person, bench.clock, self._pause, record)
        self._record, self._asked = record, self._asking
        self._connected, self._since_s = OPEN, 0.0
        self._cool_at_s: dict[Choice, float] = {}
        self._is_sure = self._is_hurried = False
        self._looked_s = bench.clock.now_s()
        watch.mind = self._mind

    def perform(self, step: Step) -> Outcome:
        """Do one step; one that a resistor's time cuts short is begun again once it has cooled."""
        again: Choice | None = None
        for _ in range(TRIES):
            try:
                if again is not None:
                    self._connect(again, f"{again.called} has cooled")
                    self._settle(Settle())
                return super().perform(step)
            except _TimeUp:
                moves_load = isinstance(step, Draw | Release | PowerUp | PowerDown)
                again = None if moves_load else again or self._connected
                self._take_off_in_time()
        raise BenchError(
            f"{type(step).__name__} takes longer than {again.called if again else 'it'} may stay "
            "on: answer sooner, or give the bench a resistor of greater rated_w"
        )

    # ---------------------------------------------------------------- while waiting

    def _pause(self) -> None:
        """A moment for the person; the bench is looked at once a second all the same."""
        self.watch.wait(ASK_SLICE_S)
        if self.bench.clock.now_s() - self._looked_s >= SLICE_S:
            self.watch.look()

    def _mind(self, reading: Reading) -> None:
        """After every look: the power in the resistor, and the time it has been on."""
        self._looked_s = reading.t_s
        choice = self._connected
        if choice.resistor is None or not self.watch.supply_is_on:
            return
        power_w = choice.power_at(reading.vout_v or 0.0)
        if power_w > OVER_RATING * choice.resistor.limit_w:
            most_w, source = choice.resistor.limit_w, "its ratings in the bench file"
            raise Tripped(f"power in {choice.called}, W", power_w, most_w, source)
        if not self._is_hurried and reading.t_s - self._since_s >= choice.use_s:
            raise _TimeUp(f"{choice.called} has to come off")

    # --------------------------------------------------------------- the resistors

    def _draw(self, step: Draw) -> Outcome:
        if self._bank is None:
            return super()._draw(step)
        check_load(self.allowed, step.iout_a)
        check_up(step, self.state.supply_is_on)
        choice = self._bank.nearest(step.iout_a)
        self._connect(choice, f"{step.iout_a:.3g} A asked for")
        return Done(self.watch.look())

    def _load_off(self) -> None:
        if self._bank is None:
            super()._load_off()
            return
        self._connect(OPEN, "")

    def _protect_load(self) -> tuple[str, ...]:
        return super()._protect_load() if self._bank is None else ()

    def _power_down(self, step: PowerDown) -> Outcome:
        """The supply alone: a resistor without it is dead, and safest left where it is."""
        if self._bank is None:
            return super()._power_down(step)
        state = self.state
        self.watch.supply_is_on = False
        self.bench.supply.set_output(False)
        state.supply_is_on, state.line_set_v = False, 0.0
        self._changed()
        if self._connected.resistor is not None:
            self._person.say(
                f"the supply is off; {self._connected.called} may be hot: let it cool, then "
                "take it off"
            )
        return Done(self.watch.look())

    def _connect(self, choice: Choice, why: str) -> None:
        """Have one resistor connected, or none; what is there already is not asked for."""
        if choice == self._connected and self._is_sure:
            if choice.resistor is not None:
                self._person.say(f"{choice.called} stays connected ({_expectation(why, choice)})")
        else:
            self._let_cool(choice)
            self._asking.done("connect", self._request(choice, why), lambda: self._seen_at(choice))
        self._is_sure = True
        self._record("connected", why=why, **_plain(choice))
        self.state.iout_set_a, self.state.load_is_on = choice.iout_a, choice.resistor is not None
        self._changed()

    def _request(self, choice: Choice, why: str) -> str:
        before = self._connected
        off = f"disconnect {before.called}" if before.resistor is not None else ""
        if not self._is_sure:
            off = "take off whatever is connected to the module's output"
        hot = " (HOT)" if before.resistor is not None and self.watch.supply_is_on else ""
        if choice.resistor is None:
            return f"{off}{hot}, then Enter"
        on = f"connect {choice.called} ({_expectation(why, choice)})"
        return f"{off}{hot}, {on}, then Enter" if off else f"{on}, then Enter"

    def _let_cool(self, choice: Choice) -> None:
        """Wait until a resistor that was overloaded has cooled."""
        left_s = self._cool_at_s.get(choice, 0.0) - self.bench.clock.now_s()
        if left_s > 0.0:
            self._person.say(f"{choice.called} cools for {left_s:.0f} s more before it is used")
            self.watch.wait(left_s)

    def _seen_at(self, choice: Choice) -> str:
        """Take over what was connected, and say what in the supply's power speaks against it."""
        self._attach(choice)
        if not self.watch.supply_is_on:
            return ""
        return self._contradicted(choice)

    def _attach(self, choice: Choice) -> None:
        now_s, before = self.bench.clock.now_s(), self._connected
        if choice == before:
            return
        if before.resistor is not None and isfinite(before.may_stay_s):
            self._cool_at_s[before] = now_s + before.resistor.rest_s
        self._connected, self._since_s = choice, now_s - LATE_S
        self.bench.connected_ohm = choice.ohm

    def _contradicted(self, choice: Choice) -> str:
        self.watch.wait(TAKES_EFFECT_S)
        reading = self.watch.look()
        pin_w, out_w = reading.vin_v * reading.iin_a, choice.power_w
        gives = f"the supply gives {pin_w:.3g} W"
        if choice.resistor is None:
            return f"{gives}: is something still connected?" if pin_w > 2.0 * NOTHING_W else ""
        if pin_w < 0.5 * out_w - NOTHING_W:
            return f"{gives}, {choice.called} alone should take {out_w:.3g} W: is it connected?"
        if pin_w > 2.0 * out_w + 2.0 * NOTHING_W:
            return f"{gives}, {choice.called} should take {out_w:.3g} W: is it the right one?"
        return ""

    def _take_off_in_time(self) -> None:
        """Have a resistor taken off before its time is up; else the run ends, the supply first."""
        choice, end_s = self._connected, self._since_s + self._connected.may_stay_s
        text = request = f"TIME IS UP for {choice.called}: disconnect it NOW (HOT), then Enter"
        told = set[int]()

        def count_down() -> None:
            left_s = int(end_s - self.bench.clock.now_s() + 0.999)
            if left_s in COUNTED_DOWN_S and left_s not in told:
                told.add(left_s)
                self._person.say(f"  {left_s} s, then the supply goes off")

        self._is_hurried = True
        try:
            while True:
                self._asking.ask("disconnect", text, done, until_s=end_s, meanwhile=count_down)
                self.watch.wait(TAKES_EFFECT_S)
                reading = self.watch.look()
                pin_w = reading.vin_v * reading.iin_a
                if pin_w <= 0.5 * choice.power_w:
                    break
                if self.bench.clock.now_s() >= end_s:  # answers alone do not take it off
                    raise NoAnswer
                text = f"the supply still gives {pin_w:.3g} W. {request}"
        except NoAnswer:
            on_s = self.bench.clock.now_s() - self._since_s
            raise Tripped(
                f"time of {choice.called} at {choice.power_w:.3g} W, s",
                on_s,
                choice.may_stay_s,
                "its greatest_w_for_s in the bench file; it was not seen to be taken off",
            ) from None
        finally:
            self._is_hurried = False
        self._attach(OPEN)
        self._record("connected", why="its time was up", **_plain(OPEN))

    # --------------------------------------------------------------- what is read by eye

    def _read(self, step: Read) -> Outcome:
        """Ask for what is read by eye, once; it stands for every sample of this point."""
        with self._noted(self._eyes):
            point = super()._read(step)
        held = {eye.quantity for eye in self._eyes}
        if self._bank is not None and "vout_v" in held:
            held.add("iout_a")
        if isinstance(point, Point):
            return replace(point, sd={k: sd for k, sd in point.sd.items() if k not in held})
        return point

    def _tare(self, step: Tare) -> Outcome:
        with self._noted(eye for eye in self._eyes if eye.unit == "A"):
            return super()._tare(step)

    def _set_ambient(self, step: SetAmbient) -> Outcome:
        with self._noted(eye for eye in self._eyes if eye.role == "ambient"):
            return super()._set_ambient(step)

    @contextmanager
    def _noted(self, eyes: Iterable[Eye]) -> Iterator[None]:
        """Ask for each, and let the answers stand in every look until the end of the block."""
        answers: dict[str, float] = {}
        for eye in eyes:
            answers[eye.role] = self._ask(eye, answers)
        self.bench.noted = answers
        try:
            yield
        finally:
            self.bench.noted = {}

    def _ask(self, eye: Eye, answers: Mapping[str, float]) -> float:
        def doubt(value: float) -> str:
            return self._scene(answers).against(eye, value)

        return self._asking.ask(eye.quantity, eye.question, eye.understand, doubt)

    def _scene(self, answers: Mapping[str, float]) -> Scene:
        connected = None if self._bank is None else self._connected
        reading = self.watch.look()
        return Scene(reading, self.watch.limits, connected, self._vout_set_v, answers)

    def _soak(self, step: Soak) -> Outcome:
        """A soak whose temperature is read by eye: asked for twice while it is judged."""
        role = step.quantity.removesuffix("_temp_c")
        eye = next((eye for eye in self._eyes if eye.role == role), None)
        if eye is None:
            return super()._soak(step)
        if step.rule != OWN_RULE:
            raise BadInput(
                f"the soak's rule is {step.rule!r}, which needs a thermometer that the program "
                f"reads; {eye.name} is read by eye: use the rule {OWN_RULE!r}"
            )
        return self._soak_by_eye(step, eye)

    def _soak_by_eye(self, step: Soak, eye: Eye) -> Soaked:
        start_s = self.bench.clock.now_s()
        times_s, temps_c = list[float](), list[float]()
        while True:
            with self._noted((eye,)):
                reading = self.watch.look()
                self._record_sample(reading)
            times_s.append(reading.t_s)
            temps_c.append(self._temperature(reading, step.quantity))
            elapsed_s = reading.t_s - start_s
            change_k = _change_k(times_s, temps_c, step.over_s)
            settled = change_k is not None and abs(change_k) <= step.within_k
            stop_c = step.stop_above_c
            stopped = stop_c is not None and temps_c[-1] > stop_c and temps_c[-1] >= temps_c[0]
            if settled or stopped or elapsed_s >= step.at_most_s:
                self.state.soaked = settled
                return Soaked(settled, stopped, elapsed_s, change_k, reading)
            self.watch.wait(0.5 * step.over_s)


def _change_k(times_s: list[float], temps_c: list[float], over_s: float) -> float | None:
    """What the last three readings move over `over_s` [s] by their trend [K]."""
    if len(times_s) < 3:
        return None
    took_s = times_s[-1] - times_s[-3]
    return trend(times_s[-3:], temps_c[-3:]) * over_s / took_s


def _expectation(why: str, choice: Choice) -> str:
    parts = [why] if why else []
    parts.append(f"it draws {choice.iout_a:.3g} A, {choice.power_w:.3g} W")
    if isfinite(choice.may_stay_s):
        parts.append(f"for {choice.may_stay_s:g} s at most")
    return ", ".join(parts)


def _plain(choice: Choice) -> dict[str, Any]:
    """A choice as the journal keeps it; None stands for what has no end."""
    return {
        "resistor": choice.called,
        "ohm": choice.ohm if isfinite(choice.ohm) else None,
        "ohm_limit": choice.ohm_limit,
        "iout_a": choice.iout_a,
        "power_w": choice.power_w,
        "may_stay_s": choice.may_stay_s if isfinite(choice.may_stay_s) else None,
    }

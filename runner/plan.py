"""A sequence walked on paper, before anything is energised.

Every step is asked for with the outcomes a faultless module would give, and each set
point is checked against what the bench and the module may carry. The plan also gives
the number of points and a first guess of the time, for the progress display.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from runner.audit import AUDIT
from runner.errors import BadInput
from runner.hand.resistor_bank import OPEN, Bank, check_stay
from runner.ratings import (
    Allowed,
    check_ambient,
    check_dead,
    check_input,
    check_line,
    check_load,
    check_up,
)
from runner.settle import rule_named
from runner.step_bounds import (
    check_by_machine,
    check_found,
    check_resistance,
    check_start,
    check_trace,
)
from runner.steps import (
    Ask,
    Done,
    Draw,
    Follow,
    Found,
    GiveUp,
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
    Soaked,
    Start,
    Step,
    Tare,
    Tared,
    Trace,
    Wait,
)
from runner.tracing import trace_of

MOST_STEPS = 200_000
LONGEST_S = 60 * 24 * 3600.0
SOAK_GUESS_S = 1500.0
PREDICTED_SOAK_GUESS_S = 500.0
AMBIENT_GUESS_S = 1800.0
EFFICIENCY_GUESS = 0.85
QUESTION_S = 6.0
"""What a person takes to answer or to connect something [s]; common practice, no source."""
ROOM_TEMP_C = 23.0
HEAT_K_PER_W = 1.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What a sequence would do: its steps' guessed durations [s], how many points, and what
    it would ask a person."""

    durations_s: tuple[float, ...]
    points: int
    asks: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Guessed duration of the whole [s]."""
        return sum(self.durations_s)


def walk(
    after: Callable[[Outcome | None], Step | None],
    allowed: Allowed,
    vout_v: float,
    bank: Bank | None = None,
    questions: int = 0,
) -> Plan:
    """Ask for every step with faultless outcomes and check it.

    `after` gives the step that follows an outcome, None at the end. Raises BadInput for
    a set point above a rating, a rubbish step, or a sequence without an end. On a bench
    worked by hand `bank` are its resistors and `questions` what is read by eye at each point.
    """
    paper = _Paper(allowed, vout_v, bank, questions)
    durations: list[float] = []
    outcome: Outcome | None = None
    while (step := after(outcome)) is not None and not isinstance(step, GiveUp):
        outcome, took_s = paper.perform(step)
        durations.append(took_s)
        if len(durations) > MOST_STEPS or paper.t_s > LONGEST_S:
            raise BadInput(
                f"the sequence has no end: on paper, with a faultless module, it was still going "
                f"after {len(durations)} steps and {paper.t_s / 3600:.3g} h. Give its loop a bound"
            )
    return Plan(tuple(durations), paper.points, tuple(paper.asks))


class _Paper:
    """A module that regulates perfectly and heats at once."""

    def __init__(self, allowed: Allowed, vout_v: float, bank: Bank | None, questions: int) -> None:
        self._allowed, self._vout_v = allowed, vout_v
        self._bank, self._questions, self._connected = bank, questions, OPEN
        self.t_s = self._line_v = self._iout_a = 0.0
        self._ambient_temp_c = ROOM_TEMP_C
        self.points = 0
        self.asks: list[str] = []
        self._polarity = "normal"

    def perform(self, step: Step) -> tuple[Outcome, float]:
        before_s = self.t_s
        outcome = self._perform(step)
        took_s = self.t_s - before_s
        if not isinstance(step, Draw | Release | PowerUp | PowerDown):
            check_stay(self._connected, type(step).__name__, took_s)
        return outcome, took_s

    def _perform(self, step: Step) -> Outcome:
        check_by_machine(step, self._bank is not None or self._questions > 0)
        match step:
            case Tare():
                check_dead(step, self._line_v > 0.0)
                self.t_s += step.samples * step.every_s
                return Tared(step.samples, 0.0, 0.0, {}, self._reading())
            case PowerUp(line_v) | SetLine(line_v):
                check_line(self._allowed, line_v)
                check_up(step, isinstance(step, PowerUp) or self._line_v > 0.0)
                self.t_s += 0.3 + self._ramp_s(step)
                self._line_v = line_v
                check_input(self._allowed, self._vout_v, line_v, self._iout_a)
            case Start():
                return self._start(step)
            case Resist(load_ohm):
                check_up(step, self._line_v > 0.0)
                check_resistance(step, load_ohm)
                self._iout_a = self._through(load_ohm)
            case Draw(iout_a):
                check_up(step, self._line_v > 0.0)
                check_load(self._allowed, iout_a)
                self._iout_a = iout_a if self._bank is None else self._connect(self._bank, iout_a)
                check_input(self._allowed, self._vout_v, self._line_v, self._iout_a)
                self.t_s += 0.05
            case Release():
                self._iout_a = 0.0 if self._bank is None else self._connect(self._bank, 0.0)
            case PowerDown():
                self._line_v = self._iout_a = 0.0
                self.t_s += 1.0
            case Wait(duration_s):
                self.t_s += duration_s
            case Settle():
                self.t_s += 2.0 * step.at_least_s
                return Settled(True, step.at_least_s, self._reading())
            case SetAmbient():
                check_ambient(self._allowed, step.ambient_temp_c)
                self.t_s += AMBIENT_GUESS_S
                self._ambient_temp_c = step.ambient_temp_c
                return Settled(True, AMBIENT_GUESS_S, self._reading())
            case Soak():
                rule = rule_named(step.rule)
                least_s = step.over_s if rule is None else rule.least_s
                predicted = rule is None and step.predict_k > 0.0
                guess_s = PREDICTED_SOAK_GUESS_S if predicted else SOAK_GUESS_S
                took_s = min(step.at_most_s, max(least_s, guess_s))
                self.t_s += took_s
                return Soaked(True, False, took_s, 0.0, self._reading())
            case Read():
                return self._point(step)
            case Follow():
                check_trace(step, step.duration_s, step.every_s)
                return self._trace(step.duration_s, step.every_s)
            case Ask():
                self._polarity = step.polarity or self._polarity
                self.asks.append(step.text)
                self.t_s += QUESTION_S
            case Found():
                check_found(step)
        return Done(self._reading())

    def _ramp_s(self, step: PowerUp | SetLine) -> float:
        """How long a ramp takes [s]."""
        if isinstance(step, PowerUp) or step.rate_v_per_s <= 0.0:
            return 0.0
        return abs(step.line_v - self._line_v) / step.rate_v_per_s

    def _start(self, step: Start) -> Outcome:
        check_line(self._allowed, step.line_v)
        check_load(self._allowed, step.iout_a)
        check_start(step, self._line_v > 0.0, self._allowed)
        self._line_v = step.line_v
        self._iout_a = step.iout_a if step.load_ohm is None else self._through(step.load_ohm)
        return self._trace(step.watch_s, step.every_s)

    def _trace(self, duration_s: float, every_s: float) -> Trace:
        """Nothing moves in a faultless module: its first and last reading tell all."""
        began_s, first = self.t_s, self._reading()
        self.t_s += max(duration_s, every_s)
        return trace_of(began_s, [first, self._reading()])

    def _through(self, load_ohm: float) -> float:
        """What a resistance draws [A] from a module that gives no more than it may."""
        return min(self._vout_v / load_ohm, self._allowed.iout_max_a)

    def _connect(self, bank: Bank, iout_a: float) -> float:
        """The current of the resistor that stands for a load [A]."""
        choice = bank.nearest(iout_a)
        self.t_s += 0.0 if choice == self._connected else QUESTION_S
        self._connected = choice
        return choice.iout_a

    def _reading(self) -> Reading:
        is_fed = self._line_v > 0.0 and self._polarity != "reversed"
        vout_v = self._vout_v if is_fed else 0.0
        iin_a = vout_v * self._iout_a / EFFICIENCY_GUESS / self._line_v if self._line_v else 0.0
        air_c = self._ambient_temp_c
        hot_c = air_c + HEAT_K_PER_W * (self._line_v * iin_a - vout_v * self._iout_a)
        return Reading(self.t_s, self._line_v, iin_a, vout_v, self._iout_a, air_c, air_c, hot_c)

    def _point(self, step: Read) -> Point:
        self.points += step.label != AUDIT
        self.t_s += step.samples * step.every_s + self._questions * QUESTION_S
        now = self._reading()
        return Point(
            kind=step.kind,
            label=step.label,
            line_set_v=self._line_v,
            iout_set_a=self._iout_a,
            samples=step.samples,
            settled=True,
            dwell_s=0.0,
            t_s=now.t_s,
            vin_v=now.vin_v,
            iin_a=now.iin_a,
            vout_v=now.vout_v or 0.0,
            iout_a=now.iout_a or 0.0,
            ambient_temp_c=now.ambient_temp_c,
            case_temp_c=now.case_temp_c,
            hot_spot_temp_c=now.hot_spot_temp_c,
            capacitor_temp_c=now.capacitor_temp_c,
            supply_mode="CV",
            load_mode="CC",
        )

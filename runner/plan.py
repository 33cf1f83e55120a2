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
from runner.ratings import Allowed, check_ambient, check_dead, check_line, check_load, check_up
from runner.settle import rule_named
from runner.steps import (
    Done,
    Draw,
    GiveUp,
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
    Soaked,
    Step,
    Tare,
    Tared,
    Wait,
)

MOST_STEPS = 200_000
LONGEST_S = 60 * 24 * 3600.0
SOAK_GUESS_S = 1500.0
AMBIENT_GUESS_S = 1800.0
EFFICIENCY_GUESS = 0.85
QUESTION_S = 6.0
"""What a person takes to answer or to connect something [s]; common practice, no source."""
ROOM_TEMP_C = 23.0
HEAT_K_PER_W = 1.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What a sequence would do: its steps' guessed durations [s] and how many points."""

    durations_s: tuple[float, ...]
    points: int

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
    return Plan(tuple(durations), paper.points)


class _Paper:
    """A module that regulates perfectly and heats at once."""

    def __init__(self, allowed: Allowed, vout_v: float, bank: Bank | None, questions: int) -> None:
        self._allowed, self._vout_v = allowed, vout_v
        self._bank, self._questions, self._connected = bank, questions, OPEN
        self.t_s = self._line_v = self._iout_a = 0.0
        self._ambient_temp_c = ROOM_TEMP_C
        self.points = 0

    def perform(self, step: Step) -> tuple[Outcome, float]:
        before_s = self.t_s
        outcome = self._perform(step)
        took_s = self.t_s - before_s
        if not isinstance(step, Draw | Release | PowerUp | PowerDown):
            check_stay(self._connected, type(step).__name__, took_s)
        return outcome, took_s

    def _perform(self, step: Step) -> Outcome:
        match step:
            case Tare():
                check_dead(step, self._line_v > 0.0)
                self.t_s += step.samples * step.every_s
                return Tared(step.samples, 0.0, 0.0, {}, self._reading())
            case PowerUp(line_v) | SetLine(line_v):
                check_line(self._allowed, line_v)
                check_up(step, isinstance(step, PowerUp) or self._line_v > 0.0)
                self._line_v = line_v
                self.t_s += 0.3
            case Draw(iout_a):
                check_up(step, self._line_v > 0.0)
                check_load(self._allowed, iout_a)
                self._iout_a = iout_a if self._bank is None else self._connect(self._bank, iout_a)
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
                took_s = min(step.at_most_s, max(least_s, SOAK_GUESS_S))
                self.t_s += took_s
                return Soaked(True, False, took_s, 0.0, self._reading())
            case Read():
                return self._point(step)
        return Done(self._reading())

    def _connect(self, bank: Bank, iout_a: float) -> float:
        """The current of the resistor that stands for a load [A]."""
        choice = bank.nearest(iout_a)
        self.t_s += 0.0 if choice == self._connected else QUESTION_S
        self._connected = choice
        return choice.iout_a

    def _reading(self) -> Reading:
        vout_v = self._vout_v if self._line_v else 0.0
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
            supply_mode="CV",
            load_mode="CC",
        )

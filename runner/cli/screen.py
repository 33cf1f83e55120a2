"""What a person sees while a run goes on: a live block on a terminal, a plain log elsewhere.

The engine tells it what happens; it remembers the last of each and draws. It goes to
standard error, so that standard output holds the result alone.
"""

from __future__ import annotations

import sys
import time
from math import inf
from typing import TYPE_CHECKING, TextIO

from runner.audit import AUDIT
from runner.interlocks import Limit, Margin, margins
from runner.live.words import clock_text, point_text, soaked_text, step_text
from runner.pace import Pace
from runner.steps import (
    Draw,
    Found,
    Outcome,
    Point,
    PowerUp,
    Reading,
    SetLine,
    Soak,
    Soaked,
    Start,
    Step,
)

if TYPE_CHECKING:
    from runner.run import Job

PLAIN_EVERY_S = 30.0


class Progress:
    """What is known of a run at this moment, and how it reads as lines of text."""

    def __init__(
        self, title: str, points_planned: int, pace: Pace, limits: tuple[Limit, ...]
    ) -> None:
        self.title, self._points_planned, self._pace, self._limits = (
            title,
            points_planned,
            pace,
            limits,
        )
        self.points = 0
        self.line_set_v = self.iout_set_a = 0.0
        self.reading: Reading | None = None
        self.step_text = "getting ready"
        self._index, self._step_began_s = 0, 0.0

    def on_step(self, index: int, step: Step) -> None:
        """Take note of the step that begins."""
        self._index = index
        self._step_began_s = self.reading.t_s if self.reading else 0.0
        if isinstance(step, PowerUp | SetLine | Start):
            self.line_set_v = step.line_v
        if isinstance(step, Draw | Start):
            self.iout_set_a = step.iout_a
        self.step_text = step_text(step)

    def on_reading(self, reading: Reading) -> None:
        """Take note of the last reading."""
        self.reading = reading

    def on_outcome(self, step: Step, outcome: Outcome) -> None:
        """Count points, and learn how long the steps take beside their plan."""
        if isinstance(outcome, Point) and outcome.label != AUDIT:
            self.points += 1
        if isinstance(step, Soak) and isinstance(outcome, Soaked):
            self._pace.soaked(self._index, outcome.elapsed_s)

    def left_s(self) -> float:
        """Time to the end [s], from the plan and the soaks seen so far."""
        now_s = self.reading.t_s if self.reading else 0.0
        return self._pace.left_s(self._index, now_s - self._step_began_s)

    def lines(self) -> list[str]:
        """The live block: where the run is, what is read, how near the limits are."""
        head = f"{self.title}\n  point {self.points} of {self._points_planned} · {self.step_text}"
        if self.reading is None:
            return head.split("\n")
        text = (
            f"{head} · {clock_text(self.reading.t_s)} gone, about {clock_text(self.left_s())} left"
        )
        return [*text.split("\n"), *reading_lines(self.reading), self.margin_line()]

    def margin_line(self) -> str:
        """The three limits that are nearest."""
        if self.reading is None:
            return ""
        near = sorted(margins(self._limits, self.reading), key=lambda m: -m.used)[:3]
        return "  limits  " + " · ".join(_margin_text(margin) for margin in near)


def reading_lines(reading: Reading) -> list[str]:
    """One reading as two lines of text."""
    pin_w = reading.vin_v * reading.iin_a
    if reading.vout_v is None or reading.iout_a is None:  # worked by hand, and not asked for yet
        return [f"  in {reading.vin_v:7.3f} V {reading.iin_a:7.4f} A   {pin_w:.3f} W"]
    pout_w = reading.vout_v * reading.iout_a
    efficiency = f"{100 * pout_w / pin_w:6.2f} %" if pin_w > 0 else "     -  "
    electrical = (
        f"  in {reading.vin_v:7.3f} V {reading.iin_a:7.4f} A   out {reading.vout_v:7.4f} V "
        f"{reading.iout_a:7.4f} A   efficiency {efficiency}   loss {pin_w - pout_w:6.3f} W"
    )
    temperatures = (
        ("hot spot", reading.hot_spot_temp_c),
        ("case", reading.case_temp_c),
        ("capacitor", reading.capacitor_temp_c),
        ("ambient", reading.ambient_temp_c),
    )
    shown = [f"{name} {value:.1f} °C" for name, value in temperatures if value is not None]
    modes = f"supply {reading.supply_mode}, load {reading.load_mode}"
    return [electrical, "  " + "   ".join([*shown, modes])]


def _margin_text(margin: Margin) -> str:
    limit = margin.limit
    return f"{limit.quantity} {margin.value:.4g} of {limit.most:g} ({100 * margin.used:.0f} %)"


class PlainLog:
    """One line a point, a note or half a minute; for logs, pipes and schedulers."""

    def __init__(self, progress: Progress, out: TextIO, every_s: float = PLAIN_EVERY_S) -> None:
        self._progress, self._out, self._next_s = progress, out, 0.0
        self._every_s = every_s

    def __enter__(self) -> PlainLog:
        self._say(self._progress.title)
        return self

    def __exit__(self, *exc: object) -> None:
        self._out.flush()

    def on_step(self, index: int, step: Step) -> None:
        """Say when a soak begins and what was found: nothing else is worth a line."""
        self._progress.on_step(index, step)
        if isinstance(step, Soak | Found):
            self._say(f"  {self._progress.step_text}")

    def on_reading(self, reading: Reading) -> None:
        """A line now and then in real time, so that a log shows the run lives."""
        self._progress.on_reading(reading)
        now_s = time.monotonic()
        if now_s >= self._next_s:
            if self._next_s:
                self._say("\n".join(self._progress.lines()[1:]))
            self._next_s = now_s + self._every_s

    def on_outcome(self, index: int, step: Step, outcome: Outcome) -> None:
        """A line a point and a soak."""
        self._progress.on_outcome(step, outcome)
        if isinstance(outcome, Point) and outcome.label != AUDIT:
            self._say("  " + point_text(self._progress.points, outcome))
        elif isinstance(outcome, Soaked):
            self._say(f"  {soaked_text(outcome)}")

    def on_note(self, text: str) -> None:
        """A note of the sequence or the engine."""
        self._say(f"  note: {text}")

    def _say(self, text: str) -> None:
        print(text, file=self._out)


class LiveBlock:
    """The live block of a terminal, redrawn a few times a second by rich."""

    def __init__(self, progress: Progress) -> None:
        from rich.console import Console
        from rich.live import Live

        self._progress = progress
        # Names and paths are shown as they are: rich would take [brackets] for its markup.
        self._console = Console(stderr=True, highlight=False, markup=False, emoji=False)
        self._live = Live(
            get_renderable=self._draw, console=self._console, refresh_per_second=6, transient=True
        )

    def _draw(self) -> str:
        return "\n".join(self._progress.lines())

    def __enter__(self) -> LiveBlock:
        self._live.__enter__()
        return self

    def __exit__(self, *exc: object) -> None:
        self._live.__exit__(None, None, None)

    def on_step(self, index: int, step: Step) -> None:
        """Remember the step."""
        self._progress.on_step(index, step)

    def on_reading(self, reading: Reading) -> None:
        """Remember the reading."""
        self._progress.on_reading(reading)

    def on_outcome(self, index: int, step: Step, outcome: Outcome) -> None:
        """Remember the outcome."""
        self._progress.on_outcome(step, outcome)

    def on_note(self, text: str) -> None:
        """Print a note above the block; it stays."""
        self._live.console.print(f"  note: {text}")


def screen(job: Job) -> PlainLog | LiveBlock:
    """The display of a run that starts here."""
    title = f"{job.sequence.name}: {job.setup.module.name} on {job.setup.bench.name}"
    pace = Pace.of(job.plan.durations_s)
    progress = Progress(title, job.plan.points, pace, job.limits)
    if job.asks:  # nothing may come between a question and its answer
        return PlainLog(progress, sys.stderr, every_s=inf)
    return display(progress)


def display(progress: Progress) -> PlainLog | LiveBlock:
    """The display that fits where standard error goes."""
    return LiveBlock(progress) if sys.stderr.isatty() else PlainLog(progress, sys.stderr)

"""The runs of a drill: one that ends well, one that is stopped, one that is killed.

Called by `drill.py`. The first two are `run.execute` in this process; the one that is
killed is a runner of its own, so that what dies is what would die at night. It is looked
at through links that only ask, and made safe in any case.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import replace
from pathlib import Path

from drivers import families
from drivers.roles import Load, Supply
from runner import journal, watchdog
from runner.attention import STOP_LOOK_EVERY_S, Attention
from runner.bench import open_link
from runner.clock import WallClock
from runner.errors import BenchError, NotSafe, Stopped
from runner.files.bench_file import LoadSection
from runner.interlocks import Limit
from runner.live.state import Watched
from runner.live.stop import ask_to_stop
from runner.lock import hold
from runner.make_safe import make_safe
from runner.run import Job, Run, execute
from runner.seam import CAUTIONS, SIMULATED, Seam, open_seam
from runner.steps import Outcome, Reading, Step, Wait

OFF_WITHIN_S = 5.0
"""The output has to be off so soon after the runner died [s]."""
LEAVE_ALONE_S = 4.0
"""The watchdog has the boxes for itself so long [s]: some take one connection only."""
BEGUN_WITHIN_S = 60.0
HOLD_S = 120.0
"""How long the runs that are ended from outside would hold [s]: then they end by themselves."""
WHO = "the drill"
SEEN_OFF = "every output is off"
LAST_WORDS = (SEEN_OFF, "COULD NOT CONFIRM OFF")
"""How what came of a watchdog's doing begins, in its log."""


class Quiet:
    """Hears a run of the drill: notes are handed on, but for the cautions, which were given."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say

    def on_step(self, index: int, step: Step) -> None:
        """A step begins."""

    def on_reading(self, reading: Reading) -> None:
        """Something was read."""

    def on_outcome(self, index: int, step: Step, outcome: Outcome) -> None:
        """A step is done."""

    def on_note(self, text: str) -> None:
        """Something a person should know."""
        if text not in (CAUTIONS, SIMULATED):
            self._say(text)


class Stopping(Quiet):
    """Presses Stop once the output stands, and lets the runner's next look come due."""

    def __init__(self, say: Callable[[str], None], folder: Path) -> None:
        super().__init__(say)
        self._folder, self._clock = folder, WallClock()
        self.pressed_s: float | None = None

    def on_step(self, index: int, step: Step) -> None:
        """A step begins."""
        if isinstance(step, Wait):
            ask_to_stop(Watched(self._folder), WHO)
            self.pressed_s = self._clock.now_s()
            self._clock.sleep(STOP_LOOK_EVERY_S)  # simulated time would fly past the request

    def took_s(self) -> float | None:
        """Since Stop was pressed [s]; None if it was not."""
        return None if self.pressed_s is None else self._clock.now_s() - self.pressed_s


def lowered(limits: tuple[Limit, ...], quantity: str, most: float) -> tuple[Limit, ...]:
    """The same interlocks, one of them low enough to trip."""
    others = tuple(limit for limit in limits if limit.quantity != quantity)
    return (Limit(quantity, most, "lowered by the drill"), *others)


def run(job: Job, folder: Path, name: str, say: Callable[[str], None], *, hold_s: float) -> Run:
    """A run in this process that ends as it ends. Raises Stopped if a person ended it."""
    with Attention().listening() as attention:
        done = execute(_holding(job, hold_s), folder / name, attention, Quiet(say))
    if done.ending.name == "stopped" and done.ending.way.confirmed:
        raise Stopped(done.ending.message)
    return done


def run_and_stop(
    job: Job, folder: Path, name: str, say: Callable[[str], None]
) -> tuple[Run, float | None]:
    """A run that is asked to stop, and how long it took from then until it had ended [s]."""
    heard = Stopping(say, folder / name)
    with Attention().listening() as attention:
        done = execute(_holding(job, HOLD_S), folder / name, attention, heard)
    took_s = heard.took_s()
    if done.ending.name == "stopped" and WHO not in done.ending.message:
        raise Stopped(done.ending.message)
    return done, took_s


def _holding(job: Job, hold_s: float) -> Job:
    return replace(job, values={"hold_s": hold_s})


# ------------------------------------------------------------- a runner that is killed


def kill_and_see(job: Job, folder: Path, name: str, attention: Attention) -> str:
    """Kill a runner that holds the line, and see its watchdog drop the output; say how.

    Raises BenchError where it did not, or not in time, and NotSafe where the bench could not be
    made safe then either.
    """
    place, clock = folder / name, WallClock()
    with _runner(job, place, folder / f"{name}.txt") as process:
        on_v = _await_line(process, place, clock, attention)
        process.kill()
        killed_s = clock.now_s()
        process.wait()
    seen = ""
    try:
        _await_log(place, clock, killed_s + LEAVE_ALONE_S)
        with _seam(job, folder) as seam:
            seen = _still_on(job, seam)
        took_s = clock.now_s() - killed_s
    finally:
        said = "; ".join(_await_log(place, clock, killed_s + watchdog.LONGEST_TRY_S))
        _leave_safe(job, folder)
    if not seen and SEEN_OFF not in said:  # the box's own watch on its connection may have done it
        seen = "the output is off, but that was not the watchdog's doing"
    if seen or took_s > OFF_WITHIN_S:
        what = seen or "the output was seen off too late"
        raise BenchError(
            f"{took_s:.1f} s after its runner was killed: {what}; allowed is off within "
            f"{OFF_WITHIN_S:g} s. The watchdog says: {said or 'nothing'}. The bench "
            "was made safe by the drill; it must not be left alone"
        )
    return (
        f"its runner was killed with {on_v:.2f} V on the line; the output was asked over another "
        f"connection and is off after {took_s:.1f} s, at most {OFF_WITHIN_S:g} s. A runner that "
        f"hangs instead is given {_patience_s(job):g} s, which was not waited for"
    )


def _patience_s(job: Job) -> float:
    return watchdog.patience_s(box.timeout_s for box in job.setup.bench.boxes.values())


@contextmanager
def _runner(job: Job, place: Path, log_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A runner of its own that holds the line; it is stopped if anything goes wrong here."""
    command = [sys.executable, "-c", watchdog.COMMAND, "run", str(job.sequence.path)]
    files = ["--bench", str(job.bench_path), "--module", str(job.module_path)]
    options = [*files, "--out", str(place), "--hold-s", f"{HOLD_S:g}"]
    with log_path.open("wb") as log:
        process = subprocess.Popen(
            [*command, *options], stdin=subprocess.DEVNULL, stdout=log, stderr=log
        )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(watchdog.LONGEST_TRY_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _await_line(
    process: subprocess.Popen[bytes], place: Path, clock: WallClock, attention: Attention
) -> float:
    """Wait until the runner holds the line; the volts [V] it has read there."""
    end_s, path = clock.now_s() + BEGUN_WITHIN_S, place / journal.FILE_NAME
    while clock.now_s() < end_s and process.poll() is None:
        attention.check()
        records = list(journal.read(path)) if path.is_file() else []
        if any(record.get("step") == Wait.__name__ for record in records):
            up = next(r for r in records if r["kind"] == "outcome")
            return float(up["values"]["reading"]["vin_v"])
        clock.sleep(0.1)
    code = process.poll()
    ended = f"ended with exit code {code}" if code is not None else "did not come so far"
    raise BenchError(
        f"the runner that was to be killed {ended} within {BEGUN_WITHIN_S:g} s; "
        f"{place.with_suffix('.txt')} holds what it said"
    )


def _await_log(place: Path, clock: WallClock, until_s: float) -> list[str]:
    """What the watchdog has said, once its last word is there or the time is up."""
    path = place / "watchdog.log"
    while True:
        lines = path.read_text("utf-8", "replace").splitlines() if path.is_file() else []
        if any(line.startswith(LAST_WORDS) for line in lines) or clock.now_s() >= until_s:
            return lines
        clock.sleep(0.05)


@contextmanager
def _seam(job: Job, folder: Path) -> Iterator[Seam]:
    """The bench for this process alone; the killed runner's lock went with it."""
    file = job.setup.bench
    with ExitStack() as stack:
        seam = stack.enter_context(
            closing(open_seam(file, job.bench_path, job.setup.module, job.module_path))
        )
        stack.enter_context(hold(file.resources, f"drill in {folder}"))
        yield seam


def _still_on(job: Job, seam: Seam) -> str:
    """Ask the boxes, and tell them nothing: which output is on, "" for none."""
    file = job.setup.bench
    boxes: list[tuple[str, Callable[..., Supply | Load]]] = [(file.roles.supply, families.supply)]
    if isinstance(file.load, LoadSection):
        boxes.append((file.roles.load, families.load))
    found = []
    for name, make in boxes:
        section = file.boxes[name]
        with closing(open_link(seam, file, name)) as link:
            if make(section.family, link, name=name, channel=section.channel).is_on():
                found.append(f"{name} says that it is on")
    return " and ".join(found)


def _leave_safe(job: Job, folder: Path) -> None:
    with _seam(job, folder) as seam:
        way = make_safe(seam, job.setup.bench)
    if not way.confirmed:
        raise NotSafe(way.instructions())

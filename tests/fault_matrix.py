"""Every fault at every kind of step on the live demo bench: what becomes of the run.

`test_fault_matrix.py` judges the cells, `fault_table.py` prints them. Nothing here says
how a cell ought to end.
"""

from __future__ import annotations

import tempfile
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from math import inf
from pathlib import Path
from typing import Any
from unittest import mock

from runner import journal, run
from runner.attention import Attention
from runner.run import Job, execute, prepare
from runner.seam import SIMULATED, Seam, simulated_bench
from runner.sequence import load
from runner.steps import Outcome, Reading, Step
from sim.build import NamedFault, SimBench

UP = "yield PowerUp(24.0)\nyield Draw(2.0)\nyield Settle()\n"
WARM = "yield Wait({warm_s})\n"
LAST = """\
yield Wait({wait_s})
yield Draw(3.0)
yield Settle()
yield Read(label="after")
yield Wait({tail_s})
yield PowerDown()
"""
UNDER_WAY: Mapping[str, str] = {
    "Start": "yield PowerDown()\nyield Start(24.0, 2.0)\n",
    "SetLine": "yield SetLine(26.0)\n",
    "Draw": "yield Draw(2.2)\n",
    "Resist": "yield Resist(4.5)\n",
    "Release": "yield Release()\n",
    "Settle": "yield Settle()\n",
    "Follow": "yield Follow(2.0, 0.1)\n",
    "Read": "yield Read()\n",
    "Soak": 'yield Soak("hot_spot_temp_c", 0.5, 20.0, 60.0)\n',
    "SetAmbient": "yield SetAmbient(27.0)\n",
    "Wait": "yield Wait(3.0)\n",
}
STEPS: Mapping[str, str] = {
    "Tare": "yield Tare(10)\n" + UP + LAST,
    "PowerUp": UP + LAST,
    **{name: UP + WARM + steps + LAST for name, steps in UNDER_WAY.items()},
    "PowerDown": UP + WARM + "yield PowerDown()\n",
    "leaving": UP + WARM,
}
"""The sequence of each column. In `leaving` it ends under load, and the fault comes then."""
IN_S = 0.15
"""How far into a step that takes its time the fault strikes [s]."""
TAKE_THEIR_TIME = ("Tare", "Settle", "Follow", "Read", "Wait", "Soak", "SetAmbient")


@dataclass(frozen=True, slots=True)
class Row:
    """A fault as the table names it: `warm_s` [s] under load before it, `wait_s` [s] after it.

    `tail_s` [s] is how long the greater load after that stands.
    """

    title: str
    fault: NamedFault
    warm_s: float = 0.5
    wait_s: float = 3.0
    tail_s: float = 3.0

    @property
    def is_slow(self) -> bool:
        """Whether it does harm only once it has heated the module up to a limit."""
        return self.fault.name in ("heat-sink-off", "thermal-runaway")


def _of(name: Any, instrument: str = "", words: str = "", **keys: Any) -> Row:
    text = " ".join(filter(None, (name, words)))
    title = f"{text}, {instrument}" if instrument else text
    times = {key: keys.pop(key) for key in ("warm_s", "wait_s", "tail_s") if key in keys}
    return Row(title, NamedFault(name=name, instrument=instrument, **keys), **times)


SUPPLY, LOAD, THERMOMETER = "supply", "load", "hot_spot"
TALKING = (SUPPLY, LOAD, THERMOMETER)
ONCE = {"messages": 1}
ROWS = (
    *(_of("reply-late", box, "by 0.5 s", **ONCE) for box in TALKING),
    *(_of("reply-late", box, "by 2.5 s", level=2.5, **ONCE) for box in TALKING),
    *(_of("half-line", box, "once", **ONCE) for box in TALKING),
    *(_of("garbage", box, "once", **ONCE) for box in TALKING),
    *(_of("previous-reply", box, "once", **ONCE) for box in TALKING),
    *(_of("mute", box, "once", **ONCE) for box in TALKING),
    *(_of("garbage", box, "for good") for box in TALKING),
    *(_of("mute", box, "for good") for box in TALKING),
    *(_of("hangs", box, "for 1 s", for_s=1.0) for box in TALKING),
    *(_of("hangs", box, "for good") for box in TALKING),
    *(_of("disconnects", box, "for 1 s", for_s=1.0) for box in TALKING),
    *(_of("disconnects", box, "for good") for box in TALKING),
    *(_of("errors-flood", box) for box in TALKING),
    *(_of("restarts", box) for box in TALKING),
    _of("clips", SUPPLY, "at 20 V", in_message="VOLT ", level=20.0),
    _of("clips", LOAD, "at 1 A", in_message="CURR ", level=1.0),
    _of("readback-stuck", SUPPLY),
    _of("readback-stuck", LOAD),
    _of("readback-stuck", THERMOMETER, warm_s=200.0, tail_s=100.0),
    _of("thermometer-off", THERMOMETER, warm_s=200.0),
    _of("thermometer-off", "case", warm_s=400.0),
    *(_of("thermometer-open", box) for box in (THERMOMETER, "case", "ambient")),
    _of("supply-trips"),
    _of("load-drops-out"),
    _of("module-dies-open"),
    _of("module-dies-short"),
    _of("fuse-opens"),
    _of("mains-dip"),
    _of("heat-sink-off", level=8.0, wait_s=1500.0),
    _of("thermal-runaway", level=40.0, wait_s=1500.0),
)


@dataclass(frozen=True, slots=True)
class Cell:
    """What became of one run: `off_s` is when the supply was truly off, `struck_s` the fault.

    `hottest_k` [K] is how far the hot spot truly was above its interlock at most. The fault
    struck in the step of index `struck_at`, the last step began at `step_s` [s].
    """

    ending: str
    exit_code: int
    message: str
    steps_begun: int
    struck_at: int
    step_s: float
    struck_s: float
    off_s: float | None
    hottest_k: float
    supply_on: bool
    load_on: bool
    records: tuple[dict[str, Any], ...]

    @property
    def was_noticed_later(self) -> bool:
        """Whether the step in which it struck came to its end all the same."""
        return self.exit_code != 0 and self.steps_begun > self.struck_at + 1

    @property
    def shown_s(self) -> float:
        """When it could be seen: as it struck, or in the step that showed it [s]."""
        return self.step_s if self.was_noticed_later else self.struck_s

    @property
    def to_off_s(self) -> float | None:
        """From when it could be seen to the output off [s]; None where it was off or stayed on."""
        if self.off_s is None or self.off_s < self.struck_s:
            return None
        return max(0.0, self.off_s - self.shown_s)

    @property
    def after(self) -> dict[str, Any] | None:
        """The point that the run took after the fault, if it came so far."""
        points = (r["values"] for r in self.records if r.get("outcome") == "Point")
        return next((point for point in points if point["label"] == "after"), None)


@dataclass
class Striker:
    """A listener that lets the fault strike in the step of an index, or after that step."""

    bench: SimBench
    fault: NamedFault | None
    at: int
    is_after: bool
    struck_s: float = 0.0
    begun: int = 0
    step_s: float = 0.0

    def on_step(self, index: int, step: Step) -> None:
        self.begun, self.step_s = index + 1, self.bench.clock.now_s()
        if index == self.at and not self.is_after:
            self._strike(IN_S if type(step).__name__ in TAKE_THEIR_TIME else 0.0)

    def on_outcome(self, index: int, step: Step, outcome: Outcome) -> None:
        if index == self.at and self.is_after:
            self._strike(0.0)

    def _strike(self, in_s: float) -> None:
        self.struck_s = self.bench.clock.now_s() + in_s
        if self.fault is not None:
            self.bench.faults.switch_on(replace(self.fault, at_s=self.struck_s))

    def on_reading(self, reading: Reading) -> None: ...

    def on_note(self, text: str) -> None: ...


@dataclass
class Truth:
    """What the supply and the hot spot truly do, looked at with every message of any box."""

    bench: SimBench
    most_c: float
    was_on: bool = False
    off_s: float | None = None
    hottest_k: float = -inf

    def watch(self) -> None:
        """Look on at every device."""
        for device in self.bench.devices.values():
            device.obey = self._looking_on(device.obey)  # type: ignore[method-assign]

    def _looking_on(self, obey: Any) -> Any:
        def looked_on(message: str) -> Any:
            reply = obey(message)
            self.look()
            return reply

        return looked_on

    def look(self) -> None:
        world, now_s = self.bench.world, self.bench.clock.now_s()
        if self.was_on and not world.supply.on:
            self.off_s = now_s
        elif world.supply.on:
            self.off_s = None
        self.was_on = world.supply.on
        self.hottest_k = max(self.hottest_k, world.now().hot_spot_temp_c - self.most_c)


@cache
def job(step: str, warm_s: float, wait_s: float, tail_s: float) -> tuple[Job, int]:
    """The checked run of one column, and the index of the step in which the fault strikes."""
    body = STEPS[step].format(warm_s=warm_s, wait_s=wait_s, tail_s=tail_s)
    head = "from runner import *\n\ndef sequence(setup: Setup) -> Steps:\n"
    path = Path(tempfile.mkdtemp()) / "own.py"
    path.write_text(head + textwrap.indent(body, "    "), "utf-8")
    sequence = load(str(path))
    words = [line.removeprefix("yield ").partition("(")[0] for line in body.splitlines()]
    before_last = len(words) - LAST.count("yield")
    at = {"Tare": 0, "PowerUp": 0}.get(
        step, before_last - 1 if step in UNDER_WAY else len(words) - 1
    )
    return prepare(sequence, sequence.values({}), "demo", "demo", Attention()), at


@cache
def cell(row: Row, step: str, *, is_whole: bool = False) -> Cell:
    """Run one column with the fault of a row, or with the same times and none."""
    ready, at = job(step, row.warm_s, row.wait_s, row.tail_s)
    setup = ready.setup
    bench = simulated_bench(setup.bench, ready.bench_path, setup.module, ready.module_path)
    striker = Striker(bench, None if is_whole else row.fault, at, step == "leaving")
    most_c = next(limit.most for limit in ready.limits if limit.quantity == "hot_spot_temp_c")
    truth = Truth(bench, most_c)
    truth.watch()
    seam = Seam(bench.resource_manager(), bench.clock, bench.close, SIMULATED, stays_on=False)
    with (
        tempfile.TemporaryDirectory() as folder,
        mock.patch.object(run, "open_seam", lambda *_: seam),
    ):
        done = execute(ready, Path(folder) / "run", Attention(), striker)
        read = journal.read(done.folder / journal.FILE_NAME)
        records = tuple(record for record in read if record["kind"] != "sample")
    truth.look()
    return Cell(
        done.ending.name,
        done.ending.exit_code,
        done.ending.message,
        striker.begun,
        striker.at,
        striker.step_s,
        striker.struck_s,
        truth.off_s,
        truth.hottest_k,
        bench.world.supply.on,
        bench.world.load.on,
        records,
    )

"""A bench for the physics tests: the whole circuit on a clock, set by keywords.

The demo module with and without growth of loss (`DEMO`, `COLD`) and the circuits of the
published simulations (`TWINS`).
"""

from __future__ import annotations

import csv
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from sim.clock import VirtualClock
from sim.module import Twin
from sim.protection import Protection
from sim.wiring import OperatingPoint, Wiring, World

ROOT = Path(__file__).parent.parent.parent
DATA = ROOT / "tests" / "data"
TWINS = TypeAdapter(dict[str, Twin]).validate_python(
    tomllib.loads((DATA / "twins.toml").read_text(encoding="utf-8"))
)
DEMO = TypeAdapter(Twin).validate_python(
    tomllib.loads((ROOT / "runner/examples/demo_module.toml").read_text(encoding="utf-8"))["twin"]
)
COLD = replace(DEMO, heat=replace(DEMO.heat, loss_growth_per_k=0.0))


class Bench:
    """A world with its clock, set by keywords."""

    def __init__(
        self,
        twin: Twin = COLD,
        protection: Protection | None = None,
        *,
        supply_lead_ohm: float = 0.0,
        load_lead_ohm: float = 0.0,
        ambient_temp_c: float = 25.0,
    ) -> None:
        self.clock = VirtualClock(datetime(2026, 6, 21, tzinfo=UTC))
        wiring = Wiring(supply_lead_ohm=supply_lead_ohm, load_lead_ohm=load_lead_ohm)
        self.world = World(
            twin,
            protection or Protection(),
            wiring,
            self.clock,
            ambient_temp_c=ambient_temp_c,
        )

    def supply(self, v_set_v: float, i_limit_a: float = 10.0, **more: Any) -> OperatingPoint:
        """Switch the supply on with these settings and let it settle."""
        return self.change(self.world.supply, v_set_v=v_set_v, i_limit_a=i_limit_a, on=True, **more)

    def load(self, mode: str, level: float, **more: Any) -> OperatingPoint:
        """Switch the load on with these settings and let it settle."""
        return self.change(self.world.load, mode=mode, level=level, on=True, **more)

    def change(self, box: object, **settings: Any) -> OperatingPoint:
        self.world.touch()
        for name, value in settings.items():
            setattr(box, name, value)
        return self.after(10.0)

    def after(self, duration_s: float) -> OperatingPoint:
        self.world.now()
        self.clock.sleep(duration_s)
        return self.world.now()


def balance_w(point: OperatingPoint) -> float:
    """Power in less power out less every loss [W]."""
    given_w = point.v_supply_v * point.iin_a
    taken_w = point.v_load_v * point.iout_a
    return given_w - taken_w - sum(point.losses_w.values())


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a table in tests/data, its source line left out."""
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))

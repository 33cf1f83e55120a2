"""What is behind the VISA seam: real instruments, or the simulated bench of this process.

The only place that chooses, and with the `sim` command the only one that knows the
simulator. Everything above speaks to a resource manager and reads a clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from runner.clock import Clock, WallClock
from runner.errors import BadInput
from runner.files.bench_file import BenchFile
from runner.files.module_file import ModuleFile
from runner.files.toml_file import Section, validate

if TYPE_CHECKING:
    from sim.build import BoxSpec, SimBench
    from sim.instruments.spec import Accuracy
    from sim.protection import Protection

CAUTIONS = """\
this energises real parts. Hot parts and hot resistors burn; capacitors can vent or burst;
  a battery delivers hundreds of amperes: put a fuse at it. Wear eye protection, use a tray
  that does not burn, keep flammables away and a mains switch within reach. ampworth is no
  safety system: follow local codes, and have licensed people do the work that needs them."""
SIMULATED = "simulated bench: nothing is energised"
THERMOMETER_RANGE = 1000.0
VISA_LIBRARIES = {"installed": "", "pure-python": "@py"}


Polarity = Literal["normal", "reversed"]


def by_a_person(polarity: Polarity) -> None:
    """Real leads are swapped by whoever was asked to; there is nothing to do here."""


@dataclass(frozen=True, slots=True)
class Seam:
    """A resource manager, the clock that goes with it, and what a person must be told.

    `stays_on` is True where outputs stay on when this process dies: such a bench is
    locked for one runner and guarded by a watchdog. `rewinds` is True where the bench is made
    anew for each run and gives the same again: there a run is resumed by doing it once more.
    `swap` lays the line's leads as a person was asked to, on a bench that has no person.
    """

    resource_manager: Any
    clock: Clock
    close: Callable[[], None]
    cautions: str
    stays_on: bool
    rewinds: bool = False
    swap: Callable[[Polarity], None] = by_a_person


def outlives(file: BenchFile) -> bool:
    """True where outputs stay on when this process dies; known before anything is opened."""
    return file.visa != "simulated"


def open_seam(file: BenchFile, file_path: Path, module: ModuleFile, module_path: Path) -> Seam:
    """Choose real VISA or the simulator, as the bench file says. Raises BadInput."""
    if not outlives(file):
        by_hand = {"real_time": True} if file.by_hand else {}  # a person lives in real time
        live = simulated_bench(file, file_path, module, module_path, **by_hand)
        try:
            manager = live.resource_manager()
        except ValueError as error:
            raise BadInput(
                f"{file_path}: a resource cannot be simulated ({error}); allowed are TCPIP "
                "sockets, USB, GPIB and ASRL resources as in the shipped demo bench"
            ) from error
        rewinds = not live.simulation.real_time
        return Seam(
            manager,
            live.clock,
            live.close,
            SIMULATED,
            stays_on=False,
            rewinds=rewinds,
            swap=live.swap,
        )
    import pyvisa

    try:
        manager = pyvisa.ResourceManager(VISA_LIBRARIES.get(file.visa, file.visa))
    except (ValueError, OSError) as error:
        raise BadInput(
            f"{file_path}: visa: found {file.visa!r}, which cannot be loaded ({error}); allowed: "
            "simulated, pure-python, installed (a VISA library must be), or a library's path"
        ) from error
    return Seam(manager, WallClock(), manager.close, CAUTIONS, stays_on=True)


def simulated_bench(
    file: BenchFile, file_path: Path, module: ModuleFile, module_path: Path, **changes: Any
) -> SimBench:
    """The live bench that stands for these files; `changes` override `[simulation]` keys.

    Raises BadInput, naming the file and key.
    """
    from sim.build import Simulation, build
    from sim.module import Twin

    if not module.twin:
        raise BadInput(
            f"{module_path}: found no [twin] table, and the bench is simulated; it says what the "
            "simulated module is made of, the shipped demo module shows every key"
        )
    table = file.simulation | changes
    settings = validate(table, Simulation, file=file_path, where="simulation")
    twin = validate(module.twin, Twin, file=module_path, where="twin")
    protection = full_protection(module.protection, module_path)
    try:
        return build(settings, twin, protection, list(_boxes(file)))
    except ValueError as error:
        raise BadInput(f"{file_path}: {error}") from error


def full_protection(section: Section, path: Path) -> Protection:
    """A `[protection]` with the simulator's defaults where it says nothing. Raises BadInput."""
    from sim.protection import Protection

    given = section.model_dump(exclude_none=True)
    return validate(given, Protection, file=path, where="protection")


def _boxes(file: BenchFile) -> Iterator[BoxSpec]:
    """Every instrument as the simulator wants it described."""
    from sim.build import BoxSpec

    known = BoxSpec.__dataclass_fields__
    wired = {name: role for role, name in file.roles.filled().items()}
    for name, section in file.boxes.items():
        values = section.model_dump(exclude_none=True)
        for quantity, unit in (("voltage", "v"), ("current", "a")):
            key = f"{quantity}_accuracy"
            values[key] = tuple(_accuracy(row, unit) for row in values.get(key, ()))
        if "temp_accuracy" in values:
            values["temp_accuracy"] = _accuracy(values["temp_accuracy"], "k")
        described = {key: value for key, value in values.items() if key in known}
        yield BoxSpec(**described | {"name": name, "wired": wired.get(name, "")})


def _accuracy(row: dict[str, Any], unit: str) -> Accuracy:
    """One accuracy statement without the units in its keys; a thermometer's has no range."""
    from sim.instruments.spec import Accuracy

    return Accuracy(
        range_max=row.get(f"range_{unit}", THERMOMETER_RANGE),
        reading_pct=row.get("reading_pct", 0.0),
        range_pct=row.get("range_pct", 0.0),
        offset=row.get(f"offset_{unit}", 0.0),
    )

"""An open bench: links, drivers in their roles, and one `look` at everything.

`open_bench` makes it from a bench file and a seam; the runner reads every quantity
through `Bench.look`. It does not know what is behind the seam.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import inf, isinf, isnan, nan
from random import Random
from typing import Any, Literal

from drivers import families
from drivers.comm_watchdog import CommWatchdog
from drivers.errors import InstrumentError
from drivers.link import Link, open_visa
from drivers.roles import Chamber, Load, LoadReading, Readable, Supply, SupplyReading
from runner.clock import Clock
from runner.errors import Tripped
from runner.files.bench_file import (
    BenchFile,
    Lead,
    LoadSection,
    MeterSection,
    ResistorBankSection,
    ThermometerSection,
)
from runner.safe import GONE, Gone
from runner.seam import Polarity, Seam, by_a_person
from runner.steps import Reading

WireRecord = Callable[[str, str, str], None]
WORKED_BY_HAND = "worked by hand"
TEMPERATURES: tuple[Literal["ambient", "case", "hot_spot", "capacitor"], ...] = (
    "ambient",
    "case",
    "hot_spot",
    "capacitor",
)
METERED: tuple[tuple[Literal["vin", "iin", "vout", "iout"], Literal["V", "A"]], ...] = (
    ("vin", "V"),
    ("iin", "A"),
    ("vout", "V"),
    ("iout", "A"),
)


@dataclass(frozen=True, slots=True)
class Slot:
    """Where one readable's replies lie in the batch of its link."""

    key: str
    readable: Readable[Any]
    first: int
    last: int


@dataclass(slots=True)
class Bench:
    """An open bench: its instruments in their roles, its clock, and what was found.

    Without an electronic load `load` is None and `connected_ohm` [ohm] is what a person has
    connected, inf for nothing. `noted` holds what a person has just read, by role: it stands
    in every look until it is taken away. `own_supply` and `own_load` are what the boxes
    themselves said at the last look, whatever meter takes over from them. `line_error` is the
    stated limit of error of the line's reading: a share of it, and volts.
    """

    name: str
    clock: Clock
    supply: Supply
    load: Load | None
    chamber: Chamber | None
    readables: dict[str, Readable[Any]]
    leads: Leads
    identities: dict[str, str]
    cautions: str
    mains_hz: float | None = None
    connected_ohm: float = inf
    noted: dict[str, float] = field(default_factory=dict)
    gone: Gone = GONE
    line_error: tuple[float, float] = (0.0, 0.0)
    own_supply: SupplyReading | None = None
    own_load: LoadReading | None = None
    unread: dict[str, str] = field(default_factory=dict)
    watchdogs: tuple[CommWatchdog, ...] = ()
    swap: Callable[[Polarity], None] = by_a_person
    _has_given: set[str] = field(default_factory=set)
    _plan: list[tuple[Link, tuple[str, ...], list[Slot]]] = field(init=False)

    def __post_init__(self) -> None:
        self._plan = list(_plan(self.readables))

    def look(self) -> Reading:
        """Read everything once: one round trip a box. Raises InstrumentError."""
        t_s = self.clock.now_s()
        seen: dict[str, Any] = {}
        for link, queries, slots in self._plan:
            replies = self._asked(link, queries, slots)
            for slot in slots:
                seen[slot.key] = self._parsed(slot, replies[slot.first : slot.last])
        if self.unread:
            self.unread = {key: why for key, why in self.unread.items() if isnan(seen[key])}
        self._has_given |= seen.keys()
        self.own_supply, self.own_load = seen["supply"], seen.get("load")
        return self._reading(t_s, seen | self.noted)

    def arm_watchdogs(self) -> tuple[str, ...]:
        """Have the boxes watch their connection themselves; return what is not there, in words."""
        return tuple(
            f"communication watchdog of {watchdog.name}"
            for watchdog in self.watchdogs
            if not watchdog.arm()
        )

    def disarm_watchdogs(self) -> None:
        """Let the boxes be once everything is off. Raises InstrumentError."""
        for watchdog in self.watchdogs:
            watchdog.disarm()

    def _asked(self, link: Link, queries: tuple[str, ...], slots: list[Slot]) -> list[str]:
        """The replies of one box. Raises Tripped for a thermometer that has gone mute: the link
        has tried more than once, a second look would only keep the bench on for longer."""
        try:
            return link.batch(queries)
        except InstrumentError as error:
            lost = [slot.key for slot in slots]
            if not all(key in TEMPERATURES and key in self._has_given for key in lost):
                raise
            quantities = " and ".join(f"{key}_temp_c" for key in lost)
            raise Tripped(quantities, "not read", "a temperature", str(error)) from error

    def _parsed(self, slot: Slot, replies: Sequence[str]) -> Any:
        """A value; of a thermometer that gave some and gives none now not a number."""
        try:
            return slot.readable.parse(replies)
        except InstrumentError as error:
            if slot.key not in TEMPERATURES or slot.key not in self._has_given:
                raise
            self.unread[slot.key] = str(error)
            return nan

    @property
    def slips(self) -> int:
        """How often a box had lost step and was brought into step again."""
        return sum(link.slips for link, _, _ in self._plan)

    @property
    def has_been_read(self) -> bool:
        """Whether every box has given a reading since it was opened."""
        return bool(self._has_given)

    def hurry(self, hurried: bool) -> None:
        """While an output is on no box may keep the run waiting for long: see `Link.hurry`."""
        links = {id(link): link for link, _, _ in self._plan}
        if self.chamber is not None:
            links[id(self.chamber.link)] = self.chamber.link
        for link in links.values():
            link.hurry(hurried)

    def _reading(self, t_s: float, seen: dict[str, Any]) -> Reading:
        supply: SupplyReading = seen["supply"]
        iin_a: float = seen.get("iin", supply.i_a)
        vin_v = seen["vin"] if "vin" in seen else supply.v_v - iin_a * self.leads.line_ohm
        vout_v, iout_a, load_mode = self._output(seen)
        return Reading(
            t_s,
            vin_v,
            iin_a,
            vout_v,
            iout_a,
            seen.get("ambient"),
            seen.get("case"),
            seen.get("hot_spot"),
            supply.mode,
            load_mode,
            seen.get("capacitor"),
        )

    def _output(self, seen: dict[str, Any]) -> tuple[float | None, float | None, str]:
        """Voltage [V] and current [A] of the module's output, and the load's mode.

        A resistor's current is derived from the voltage, where that is known.
        """
        load: LoadReading | None = seen.get("load")
        if load is not None:
            load_a: float = seen.get("iout", load.i_a)
            load_v = seen["vout"] if "vout" in seen else load.v_v + load_a * self.leads.output_ohm
            return load_v, load_a, load.mode
        vout_v: float | None = seen.get("vout")
        is_open = isinf(self.connected_ohm)
        derived_a = 0.0 if is_open else None if vout_v is None else vout_v / self.connected_ohm
        return vout_v, seen.get("iout", derived_a), "OFF" if is_open else "CR"


@dataclass(frozen=True, slots=True)
class Leads:
    """Lead resistance to correct for [ohm], and where each voltage comes from.

    A voltage is measured (a meter, or a box that senses at the module), corrected (read
    at the box, the known lead drop taken off) or uncorrected (lead resistance unknown).
    """

    line_ohm: float
    output_ohm: float
    sources: dict[str, str]


def leads_of(file: BenchFile) -> Leads:
    """How the voltages at the module follow from what the boxes read."""
    line_ohm, vin = _lead(file.supply, file.roles.vin)
    output_ohm, vout = _lead(file.load, file.roles.vout)
    is_derived = isinstance(file.load, ResistorBankSection) and file.roles.iout is None
    iout = "derived" if is_derived else "measured"
    sources = {"vin_v": vin, "iin_a": "measured", "vout_v": vout, "iout_a": iout}
    return Leads(line_ohm, output_ohm, sources)


def _lead(box: Lead | ResistorBankSection, meter: str | None) -> tuple[float, str]:
    if meter is not None or box.remote_sense:
        return 0.0, "measured"
    if box.lead_resistance_ohm is None:
        return 0.0, "uncorrected"
    return box.lead_resistance_ohm, "corrected"


def _plan(
    readables: dict[str, Readable[Any]],
) -> Iterator[tuple[Link, tuple[str, ...], list[Slot]]]:
    """Group what is to be read by link, so that one look is one round trip a box."""
    by_link: dict[int, tuple[Link, list[str], list[Slot]]] = {}
    for key, readable in readables.items():
        link, queries, slots = by_link.setdefault(id(readable.link), (readable.link, [], []))
        slots.append(Slot(key, readable, len(queries), len(queries) + len(readable.queries)))
        queries.extend(readable.queries)
    for link, queries, slots in by_link.values():
        yield link, tuple(queries), slots


@contextmanager
def open_bench(
    seam: Seam, file: BenchFile, greatest: dict[str, float], record: WireRecord | None = None
) -> Iterator[Bench]:
    """Open every box, prove its identity and prepare it; close them all at the end.

    `greatest` gives the greatest value expected of each quantity, for fixed ranges.
    Raises InstrumentError for a box that is absent, is another one or refuses.
    """
    links: dict[str, Link] = {}
    try:
        identities = {}
        for name in file.roles.filled().values():
            section = file.boxes.get(name)
            if section is None:
                identities[name] = WORKED_BY_HAND
                continue
            if section.resource not in links:  # the channels of one box share its link
                links[section.resource] = open_link(seam, file, name, record)
            links[section.resource].expect(section.identity or "")
            identities[name] = links[section.resource].identity()
        bench = _assemble(seam, file, links, identities)
        _prepare(bench, file, greatest)
        yield bench
    finally:
        for link in links.values():
            link.close()


def open_link(seam: Seam, file: BenchFile, name: str, record: WireRecord | None = None) -> Link:
    """A link to one instrument's box. Raises LostInstrument when it is not there."""
    section = file.boxes[name]

    def open_resource() -> Any:
        return open_visa(
            seam.resource_manager,
            section.resource,
            timeout_s=section.timeout_s,
            baud=section.baud,
            name=name,
        )

    return Link(
        open_resource,
        name=name,
        resource=section.resource,
        timeout_s=section.timeout_s,
        style=families.style(section.family, section.resource, section.batch, section.gap_s),
        record=record,
        clock=seam.clock,
        random=Random(f"{section.resource} {seam.clock.utc().isoformat()}"),
    )


def _assemble(
    seam: Seam, file: BenchFile, links: dict[str, Link], identities: dict[str, str]
) -> Bench:
    roles, boxes = file.roles, file.boxes

    def link(name: str) -> Link:
        return links[boxes[name].resource]

    supply = families.supply(
        file.supply.family, link(roles.supply), name=roles.supply, channel=file.supply.channel
    )
    readables: dict[str, Readable[Any]] = {"supply": supply}
    load = None
    if isinstance(file.load, LoadSection):
        load = readables["load"] = families.load(
            file.load.family, link(roles.load), name=roles.load, channel=file.load.channel
        )
    for role, quantity in METERED:
        meter = file.meter(role)
        if isinstance(meter, MeterSection):
            name = getattr(roles, role)
            readables[role] = families.meter(
                meter.family,
                link(name),
                name=name,
                channel=meter.channel,
                quantity=quantity,
                shunt_ohm=meter.shunt_ohm,
            )
    for spot in TEMPERATURES:
        section = file.thermometer(spot)
        if isinstance(section, ThermometerSection):
            name = getattr(roles, spot)
            readables[spot] = families.thermometer(
                section.family,
                link(name),
                name=name,
                channel=section.channel,
                sensor=section.sensor,
            )
    chamber = None
    if file.chamber is not None and roles.chamber is not None:
        chamber = families.chamber(file.chamber.family, link(roles.chamber), name=roles.chamber)
    return Bench(
        file.name,
        seam.clock,
        supply,
        load,
        chamber,
        readables,
        leads_of(file),
        identities,
        seam.cautions,
        file.mains_hz,
        gone=gone_below(file),
        line_error=stated_line_error(file),
        watchdogs=tuple(_comm_watchdogs(file, links)),
        swap=seam.swap,
    )


def _comm_watchdogs(file: BenchFile, links: dict[str, Link]) -> Iterator[CommWatchdog]:
    """The boxes that are to watch their own line, of those that are linked."""
    for name, section in file.boxes.items():
        if isinstance(section, Lead) and section.comm_watchdog_s and section.resource in links:
            yield families.comm_watchdog(
                section.family, links[section.resource], name=name, time_s=section.comm_watchdog_s
            )


def stated_line_error(file: BenchFile) -> tuple[float, float]:
    """The greatest stated limit of error of what reads the line: a share of it, and volts."""
    stated = getattr(file.meter("vin") or file.supply, "voltage_accuracy", ())
    shares = [row.reading_pct / 100.0 for row in stated]
    floors_v = [row.range_pct / 100.0 * row.range_v + row.offset_v for row in stated]
    return max(shares, default=0.0), max(floors_v, default=0.0)


def gone_below(file: BenchFile) -> Gone:
    """What counts as no volts and no amps here: the usual, or half as much again as the zero
    error that the bench file states for a box, if that is more."""
    v_v, i_a = GONE.v_v, GONE.i_a
    for section in (file.supply, file.load):
        for volts in getattr(section, "voltage_accuracy", ()):
            v_v = max(v_v, 1.5 * (volts.range_pct / 100.0 * volts.range_v + volts.offset_v))
        for amps in getattr(section, "current_accuracy", ()):
            i_a = max(i_a, 1.5 * (amps.range_pct / 100.0 * amps.range_a + amps.offset_a))
    return Gone(v_v, i_a)


def _prepare(bench: Bench, file: BenchFile, greatest: dict[str, float]) -> None:
    """Bring every box to a known, harmless state; the supply first."""
    bench.supply.prepare(remote_sense=file.supply.remote_sense)
    if bench.load is not None:
        bench.load.prepare(remote_sense=file.load.remote_sense, range_a=greatest["iout_a"])
    if bench.chamber is not None:
        bench.chamber.prepare()
    for role, readable in bench.readables.items():
        if role in dict(METERED):
            quantity = f"{role}_{'v' if role.startswith('v') else 'a'}"
            readable.prepare(range_max=greatest[quantity])  # type: ignore[attr-defined]
        elif role in TEMPERATURES:
            readable.prepare()  # type: ignore[attr-defined]

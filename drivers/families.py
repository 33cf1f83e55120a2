"""The command families by name, and the functions that make a role out of a link.

Called by whoever opens a bench. A family is data: its style on the wire and its
templates; there is one class a role. To add a family, add its templates to the
file of its kind and one line here.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from drivers import loads, supplies
from drivers.chambers import ScpiChamber
from drivers.comm_watchdog import CommWatchdog, WatchdogWords
from drivers.errors import SettingRefused, UnknownFamily
from drivers.loads import LoadWords, ScpiLoad
from drivers.meters import Quantity, ScpiMeter
from drivers.opening import is_stream
from drivers.roles import Chamber, Load, Meter, Supply, Thermometer
from drivers.style import SCPI, TERSE, Framing, Style
from drivers.supplies import ScpiSupply, SupplyWords
from drivers.thermometers import SCANNER_WORDS, MeterThermometer, ScpiThermometer

if TYPE_CHECKING:
    from drivers.link import Link

Kind = Literal["supply", "load", "meter", "thermometer", "chamber"]


@dataclass(frozen=True, slots=True)
class Family:
    """A command family: which roles it can play, how it is talked to, its templates."""

    name: str
    kinds: tuple[Kind, ...]
    style: Style
    about: str
    words: Any = None
    watchdog: WatchdogWords | None = None


FAMILIES: Mapping[str, Family] = {
    family.name: family
    for family in (
        Family(
            "scpi-supply",
            ("supply",),
            SCPI,
            "SCPI supply of one channel",
            supplies.SINGLE,
            WatchdogWords(),
        ),
        Family(
            "scpi-supply-instrument",
            ("supply",),
            SCPI,
            "SCPI supply, channel chosen by INSTrument:NSELect",
            supplies.SELECTED,
            WatchdogWords(),
        ),
        Family(
            "scpi-supply-list",
            ("supply",),
            SCPI,
            "SCPI supply, channel chosen by a list such as (@2)",
            supplies.LISTED,
            WatchdogWords(),
        ),
        Family(
            "scpi-supply-suffix",
            ("supply",),
            SCPI,
            "SCPI supply, channel chosen by a suffix such as OUTPut2",
            supplies.SUFFIXED,
            WatchdogWords(),
        ),
        Family(
            "line-supply",
            ("supply",),
            TERSE,
            "simple serial supply: V1 12.000, I1 2.0, OP1 1; no error queue",
            supplies.TERSE,
        ),
        Family(
            "scpi-load-function",
            ("load",),
            SCPI,
            "SCPI load with FUNCtion and INPut",
            loads.FUNCTION,
            WatchdogWords(),
        ),
        Family(
            "scpi-load-mode",
            ("load",),
            SCPI,
            "SCPI load with MODE and OUTPut",
            loads.MODE,
            WatchdogWords(),
        ),
        Family("scpi-meter", ("meter", "thermometer"), SCPI, "SCPI multimeter"),
        Family("scpi-thermometer", ("thermometer",), SCPI, "SCPI scanning thermometer"),
        Family("scpi-chamber", ("chamber",), SCPI, "SCPI climatic chamber"),
    )
}


def find(family: str, kind: Kind, *, name: str = "instrument", resource: str = "-") -> Family:
    """Give the family of this name; raise `UnknownFamily` if it is none that can be a `kind`."""
    found = FAMILIES.get(family)
    if found is not None and kind in found.kinds:
        return found
    fitting = [each for each in FAMILIES if kind in FAMILIES[each].kinds]
    near = difflib.get_close_matches(family, fitting, n=1)
    what = f"family {family!r} is unknown" if found is None else f"family {family!r} is no {kind}"
    raise UnknownFamily(
        what,
        instrument=name,
        resource=resource,
        todo=f"{f'Did you mean {near[0]!r}? ' if near else ''}A {kind} is one of: "
        f"{', '.join(fitting)}",
    )


def style(family: str, resource: str, batch: Framing | None = None, gap_s: float = 0.0) -> Style:
    """Give the style of a family at a resource, with the bench's own wishes.

    `batch` overrides how a batch is framed, `gap_s` [s] lengthens the pause between lines.
    Raises `UnknownFamily`, and `SettingRefused` for a framing that cannot work there.
    """
    if family not in FAMILIES:
        find(family, "supply", resource=resource)
    own = FAMILIES[family].style
    wanted = batch or own.framing
    if own.framing == "single" and wanted != "single":
        why = f"family {family!r} takes one command at a time"
    elif wanted == "lines" and not is_stream(resource):
        why = "only a socket or a serial line takes several lines in one send"
    else:
        return replace(own, framing=wanted, gap_s=max(gap_s, own.gap_s))
    raise SettingRefused(
        f"batch = {wanted!r} cannot work: {why}",
        instrument="instrument",
        resource=resource,
        todo="Leave batch out",
    )


def supply(
    family: str,
    link: Link,
    *,
    name: str,
    channel: int | None = None,
    step_v: float = 0.001,
    step_a: float = 0.001,
) -> Supply:
    """Make a supply; `step_v` [V] and `step_a` [A] are the box's own resolution."""
    words: SupplyWords = find(family, "supply", name=name, resource=link.resource).words
    return ScpiSupply(link, words, name=name, channel=channel, step_v=step_v, step_a=step_a)


def load(
    family: str,
    link: Link,
    *,
    name: str,
    channel: int | None = None,
    step_a: float = 0.001,
    step_v: float = 0.001,
) -> Load:
    """Make a load; `step_a` [A] and `step_v` [V] are the box's own resolution."""
    words: LoadWords = find(family, "load", name=name, resource=link.resource).words
    _only_channel(family, channel, name, link)
    return ScpiLoad(link, words, name=name, step_a=step_a, step_v=step_v)


def meter(
    family: str,
    link: Link,
    *,
    name: str,
    quantity: Quantity,
    shunt_ohm: float | None = None,
    channel: int | None = None,
) -> Meter:
    """Make a meter of volts or amperes; with `shunt_ohm` [ohm] it reads volts and divides."""
    find(family, "meter", name=name, resource=link.resource)
    _only_channel(family, channel, name, link)
    return ScpiMeter(link, name=name, quantity=quantity, shunt_ohm=shunt_ohm)


def thermometer(
    family: str,
    link: Link,
    *,
    name: str,
    channel: int | None = None,
    sensor: str | None = None,
    cold_junction_c: float | None = None,
) -> Thermometer:
    """Make a thermometer; `sensor` is K, T, PT100 or NTC, or None for a scanner left as it is."""
    find(family, "thermometer", name=name, resource=link.resource)
    if sensor not in (None, *SCANNER_WORDS) or (sensor is None and family == "scpi-meter"):
        raise UnknownFamily(
            f"sensor {sensor!r} is unknown to family {family!r}",
            instrument=name,
            resource=link.resource,
            todo=f"A sensor is one of: {', '.join(SCANNER_WORDS)}",
        )
    if family == "scpi-meter":
        return MeterThermometer(
            link, name=name, sensor=sensor or "", cold_junction_c=cold_junction_c
        )
    return ScpiThermometer(link, name=name, channel=channel, sensor=sensor)


def comm_watchdog(family: str, link: Link, *, name: str, time_s: float) -> CommWatchdog:
    """Make the watch that a box keeps on its connection, `time_s` [s]; a family may have none."""
    words = FAMILIES[family].watchdog if family in FAMILIES else None
    return CommWatchdog(link, words, name=name, time_s=time_s)


def chamber(family: str, link: Link, *, name: str) -> Chamber:
    """Make a chamber."""
    find(family, "chamber", name=name, resource=link.resource)
    return ScpiChamber(link, name=name)


def _only_channel(family: str, channel: int | None, name: str, link: Link) -> None:
    if channel not in (None, 1):
        raise UnknownFamily(
            f"family {family!r} has no channel {channel!r}",
            instrument=name,
            resource=link.resource,
            todo="Leave channel out",
        )

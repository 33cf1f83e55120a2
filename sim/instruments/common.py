"""The commands every SCPI box understands: IEEE 488.2-1992 chapter 10, SCPI-1999 volume 2.

`scpi.ScpiBox` puts this table under each box's own dialect.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from sim.instruments.commands import TEXT, Command, Plain, mask
from sim.instruments.status import OPERATION_COMPLETE

if TYPE_CHECKING:
    from sim.instruments.scpi import ScpiBox


def _completed(box: ScpiBox) -> None:
    box.status.event |= OPERATION_COMPLETE


def _set_field(name: str, *path: str) -> Callable[[Any, Any], None]:
    def apply(target: Any, value: Any) -> None:
        for step in path:
            target = getattr(target, step)
        setattr(target, name, value)

    return apply


def _preset(box: ScpiBox) -> None:
    box.operation.enable = 0
    for channel in box.channels:
        channel.questionable.enable = 0


def _questionable_event(target: Any) -> int:
    target.questionable.update(target.condition())
    return int(target.questionable.take_event())


def _operation_event(box: ScpiBox) -> int:
    box.operation.update(box.working())
    return box.operation.take_event()


def _clear(box: ScpiBox) -> None:
    box.status.clear()
    box.operation.event = 0
    for channel in box.channels:
        channel.questionable.event = 0


def _nothing(box: ScpiBox) -> None:
    """Accept a command that changes nothing here (front panel, waiting for what is done)."""


def _common(
    header: str,
    argument: Plain | None = None,
    apply: Callable[..., None] | None = None,
    answer: Callable[..., Any] | None = None,
) -> Command:
    return Command(header, argument, apply, answer, on_box=True)


_MASK8, _MASK15 = mask(255), mask(32767)  # IEEE 488.2-1992 10.10; SCPI-1999 20.1.4

COMMON = (
    _common("*IDN", answer=lambda box: box.identity),
    _common("*RST", apply=lambda box: box.reset()),
    _common("*CLS", apply=_clear),
    _common(
        "*ESE",
        _MASK8,
        _set_field("event_enable", "status"),
        lambda box: box.status.event_enable,
    ),
    _common("*ESR", answer=lambda box: box.status.take_event()),
    _common(
        "*SRE",
        _MASK8,
        _set_field("service_enable", "status"),
        lambda box: box.status.service_enable & ~64,
    ),
    _common("*STB", answer=lambda box: box.status_byte(unread=False)),
    _common("*OPC", apply=_completed, answer=lambda box: 1),
    _common("*WAI", apply=_nothing),
    _common("*TST", answer=lambda box: 0),
    _common("SYSTem:ERRor[:NEXT]", answer=lambda box: box.status.next_error()),
    _common("SYSTem:ERRor:COUNt", answer=lambda box: len(box.status.queue)),
    _common("SYSTem:VERSion", answer=lambda box: "1999.0"),
    _common("SYSTem:REMote", apply=_nothing),
    _common("SYSTem:LOCal", apply=_nothing),
    _common("SYSTem:RWLock", apply=_nothing),
    _common("STATus:PRESet", apply=_preset),
    _common("STATus:OPERation:CONDition", answer=lambda box: box.operation.update(box.working())),
    _common("STATus:OPERation[:EVENt]", answer=_operation_event),
    _common(
        "STATus:OPERation:ENABle",
        _MASK15,
        _set_field("enable", "operation"),
        lambda box: box.operation.enable,
    ),
    Command(
        "STATus:QUEStionable:CONDition",
        answer=lambda target: target.questionable.update(target.condition()),
    ),
    Command("STATus:QUEStionable[:EVENt]", answer=_questionable_event),
    Command(
        "STATus:QUEStionable:ENABle",
        _MASK15,
        _set_field("enable", "questionable"),
        lambda target: target.questionable.enable,
    ),
    _common("DISPlay[:WINDow]:TEXT[:DATA]", TEXT, _set_field("shown"), lambda box: box.shown),
)

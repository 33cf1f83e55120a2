"""Sends settings, reads them back and compares: what every role does with a setting.

Called by the roles. A box that runs with another value than the one asked for
raises `SettingRefused`; nothing is corrected quietly. Also fills a channel number
into the command templates of a family.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from drivers.errors import BoxError, SettingRefused
from drivers.numbers import last_digit, number, switch
from drivers.style import join

if TYPE_CHECKING:
    from drivers.link import Link

Words = TypeVar("Words", bound=Any)
HAS_NO_SUCH_COMMAND = (-110, -113, -241)
"""Header error, undefined header, hardware missing (SCPI-1999 volume 2, 21.8)."""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a value read back may be from the one asked for, in its unit.

    The rule: one unit of the last digit the box writes, but not less than `step`, the
    box's own resolution where it writes more digits than it has, and not more than
    `most`; plus 1e-6 of the value for decimal fractions kept in single precision.
    """

    step: float
    most: float
    unit: str

    def allows(self, asked: float, found: float, text: str) -> bool:
        """Tell whether `found`, written as `text`, is `asked` within the box's resolution."""
        digit = last_digit(text)
        allowed = min(max(digit, self.step), max(self.most, self.step))
        return abs(asked - found) <= allowed * (1.0 + 1e-9) + 1e-6 * abs(asked)


EXACT = Tolerance(0.0, 0.0, "")


@dataclass(frozen=True, slots=True)
class Check:
    """A question and what its answer has to be: a level, a switch or a word."""

    question: str
    wanted: float | bool | str
    read: Callable[[str], float] = number
    tolerance: Tolerance = EXACT

    def holds(self, reply: str) -> bool:
        """Compare the reply with what is wanted; raise `ValueError` if it is unreadable."""
        if isinstance(self.wanted, str):
            return reply.strip().strip('"').upper().startswith(self.wanted)
        if isinstance(self.wanted, bool):
            return switch(reply) is self.wanted
        return self.tolerance.allows(self.wanted, self.read(reply), reply.split()[-1])


def confirm(
    link: Link,
    commands: Sequence[str],
    checks: Sequence[Check],
    *,
    name: str,
    asked: str,
    todo: str = "",
    also: Sequence[str] = (),
) -> list[str]:
    """Send the commands, read back with the checks, look at the error queue.

    Questions in `also` go along in the same round trip; their answers are returned.
    Raises `SettingRefused` if the box runs with something else, `BoxError` if it says
    so itself, `BadReply` if its answer cannot be read.
    """
    for check in checks:
        if isinstance(check.wanted, float) and not math.isfinite(check.wanted):
            raise SettingRefused(
                f"{asked} cannot be set: {check.wanted!r} is no level",
                instrument=name,
                resource=link.resource,
                todo="Ask for a finite number",
            )
    sent = [command for command in commands if command]
    questions = [check.question for check in checks]
    replies = link.tell(*sent, *questions, *also, asked=asked)
    for check, reply in zip(checks, replies, strict=False):
        try:
            held = check.holds(reply)
        except ValueError as fault:
            raise link.bad_reply(check.question, reply, str(fault)) from fault
        if not held:
            raise SettingRefused(
                f"asked for {asked}, {check.question!r} answers {reply!r}",
                instrument=name,
                resource=link.resource,
                command=join(tuple(sent)),
                reply=reply,
                todo=todo or "Check the box's range, its limits and its front panel",
            )
    return replies[len(checks) :]


def confirm_if_there(
    link: Link, commands: Sequence[str], checks: Sequence[Check], *, name: str, asked: str
) -> bool:
    """Like `confirm`, but give False where the box says that it has no such command."""
    try:
        confirm(link, commands, checks, name=name, asked=asked)
    except BoxError as fault:
        if all(code in HAS_NO_SUCH_COMMAND for code, _ in fault.entries):
            return False
        raise
    return True


def each(words: Words, change: Callable[[str], str]) -> Words:
    """Apply `change` to every command template in `words` that is not empty."""
    texts = {
        field.name: change(text)
        for field in dataclasses.fields(words)
        if isinstance(text := getattr(words, field.name), str) and text
    }
    return dataclasses.replace(words, **texts)


def on_channel(words: Words, channel: int | None) -> Words:
    """Fill the channel number into every command template."""
    return each(words, lambda text: text.replace("{n}", str(channel)))

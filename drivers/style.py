"""How a box wants to be talked to: framing, proof of a reply, error queue. Data only.

A link is given one `Style`; families name theirs in `families.py`. Nothing here
does I/O.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Framing = Literal["one-line", "lines", "single"]


@dataclass(frozen=True, slots=True)
class Style:
    """The manners of one kind of box.

    `framing`: "one-line" sends a batch as one message of units joined with `;:` and gets
    one line back, the IEEE 488.2 way; "lines" sends several lines in one write and gets
    a line a query, for streams (sockets, serial) whose box drops the rest of a message
    after an error; "single" sends line by line.
    `echo`: the box has the registers of IEEE 488.2 `*ESE` and `*SRE`, whose known
    contents seal every reply and bring the link back into step.
    `error_query`: what takes one entry out of the error queue; None without a queue.
    `gap_s`: the least time [s] between two lines.
    `selecting`: headers of commands that may be repeated, since they only choose a channel.
    """

    framing: Framing = "one-line"
    echo: bool = True
    error_query: str | None = "SYST:ERR?"
    gap_s: float = 0.0
    write_termination: str = "\n"
    selecting: tuple[str, ...] = ("INST:NSEL ",)


SCPI = Style()
TERSE = Style(framing="single", echo=False, error_query=None, gap_s=0.05, write_termination="\r\n")


def join(lines: tuple[str, ...]) -> str:
    """Join the lines into one message, each starting at the root of the command tree."""
    message = lines[0]
    for line in lines[1:]:
        message += f";{line}" if line[0] == "*" else f";:{line}"
    return message


def asks(line: str) -> bool:
    """Tell whether a line brings a reply."""
    return "?" in line


def repeatable(line: str, style: Style) -> bool:
    """Tell whether a line may be sent again: only questions, and the choice of a channel."""
    return all(
        "?" in unit or unit.lstrip(":").startswith(style.selecting) for unit in line.split(";")
    )

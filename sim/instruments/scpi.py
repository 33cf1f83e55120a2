"""A SCPI box: a table of commands compiled into a tree, messages compiled into programs.

Every box that speaks SCPI-1999 / IEEE 488.2 is a subclass of `ScpiBox` with a `commands()`
table as data. `handle` takes one message without its terminator and returns the reply or
None; whatever arrives, no exception leaves it: what is wrong stands in the error queue.
A compiled message is kept, so asking the same again costs a dictionary look-up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any

from sim.instruments import grammar
from sim.instruments.comm_watchdog import CommWatchdog
from sim.instruments.commands import Command, Node, Number, Style, grow, walk
from sim.instruments.common import COMMON
from sim.instruments.hookup import Hookup
from sim.instruments.status import POWER_ON, Register, ScpiError, Status

Step = Callable[[], str | None]
PROGRAMS_KEPT, LONGEST_KEPT = 2048, 256


class ScpiBox:
    """Parser, status and error queue shared by all boxes; `commands` is the dialect."""

    style: Style = "single"
    terminator = "\n"
    comm: CommWatchdog | None = None

    def __init__(self, identity: str, hookup: Hookup, channels: Sequence[Any] = ()) -> None:
        self.identity = four_fields(identity)
        self.hookup = hookup
        self.status = Status()
        self.operation = Register()
        self.questionable = Register()
        self.channels: Sequence[Any] = channels or (self,)
        self.selected = 1
        self.shown = ""
        self.busy_s = 0.0  # time the last message took beside the usual
        self._programs: dict[str, tuple[Step, ...]] = {}
        self._root = grow((*COMMON, *self.commands()), self.style)

    def commands(self) -> Sequence[Command]:
        """Return the dialect of this box."""
        raise NotImplementedError

    def reset(self) -> None:
        """Return to the state *RST asks for: outputs off, levels at their defaults."""
        raise NotImplementedError

    def power_cycle(self) -> None:
        """Start again as after a power cut: reset, queue empty, PON set."""
        self.reset()
        self.status = Status()
        self.status.event = POWER_ON

    def condition(self) -> int:
        """Return the questionable condition of the box or, by its channels' own, of a channel."""
        return 0

    def working(self) -> int:
        """Return the operation condition."""
        return 0

    def handle(self, message: str) -> str | None:
        """Obey one program message; return the reply, or None where nothing was asked."""
        self.busy_s = 0.0
        self.hookup.look()
        if self.comm is not None:
            self.comm.hear()
        program = self._programs.get(message)
        if program is None:
            program = self._keep(message)
        replies = []
        for step in program:
            try:
                reply = step()
            except ScpiError as error:
                self.status.report(error.code, error.about)
                if error.code > -200:
                    break
            else:
                if reply is not None:
                    replies.append(reply)
        return ";".join(replies) if replies else None

    def _keep(self, message: str) -> tuple[Step, ...]:
        program = tuple(self._compile(message))
        if len(message) <= LONGEST_KEPT:
            if len(self._programs) >= PROGRAMS_KEPT:
                self._programs.clear()
            self._programs[message] = program
        return program

    def _compile(self, message: str) -> Iterator[Step]:
        """Yield one step a unit; the first command error is the last step."""
        node, number = self._root, 0
        if not message.strip():
            return
        for text in grammar.split(message, ";"):
            try:
                unit = grammar.parse_unit(text)
                if unit.common:
                    found, given = self._root.children.get(unit.header[0]), 0
                else:
                    start = (self._root, 0) if unit.rooted else (node, number)
                    (node, number), (found, given) = walk(*start, unit)
                yield self._step(unit, found, given)
            except ScpiError as error:
                yield partial(_fail, error)
                return

    def _step(self, unit: grammar.Unit, node: Node | None, number: int) -> Step:
        command = node.command if node else None
        if command is None or not (command.answer if unit.asks else command.apply):
            raise ScpiError(-113, unit.text)
        targets, parameters = self._targets(command, list(unit.parameters), number, unit)
        make = _question if unit.asks else _order
        steps = [make(command, target, parameters, unit.text) for target in targets]
        return steps[0] if len(steps) == 1 else partial(_all, steps)

    def _targets(
        self, command: Command, parameters: list[str], number: int, unit: grammar.Unit
    ) -> tuple[list[Callable[[], Any]], list[str]]:
        """Return who is meant, asked anew at every run, and the parameters without a list."""
        if command.on_box:
            return [lambda: self], parameters
        numbers: Sequence[int] = (number or 1,)
        if self.style == "list" and parameters and parameters[-1].startswith("("):
            numbers = grammar.channel_list(parameters.pop())
        if self.style == "select" and not command.numbered:
            return [lambda: self.channels[self.selected - 1]], parameters
        for one in numbers:
            if not 1 <= one <= len(self.channels):
                raise ScpiError(-114 if number else -222, unit.text)
        return [partial(self.channels.__getitem__, one - 1) for one in numbers], parameters

    def select(self, number: int) -> None:
        """Make a channel the one that plain commands mean; raises -222."""
        if not 1 <= number <= len(self.channels):
            raise ScpiError(-222, f"channel {number}")
        self.selected = number

    def report(self, code: int, about: str = "") -> None:
        """Queue an error that arose outside a message: interrupted, overrun, a fault."""
        self.status.report(code, about)

    def status_byte(self, unread: bool) -> int:
        """Return the status byte; `unread` tells whether a reply waits to be fetched."""
        for channel in self.channels:
            channel.questionable.update(channel.condition())
        self.operation.update(self.working())
        return self.status.byte(
            questionable=any(c.questionable.event & c.questionable.enable for c in self.channels),
            operation=bool(self.operation.event & self.operation.enable),
            unread=unread,
        )


def four_fields(identity: str) -> str:
    """Complete an identity to maker, model, serial, firmware (IEEE 488.2-1992, 10.14.3)."""
    given = identity.split(",") if identity else []
    return ",".join((given + ["BOATHOUSE", "BOX", "0", "1.0"][len(given) :])[:4])


def _fail(error: ScpiError) -> None:
    raise error


def _all(steps: Sequence[Step]) -> str | None:
    replies = [reply for step in steps if (reply := step()) is not None]
    return ",".join(replies) if replies else None


def _order(command: Command, who: Callable[[], Any], parameters: list[str], text: str) -> Step:
    """Compile a setting or an action."""
    apply, argument = command.apply, command.argument
    assert apply is not None
    if command.free:
        return lambda: apply(who(), parameters)
    if argument is None:
        if parameters:
            raise ScpiError(-108, text)
        return lambda: apply(who())
    if len(parameters) != 1:
        raise ScpiError(-108 if parameters else -109, text)
    value = argument.parse(parameters[0])

    def order() -> None:
        target = who()
        apply(target, argument.resolve(target, value, text))

    return order


def _question(command: Command, who: Callable[[], Any], parameters: list[str], text: str) -> Step:
    """Compile a query; a numeric one also tells its MIN, MAX and DEF."""
    answer, argument = command.answer, command.argument
    assert answer is not None
    if command.free:
        return lambda: str(answer(who(), parameters))
    if argument is None:
        if parameters:
            raise ScpiError(-108, text)
        return lambda: str(answer(who()))
    if not parameters:
        return lambda: argument.show(target := who(), answer(target))
    if len(parameters) > 1 or not isinstance(argument, Number):
        raise ScpiError(-108, text)
    limit = argument.parse(parameters[0])
    if not isinstance(limit, str):
        raise ScpiError(-108, text)
    return lambda: argument.show(target := who(), argument.resolve(target, limit, text))

"""The only way to a box: sends lines and proves that a reply is the answer to them.

Roles call `batch` and `tell`; whoever opens a bench makes one `Link` a box. Each
batch ends with questions whose answers are known (a seal), two in turn, so a late,
doubled, cut or foreign reply or a restart of the box is noticed; then the link gets
back into step by a random token, or closes and reopens. Commands are never sent twice, questions
are. One thread only: there is no lock.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random
from typing import Any

from drivers.errors import (
    BadReply,
    BoxError,
    InstrumentError,
    LostInstrument,
    NoReply,
    WrongIdentity,
)
from drivers.numbers import error_entry, fields
from drivers.opening import open_visa
from drivers.style import SCPI, Style, asks, join, repeatable
from drivers.wire import Failed, Record, Time, Wire

__all__ = ["Link", "open_visa"]

AT_ONCE_S = 0.1
"""A conversation that fails within this failed at once: nobody is there, or the line is cut [s]."""
DEEPEST_QUEUE = 64
"""Entries taken out of an error queue before it is called endless."""
POWER_ON, ERROR_EVENTS = 128, 8 + 16 + 32  # IEEE 488.2-1992 11.5.1: PON; DDE, EXE, CME
Questions = tuple[str, ...]
Seal = tuple[Questions, list[str]]  # questions at the end of a batch and their known answers
TOKENS = (*range(20, 100), *range(200, 256))  # not to be mistaken for a switch or a mode


class Link:
    """A conversation with one box.

    `open_resource` opens the pyvisa resource (see `open_visa`) and may be called again.
    `record(name, direction, text)` is called as each line goes (">"), comes ("<") or
    fails to come ("!"). Raises `LostInstrument` if the box does not answer.
    """

    def __init__(
        self,
        open_resource: Callable[[], Any],
        *,
        name: str,
        resource: str,
        timeout_s: float = 2.0,
        style: Style = SCPI,
        record: Record | None = None,
        clock: Time,
        random: Random | None = None,
    ) -> None:
        self.name = name
        self.resource = resource
        self.style = style
        self._wire = Wire(
            open_resource,
            name=name,
            resource=resource,
            timeout_s=timeout_s,
            style=style,
            record=record,
            clock=clock,
        )
        self._random = random or Random()
        self._tokens: list[int] = []
        self._identity = ""
        self._seals: tuple[Seal, ...] = ()
        self._turn = 0
        self._in_step = False
        self.slips = 0  # how often question and answer had to be brought into step again
        self._messages: dict[tuple[str, ...], dict[Questions, tuple[str, bytes, int]]] = {}
        self.reopen()

    # ------------------------------------------------------------------ conversation

    def batch(self, lines: Sequence[str], *, asked: str = "") -> list[str]:
        """Send all lines, in one round trip where the style allows; one reply a question.

        After a failed read the link gets into step again and asks the questions once
        more; commands are not repeated. Raises `BoxError` if the box queued an error
        meanwhile, `NoReply`, `BadReply` or `LostInstrument` if that did not help.
        `asked` says in words what is wanted, for the message of an error.
        """
        wanted = tuple(lines)
        if not self._in_step:
            self.resync()
        self._in_step = False  # until the seal has proved it, whatever is raised meanwhile
        try:
            replies = self._exchange(wanted)
        except Failed as fault:
            replies = self._recover(wanted, fault, asked)
        self._in_step = True
        return replies

    def ask(self, line: str) -> str:
        """Send one question and return its answer."""
        return self.batch((line,))[0]

    def tell(self, *lines: str, asked: str = "") -> list[str]:
        """Send commands and the questions that read them back, then look at the error queue.

        Returns the replies to the questions; raises `BoxError` if the box queued an error.
        """
        if self.style.error_query is None:
            return self.batch(lines, asked=asked)
        *replies, entry = self.batch((*lines, self.style.error_query), asked=asked)
        if entry.startswith(("0,", "+0,")) or entry in ("0", "+0"):
            return replies
        raise self._box_error([entry, *self.errors()], lines, replies, asked)

    def shout(self, command: str) -> None:
        """Send a command that makes safe at once if the link is out of step, and wait for nothing.

        Getting into step may take seconds; the command is to be told again afterwards.
        """
        if not self._in_step and self._wire.is_open:
            try:
                self._wire.send(command)
            except Failed as fault:
                self._wire.note(str(fault))

    def errors(self) -> list[str]:
        """Empty the box's error queue; return its entries as the box words them."""
        if self.style.error_query is None:
            return []
        if not self._in_step:
            self.resync()
        self._in_step = False
        try:
            entries = self._drain()
        except Failed as fault:
            self._wire.note(str(fault))
            self._get_in_step(fault)
            entries = self._drain_again((self.style.error_query,))
        self._in_step = True
        return entries

    def identity(self) -> str:
        """Give the answer to `*IDN?` that the box gave when it was opened."""
        return self._identity

    def expect(self, identity: str) -> None:
        """Raise `WrongIdentity` unless the box's identity starts with `identity`."""
        if not self._identity.startswith(identity):
            raise self._wrong_identity(identity, self._identity)

    def bad_reply(self, line: str, reply: str, why: str, todo: str = "") -> BadReply:
        """Make the error for a reply that is no value."""
        return BadReply(
            why,
            instrument=self.name,
            resource=self.resource,
            command=line,
            reply=reply,
            todo=todo or "Check what the box shows and that the family is the right one",
        )

    # -------------------------------------------------------------------- in step again

    def resync(self) -> None:
        """Get question and answer into step again, by a token or by closing and reopening."""
        self._in_step = False
        self._get_in_step(None)
        self._in_step = True

    def hurry(self, hurried: bool) -> None:
        """While something is energised: give a silent box up within a second, unless it is slow.

        A box is as slow as it has been before; a cut line is opened anew once.
        """
        self._wire.hurry(hurried)

    def reopen(self) -> None:
        """Close, open and get into step; raise `LostInstrument` if the box is not there."""
        first, events = not self._identity, "0"
        self._in_step = False
        try:
            self._wire.open()
            self._find_step()
            if self.style.echo:
                (events,) = self._exchange(("*ESR?",))
        except Failed as fault:
            self._wire.close()
            raise self._lost(fault) from fault
        self._in_step = True
        if not first:
            self._check_power(events)

    def close(self) -> None:
        """Put the box's event mask back to nothing and close; never raises for a lost box."""
        self._wire.close("*ESE 0" if self.style.echo and self._in_step else "")
        self._in_step = False

    def _get_in_step(self, fault: Failed | None) -> None:
        """Search the token on the open connection, then on a new one."""
        self.slips += 1
        began_s = self._wire.seconds_since()
        if self._wire.is_open:
            try:
                return self._find_step()
            except Failed as again:
                fault = again
                self._wire.note(str(again))
                if self._wire.hurried and self._wire.seconds_since(began_s) > AT_ONCE_S:
                    raise self._lost(fault, "is silent") from again
        try:
            self._wire.open()
            return self._find_step()
        except Failed as again:
            raise self._lost(fault or again) from again

    def _find_step(self) -> None:
        self._wire.clear()
        if self.style.echo:
            self._find_token()
        else:
            self._find_identity()

    def _find_token(self) -> None:
        """Set a random event mask and read until a line ends with it: what came before is old."""
        if not self._tokens:  # none comes again before all others had their turn
            self._tokens = self._random.sample(TOKENS, len(TOKENS))
        token = str(self._tokens.pop())
        self._seals = ()
        self._wire.send(f"*ESE {token};*IDN?;*SRE?;*ESE?")
        for line in self._wire.incoming():
            said, *mask = line.rsplit(";", 2)
            if len(mask) == 2 and mask[1] == token != mask[0]:
                break
        else:
            raise Failed("the answer to a token did not come")
        # two seals in turn with different ends; the first is not the one this line ended with
        self._seals = ((("*ESE?", "*SRE?"), [token, mask[0]]), (("*ESE?",), [token]))
        self._turn = 0
        if not self._identity:  # an older, cut reply may stand in front: ask by itself
            (said,) = self._exchange(("*IDN?",))
        self._check_identity(said)

    def _find_identity(self) -> None:
        """Wait for silence and ask for the name, which has a form no other answer has."""
        self._seals = ()
        self._turn = 0
        known = self._identity
        if known:
            self._wire.wait_for_silence()
        self._wire.send("*IDN?")
        said = self._wire.receive()
        if not known:  # an older, cut reply may stand in front: ask once more
            self._wire.send("*IDN?")
            said = self._wire.receive()
        if said != known if known else said.count(",") < 2:
            raise Failed("the box did not say its name", said)
        self._seals = ((("*IDN?",), [said]),)
        self._check_identity(said)

    def _check_identity(self, said: str) -> None:
        self._identity = self._identity or said
        if not said.endswith(self._identity):  # a cut reply may stand in front of it
            raise self._wrong_identity(self._identity, said)

    # ------------------------------------------------------------------ after a failure

    def _recover(self, lines: tuple[str, ...], fault: Failed, asked: str) -> list[str]:
        self._wire.note(str(fault))
        self._get_in_step(fault)
        entries = self._drain_again(lines)
        self._in_step = True
        if entries:
            raise self._box_error(entries, lines, [fault.reply] if fault.reply else [], asked)
        again = tuple(line for line in lines if repeatable(line, self.style))
        if not any(map(asks, again)):
            raise self._gave_up(lines, fault) from fault
        self._in_step = False
        try:
            return self._exchange(again)
        except Failed as second:
            raise self._gave_up(lines, second) from second

    def _drain(self) -> list[str]:
        """Take entries out of the error queue until it is empty, then clear the event bits."""
        entries: list[str] = []
        while len(entries) < DEEPEST_QUEUE:
            (entry,) = self._exchange((self.style.error_query or "",))
            if self._code(entry) == 0:
                break
            entries.append(entry)
        if entries:
            self._exchange(("*ESR?",))
        return entries

    def _drain_again(self, lines: tuple[str, ...]) -> list[str]:
        """Empty the queue after a failed read, whose lost reply may have held an entry.

        Errors of the exchange itself (-400 to -499) are of the link's own making and
        left out. The event bits tell of an entry that went down with the reply.
        """
        if self.style.error_query is None:
            return []
        try:
            (events,) = self._exchange(("*ESR?",))
            entries = self._drain()
        except Failed as fault:
            raise self._gave_up(lines, fault) from fault
        bits = self._check_power(events)
        told = [entry for entry in entries if not -500 < self._code(entry) <= -400]
        if not told and bits & ERROR_EVENTS:
            told = [f'0,"an error whose text was lost with its reply, event status {bits}"']
        return told

    def _code(self, entry: str) -> int:
        try:
            return error_entry(entry)[0]
        except ValueError as fault:
            raise self.bad_reply(self.style.error_query or "", entry, str(fault)) from fault

    def _check_power(self, events: str) -> int:
        bits = int(events) if events.isascii() and events.isdigit() else 0
        if bits & POWER_ON:
            raise LostInstrument(
                "was switched off and on since it was opened, its settings are gone",
                instrument=self.name,
                resource=self.resource,
                command="*ESR?",
                reply=events,
                todo="Check its mains supply and start again",
            )
        return bits

    # --------------------------------------------------------------------- the exchange

    def _exchange(self, lines: tuple[str, ...]) -> list[str]:
        """Send the lines and a seal; return the replies if the seal is right."""
        seal, answers = self._seals[self._turn]
        self._turn = (self._turn + 1) % len(self._seals)
        if self.style.framing == "one-line":
            replies = self._exchange_in_one_line(lines, seal)
        elif self.style.framing == "lines":
            self._wire.send("\n".join((*lines, *seal)))
            replies = [self._wire.receive() for line in (*lines, *seal) if asks(line)]
        else:
            replies = self._exchange_singly((*lines, *seal))
        end = len(replies) - len(answers)
        astray = not self.style.echo and self._identity in replies[:end]  # a name asked for earlier
        if replies[end:] != answers or (astray and "*IDN?" not in lines):
            raise Failed("the reply is not the answer to what was sent", ";".join(replies))
        return replies[:end]

    def _exchange_in_one_line(self, lines: tuple[str, ...], seal: Questions) -> list[str]:
        try:
            message, data, count = self._messages[lines][seal]
        except KeyError:
            message, data, count = self._compose(lines, seal)
        self._wire.send(message, data)
        reply = self._wire.receive()
        try:
            replies = fields(reply)
        except ValueError as fault:
            raise Failed(str(fault), reply) from fault
        if len(replies) != count:
            raise Failed(f"{len(replies)} answers came to {count} questions", reply)
        return replies

    def _compose(self, lines: tuple[str, ...], seal: Questions) -> tuple[str, bytes, int]:
        """Join a message once and keep it: polls send the same ones all day."""
        if len(self._messages) > 500:
            self._messages.clear()
        message = join((*lines, *seal))
        composed = (message, self._wire.encode(message), sum(map(asks, (*lines, *seal))))
        self._messages.setdefault(lines, {})[seal] = composed
        return composed

    def _exchange_singly(self, lines: tuple[str, ...]) -> list[str]:
        replies = []
        for line in lines:
            self._wire.send(line)
            if asks(line):
                replies.append(self._wire.receive())
        return replies

    # ----------------------------------------------------------------------- what to say

    def _box_error(
        self, entries: list[str], lines: Sequence[str], replies: Sequence[str], asked: str
    ) -> BoxError:
        wanted = f"asked for {asked}, " if asked else ""
        return BoxError(
            f"{wanted}the box queued {' and '.join(entries)}",
            entries=tuple((self._code(entry), entry) for entry in entries),
            instrument=self.name,
            resource=self.resource,
            command=join(tuple(lines)),
            reply=";".join(replies),
            todo="Look the number up in the box's manual; check ratings and ranges",
        )

    def _gave_up(self, lines: tuple[str, ...], fault: Failed) -> InstrumentError:
        kind: type[InstrumentError] = BadReply if fault.reply else NoReply
        return kind(
            f"{fault}; commands sent along count as not done",
            instrument=self.name,
            resource=self.resource,
            command=join(lines),
            reply=fault.reply,
            todo="Check the cable and the box; a longer timeout_s helps a slow one",
        )

    def _lost(
        self, fault: Failed, how: str = "does not answer, also not after closing and reopening"
    ) -> LostInstrument:
        return LostInstrument(
            f"{how} ({fault})",
            instrument=self.name,
            resource=self.resource,
            command="*IDN?",
            reply=fault.reply,
            todo="Check that it is on, its cable, its address and that no other program holds it",
        )

    def _wrong_identity(self, expected: str, said: str) -> WrongIdentity:
        return WrongIdentity(
            f"is not {expected!r}",
            instrument=self.name,
            resource=self.resource,
            command="*IDN?",
            reply=said,
            todo="Connect the right box or correct its identity in the bench file",
        )

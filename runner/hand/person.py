"""Asking a person at the bench: a question, what was typed, and the same again until it is clear.

The steps worked by hand ask through `Asking`, which goes on looking at the bench while it
waits and journals every question and answer. How a question is shown and a line is
got is a `Person`: the terminal in the command line, a script in tests. It never blocks.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any, Protocol, TypeVar

from runner.clock import Clock
from runner.errors import BadInput, Stopped
from runner.files.bench_file import BenchFile
from runner.hand.answers import Unclear, done

T = TypeVar("T")
LONGEST_S = 900.0
"""A question that nobody answers for so long ends the run [s]: nobody is there."""
STOP = frozenset({"stop", "quit", "exit"})

HAND_CAUTIONS = """\
worked by hand: resistors reach 150 to 250 °C at their rating and stay hot long after. Put them
  on something that does not burn, clip them on firmly, never touch one that was on, stay at the
  bench while the supply is on. What is read by eye is watched only when it is asked for. Type
  stop instead of any answer, or press Ctrl-C: the supply goes off first."""


class Person(Protocol):
    """Somebody who reads, works with their hands, and types a line."""

    def say(self, text: str) -> None:
        """Show a line that wants no answer."""
        ...

    def ask(self, text: str) -> None:
        """Show a question; what was typed before it is forgotten."""
        ...

    def line(self) -> str | None:
        """The line that was typed, None while there is none; EOFError when nobody can type."""
        ...


class NoAnswer(Exception):
    """Nobody answered in time."""


class Asking:
    """Asks one person. `pause` lets a moment pass, with the interlocks on."""

    def __init__(
        self,
        person: Person,
        clock: Clock,
        pause: Callable[[], None],
        record: Callable[..., None],
    ) -> None:
        self.person, self._clock, self._pause, self._record = person, clock, pause, record

    def ask(
        self,
        about: str,
        text: str,
        understand: Callable[[str], T],
        doubt: Callable[[T], str] = lambda value: "",
        *,
        keep: str = "Enter keeps it; or once more, ",
        until_s: float | None = None,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> T:
        """Ask until the answer is understood, and nothing speaks against it or it is confirmed.

        `understand` raises Unclear with the reason to ask again; `doubt` says what speaks
        against a value, empty if nothing does: Enter alone then keeps it. Raises NoAnswer at
        `until_s` on the clock, Stopped when the person asks for the end or has gone.
        """
        value: T | None = None
        asked = text
        while True:
            raw = self._answer(about, asked, until_s, meanwhile)
            is_kept = value is not None and raw.strip() == ""
            if is_kept and value is not None:
                self._record("answer", about=about, raw=raw, value=_plain(value), taken="confirmed")
                return value
            try:
                new = understand(raw)
            except Unclear as reason:
                self._record("answer", about=about, raw=raw, taken="refused", reason=str(reason))
                stop = "" if str(reason).endswith("?") else "."
                value, asked = None, f"{reason}{stop}\n{text}"
                continue
            against = doubt(new)
            if not against or (value is not None and new == value):
                taken = "confirmed" if against else "taken"
                self._record("answer", about=about, raw=raw, value=_plain(new), taken=taken)
                return new
            self._record(
                "answer", about=about, raw=raw, value=_plain(new), taken="doubted", reason=against
            )
            stop = "" if against.endswith("?") else "."
            value, asked = new, f"{against}{stop}\n{keep}{text}"

    def done(
        self,
        about: str,
        text: str,
        doubt: Callable[[], str] = lambda: "",
    ) -> None:
        """Ask for something to be done; Enter says it is. `doubt` says why it seems not to be."""

        def understand(raw: str) -> str:
            done(raw)
            return "done"

        def against(value: str) -> str:
            return doubt()

        self.ask(about, text, understand, against, keep="Enter if it is right all the same; else ")

    def _answer(
        self, about: str, text: str, until_s: float | None, meanwhile: Callable[[], None]
    ) -> str:
        self._record("question", about=about, text=text)
        self.person.ask(text)
        lost_s = self._clock.now_s() + LONGEST_S
        while True:
            try:
                raw = self.person.line()
            except EOFError:
                raise Stopped("stopped: nobody can answer any more, the input is closed") from None
            if raw is not None:
                break
            if until_s is not None and self._clock.now_s() >= until_s:
                raise NoAnswer
            if self._clock.now_s() >= lost_s:
                raise Stopped(f"nobody answered for {LONGEST_S / 60:g} min: {text}")
            meanwhile()
            self._pause()
        if raw.strip().lower() in STOP:
            self._record("answer", about=about, raw=raw, taken="stop")
            raise Stopped("stopped by the person at the bench")
        return raw


def confirmed(asking: Asking, text: str, typed: str = "") -> None:
    """Have a person do or confirm something: with Enter, or with the word `typed`, exactly."""

    def understand(raw: str) -> str:
        if not typed:
            done(raw)
        elif raw.strip() != typed:
            raise Unclear(f"found {raw.strip()!r}; it has to be {typed!r} exactly, or stop")
        return typed

    asking.ask("step", question(text, typed), understand)


def question(text: str, typed: str = "") -> str:
    """What is asked for a confirmation; `Agreeing` reads from it what has to be typed."""
    return f"{text}\ntype {typed} and press Enter" if typed else f"{text}, then Enter"


class Agreeing:
    """Stands in for a person in a rehearsal: nothing real is there to be confirmed."""

    def __init__(self) -> None:
        self._wanted = ""

    def say(self, text: str) -> None:
        """Nobody reads it."""

    def ask(self, text: str) -> None:
        """Remember what the question wants to be typed."""
        found = re.search(r"\ntype (.+) and press Enter$", text)
        self._wanted = found[1] if found else ""

    def line(self) -> str | None:
        """Just that."""
        return self._wanted


def _plain(value: Any) -> Any:
    return value if isinstance(value, float) else None


def check_attended(file: BenchFile, path: object, absence: str) -> None:
    """Refuse a bench worked by hand while nobody is there. Raises BadInput.

    `absence` says why nobody is; empty where somebody is.
    """
    if file.by_hand and absence:
        raise BadInput(
            f"{path}: names boxes worked by hand ({', '.join(file.by_hand)}), and {absence}: "
            "somebody has to be at the bench. Run it from a terminal, without --unattended"
        )


def check_asked(questions: Sequence[str], sequence: str, absence: str) -> None:
    """Refuse a sequence that asks a person while nobody is there. Raises BadInput.

    `questions` are those of its steps, on paper; `absence` says why nobody is.
    """
    if questions and absence:
        raise BadInput(
            f"{sequence} asks a person to confirm ({questions[0]!r}), and {absence}: somebody has "
            "to be at the bench. Run it from a terminal, without --unattended; `ampworth "
            "rehearse` answers by itself"
        )

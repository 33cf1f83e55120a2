"""Pieces of HTML: every text is escaped here, once, and nowhere else.

The sections of the page are put together from these. Knows nothing of runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import NewType

Markup = NewType("Markup", str)
"""Text that is HTML already; a plain str is not and is escaped."""

NOTHING = Markup("")
Cell = str | Markup


def text(plain: object) -> Markup:
    """A text as HTML. Characters no page may hold are shown as a question mark."""
    return Markup(escape(printable(str(plain))))


def printable(words: str) -> str:
    """The same without characters that no page may hold."""
    return "".join(c if c.isprintable() or c in "\n\t" else "?" for c in words)


def joined(parts: Iterable[Markup], between: str = "") -> Markup:
    """Pieces one after the other."""
    return Markup(between.join(parts))


def element(name: str, *inside: Markup, **attributes: str) -> Markup:
    """An element; `class_` and `for_` lose their underscore, other ones become hyphens."""
    given = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"'
        for key, value in attributes.items()
    )
    return Markup(f"<{name}{given}>{''.join(inside)}</{name}>")


def paragraph(plain: str, **attributes: str) -> Markup:
    """A paragraph of plain text."""
    return element("p", text(plain), **attributes)


def section(anchor: str, title: str, *parts: Markup, look: str = "") -> Markup:
    """A section with its heading; none at all where it has nothing to say."""
    body = joined(parts)
    if not body:
        return NOTHING
    given = {"id": anchor} | ({"class_": look} if look else {})
    return Markup(element("section", element("h2", text(title)), body, **given) + "\n")


def subheading(title: str) -> Markup:
    """A heading within a section."""
    return element("h3", text(title))


def facts(pairs: Iterable[tuple[str, str]]) -> Markup:
    """Names and what is known of them; pairs without a text are left out."""
    rows = [
        element("div", element("dt", text(name)), element("dd", text(said)))
        for name, said in pairs
        if said
    ]
    return element("dl", *rows) if rows else NOTHING


def bullets(texts: Iterable[str], **attributes: str) -> Markup:
    """A list of plain texts."""
    items = [element("li", text(one)) for one in texts]
    return element("ul", *items, **attributes) if items else NOTHING


def table(
    header: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    words: Sequence[int] = (),
    caption: str = "",
    wide: bool = False,
    looks: Mapping[str, str] | None = None,
) -> Markup:
    """A table; the columns in `words` hold words, all others numbers set to the right.

    One that is `wide` is printed small; a cell that is in `looks` looks so.
    """
    said = element("caption", text(caption)) if caption else NOTHING

    def cells(kind: str, row: Sequence[str]) -> Markup:
        return joined(
            element(kind, text(cell), **_look(k in words, (looks or {}).get(cell, "")))
            for k, cell in enumerate(row)
        )

    head = element("thead", element("tr", cells("th", header)))
    body = element("tbody", *(element("tr", cells("td", row)) for row in rows))
    look = "scroll wide" if wide else "scroll"
    # It scrolls by itself on a phone; the keyboard reaches it.
    return element("div", element("table", said, head, body), class_=look, tabindex="0")


def _look(is_word: bool, look: str) -> dict[str, str]:
    names = " ".join(name for name in ("word" if is_word else "", look) if name)
    return {"class_": names} if names else {}


def figure(svg: str, caption: str) -> Markup:
    """A drawing and what it shows; `svg` comes from the charts, which escape their texts."""
    return element("figure", Markup(printable(svg)), element("figcaption", text(caption)))

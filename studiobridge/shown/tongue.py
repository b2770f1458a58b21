"""In which language a sentence is said. No I/O: who reads catalogues is `panel/texts`.

The English text is the key, and what stands where no catalogue has it. The language in force is
that of the context (a request of a page): commands never set one and speak English.

    say("silent: {device}, since {time}", device=name, time=when)
    say_many("{n} note was lost", "{n} notes were lost", n)
    LABELS = {"off": later("off")}  …  say(LABELS[code])

Texts are written out where they are said, so that they can be collected (`panel/texts`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import tzinfo
from gettext import NullTranslations

# Around what stays English on a page of another language: the page makes `lang="en"` of them.
# Shift out and shift in of ISO/IEC 646; what comes from outside has lost them in `words.clean`.
OUT, IN = "\x0e", "\x0f"


@dataclass(frozen=True, slots=True)
class Tongue:
    """A language: its tag (BCP 47), its own name for itself, and its texts."""

    code: str = "en"
    name: str = "English"
    direction: str = "ltr"
    decimal: str = "."
    texts: NullTranslations = field(default_factory=NullTranslations)


ENGLISH = Tongue()
_in_force: ContextVar[Tongue] = ContextVar("tongue", default=ENGLISH)
_zone: ContextVar[tzinfo | None] = ContextVar("zone", default=None)


def in_force() -> Tongue:
    """The language of this context."""
    return _in_force.get()


def zone() -> tzinfo | None:
    """The time zone of this context; None: this machine's own."""
    return _zone.get()


@contextmanager
def speaking(tongue: Tongue, at: tzinfo | None = None) -> Iterator[None]:
    """This language, and the times of this zone, for all that is said inside."""
    was, where = _in_force.set(tongue), _zone.set(at)
    try:
        yield
    finally:
        _in_force.reset(was)
        _zone.reset(where)


def say(text: str, /, *, sense: str = "", **values: object) -> str:
    """The text in the language in force. `sense` tells apart what English has one word for."""
    texts = _in_force.get().texts
    said = texts.pgettext(sense, text) if sense else texts.gettext(text)
    return said.format(**values) if values else said


def say_many(one: str, many: str, n: int, /, **values: object) -> str:
    """The form of the text that goes with `n`, which is `{n}` in it."""
    return _in_force.get().texts.ngettext(one, many, n).format(n=n, **values)


def later(text: str, /, sense: str = "") -> str:
    """The text itself: marks what is written down here and said elsewhere."""
    return text


def figure(value: float, form: str) -> str:
    """A number as the language writes it: `0.32`, `0,32`."""
    text = format(value, form)
    decimal = _in_force.get().decimal
    return text if decimal == "." else text.replace(".", decimal)


def english(text: str) -> str:
    """What the bridge says in English, marked as English where the page speaks another language."""
    return f"{OUT}{text}{IN}" if text and _in_force.get().code != "en" else text


def bare(text: str) -> str:
    """Without the marks, for where a language cannot be named."""
    return text.replace(OUT, "").replace(IN, "")


def with_languages(html: str) -> str:
    """The marks of `english` as HTML; inside tags, titles and options they fall away."""
    if OUT not in html:
        return html
    out: list[str] = []
    opened, drawing, plain = "", False, False
    for piece in re.split(f"(<[^>]*>|{OUT}|{IN})", html):
        if piece.startswith("<") and piece.endswith(">"):
            # nothing stays open over the end of what it stands in, cut short though it may be
            if opened:
                out.append(f"</{opened}>")
                opened = ""
            out.append(bare(piece))
            name = re.match(r"</?(\w+)", piece)
            if name is not None and name[1] in ("title", "option", "textarea", "script"):
                plain = not piece.startswith("</")
            if name is not None and name[1] == "svg":
                drawing = not piece.startswith("</")
        elif piece == OUT:
            if not plain and not opened:
                opened = "tspan" if drawing else "span"
                out.append(f'<{opened} lang="en">')
        elif piece == IN:
            if opened:
                out.append(f"</{opened}>")
                opened = ""
        else:
            out.append(piece)
    return "".join(out)

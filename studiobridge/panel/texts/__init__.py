"""The languages of the page: a gettext catalogue (`de.po`) each; a file more is a language more.

What a catalogue lacks is said in English. `python -m studiobridge.panel.texts` says what that is.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from functools import cache
from gettext import GNUTranslations
from importlib.resources import files
from pathlib import Path

import polib  # type: ignore[import-untyped]

from studiobridge.shown.tongue import ENGLISH, Tongue

_PLACE = re.compile(r"\{(\w*)[^}]*\}")


class BadCatalogue(Exception):
    """A catalogue that cannot be read; the text says where and why."""


def places(text: str) -> set[str]:
    """The names in braces, which each form of a text has to have."""
    return set(_PLACE.findall(text))


def forms(entry: polib.POEntry) -> list[str]:
    return list(entry.msgstr_plural.values()) if entry.msgid_plural else [entry.msgstr]


def fits(entry: polib.POEntry) -> bool:
    """Does a translation have the places of its text, and no others?"""
    wanted = places(entry.msgid) | places(entry.msgid_plural or "")
    # one of something may be said without its figure
    may_lack = {"n"} if entry.msgid_plural else set()
    return all(
        places(form) <= wanted and wanted - places(form) <= may_lack for form in forms(entry)
    )


def read(text: str, where: str) -> Tongue:
    """A language from its catalogue, without what does not fit its text. Raises BadCatalogue."""
    try:
        found = polib.pofile(text, encoding="utf-8")
        code = found.metadata.get("Language", "")
        for entry in [entry for entry in found if not fits(entry)]:
            found.remove(entry)
        texts = GNUTranslations(io.BytesIO(found.to_binary()))
    except (OSError, ValueError, SyntaxError, UnicodeError) as error:
        raise BadCatalogue(f"{where}: {error}") from None
    if not re.fullmatch(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})*", code):
        raise BadCatalogue(f"{where}: its header needs a Language, such as 'Language: de'")
    direction = found.metadata.get("X-Direction", "ltr")
    return Tongue(
        code,
        found.metadata.get("X-Name", code),
        direction if direction in ("ltr", "rtl") else "ltr",
        found.metadata.get("X-Decimal", "."),
        texts,
    )


@cache
def tongues() -> Mapping[str, Tongue]:
    """All languages by their tag, English first. Raises BadCatalogue."""
    found = {ENGLISH.code: ENGLISH}
    folder = Path(str(files(__name__)))
    for path in sorted(folder.glob("*.po")):
        tongue = read(path.read_text(encoding="utf-8"), str(path))
        found[tongue.code] = tongue
    return found

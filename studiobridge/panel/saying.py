"""Texts of the templates: `_` and `ngettext`, escaped as all else that they show."""

from __future__ import annotations

from functools import cache
from typing import Any

import jinja2
from markupsafe import Markup, escape

from studiobridge.panel.texts.collecting import of_scripts
from studiobridge.shown import words
from studiobridge.shown.tongue import in_force


def shown(said: object, limit: int = words.MAX_SHOWN) -> str:
    """The filter `clean`: what came from outside loses its control characters, and is no longer
    than it should be. What `_` has made is escaped already and stays so."""
    if isinstance(said, Markup):
        return Markup(words.as_said(str(said), len(said)))
    return words.as_said(said, limit)


def _inside(values: dict[str, Any]) -> dict[str, Any]:
    """What stands in the places of a text, cleaned like everything from outside."""
    return {k: shown(v) if isinstance(v, str) else v for k, v in values.items()}


def text(said: str, /, *, sense: str = "", **values: Any) -> Markup:
    """A text in the language in force; what stands in its places is escaped unless it is Markup."""
    texts = in_force().texts
    found = escape(texts.pgettext(sense, said) if sense else texts.gettext(said))
    return found.format(**_inside(values)) if values else found


def texts(one: str, many: str, n: int, /, **values: Any) -> Markup:
    """The form of a text that goes with `n`, which is `{n}` in it."""
    return escape(in_force().texts.ngettext(one, many, n)).format(n=n, **_inside(values))


@cache
def _of_scripts() -> list[str]:
    return of_scripts()


def script_texts() -> dict[str, str]:
    """What scripts say, for a page in another language than English (`static/saying.js`)."""
    tongue = in_force()
    if tongue.code == "en":
        return {}
    return {said: tongue.texts.gettext(said) for said in _of_scripts()}


def teach(pages: jinja2.Environment) -> None:
    """`_` and `ngettext` for every template of this environment."""
    pages.globals.update({"_": text, "gettext": text, "ngettext": texts, "tongue": in_force})
    pages.globals["script_texts"] = script_texts

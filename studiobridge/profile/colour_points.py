"""How a dialect tells and hears a colour: its parts, their places and spans."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any

from studiobridge.craft.chroma import PLACES, Form
from studiobridge.profile.findings import Part
from studiobridge.profile.model import ColourForm, HearMap, Point, Span, TellMap
from studiobridge.profile.shape import ColourHearShape, ColourTellShape, DialectShape
from studiobridge.profile.template import FADE, PARTS, VALUE, names_in
from studiobridge.profile.text import Path

# What each part counts from and to where a dialect names no span: degrees, percent, eight bits,
# and the chromaticity itself.
USUAL: dict[str, Span] = {
    "hue": Span(0.0, 360.0),
    "saturation": Span(0.0, 100.0),
    **dict.fromkeys("rgb", Span(0.0, 255.0)),
    **dict.fromkeys("xy", Span(0.0, 1.0)),
}
WAYS = "{hue} and {saturation}, {r}, {g} and {b}, or {x} and {y}"


class Colours(Part):
    """The colour of a dialect."""

    def put(
        self,
        name: str,
        shape: DialectShape,
        tells: dict[Point, TellMap],
        hears: dict[Point, HearMap],
    ) -> None:
        """Add the colour of this dialect to what it tells and hears."""
        said = shape.colour
        at: Path = ("dialects", name, "colour")
        if said is not None:
            if said.tell is None and said.hear is None:
                self.wrong(at, "'colour' says neither tell nor hear", key=True)
            if said.tell is not None:
                self._tell(said.tell, (*at, "tell"), tells)
                if said.hear is None:
                    self.wrong(
                        at,
                        "'colour' is told but never heard, so nothing could be confirmed",
                        "add 'hear' to 'colour'",
                        key=True,
                    )
            if said.hear is not None:
                self._hear(said.hear, (*at, "hear"), hears)

    def _tell(self, said: ColourTellShape, at: Path, tells: dict[Point, TellMap]) -> None:
        if (said.json_ is None) == (said.payload is None):
            self.wrong(at, "a colour is told by a payload or a json, one of the two", key=True)
            return
        names = names_in(said.json_ if said.json_ is not None else said.payload or "")
        form = self._form(PARTS & set(names), at)
        if form is None:
            return
        if VALUE in names:
            self.wrong(at, "a colour is no single value", f"its places are {WAYS}", key=True)
        if (FADE in names) != (said.fade_unit is not None):
            what = "{fade} has no unit" if said.fade_unit is None else "there is no {fade}"
            self.wrong(at, what, "write both '{fade}' and 'fade_unit: s', or neither", key=True)
        tells["colour"] = TellMap(
            said.topic,
            said.payload,
            said.json_,
            fade_unit=said.fade_unit,
            qos=said.qos,
            retain=said.retain,
            colour=ColourForm(form, self._spans(form, said.spans, (*at, "spans"))),
        )

    def _hear(self, said: ColourHearShape, at: Path, hears: dict[Point, HearMap]) -> None:
        if (said.fields is None) == (said.pattern is None):
            todo = "like 'fields: {hue: h, saturation: s}', or 'pattern: \"{r},{g},{b}\"'"
            what = "a colour is heard by fields or by a pattern, one of the two"
            self.wrong(at, what, todo, True)
            return
        if said.fields is not None:
            form = self._form(said.fields, (*at, "fields"))
        else:
            names = names_in(said.pattern)
            form = self._form(PARTS & set(names), (*at, "pattern"))
            if said.where is not None:
                self.wrong(
                    (*at, "where"),
                    "'where' looks into a document, and without 'fields' there is none",
                    "put what is constant into the 'pattern'",
                    key=True,
                )
        if form is None:
            return
        fields = said.fields
        paths = tuple(fields[part] for part in PLACES[form]) if fields is not None else None  # type: ignore[index]
        hears["colour"] = HearMap(
            said.topic,
            qos=said.qos,
            pattern=said.pattern,
            where=MappingProxyType(dict(said.where or {})),
            colour=ColourForm(form, self._spans(form, said.spans, (*at, "spans")), paths),
        )

    def _form(self, parts: Iterable[str], at: Path) -> Form | None:
        """Which way of spelling these parts make; it is said where they make none."""
        named = set(parts)
        for form, places in PLACES.items():
            if named == set(places):
                return form
        what = f"{', '.join(sorted(named))} make no colour" if named else "the colour has no place"
        self.wrong(at, what, f"its places are {WAYS}", key=True)
        return None

    def _spans(
        self, form: Form, said: Mapping[Any, tuple[float, float]], at: Path
    ) -> tuple[Span, ...]:
        for part in said:
            if part not in PLACES[form]:
                self.wrong((*at, part), f"there is no place for {part} here", key=True)
        return tuple(Span(*said[part]) if part in said else USUAL[part] for part in PLACES[form])

    def white_or_coloured(self, name: str, hears: Mapping[Point, HearMap], either: bool) -> None:
        """A fixture that can be both should say which it is."""
        if "cct" in hears and "colour" in hears and not either:
            self.doubt(
                ("dialects", name, "colour"),
                "it does not say whether it is white or coloured: turned from the one to the"
                " other by hand, it may go on saying what is wanted",
                "give cct and colour a 'where' in their 'hear', if a field says which",
                key=True,
            )

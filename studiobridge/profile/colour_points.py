"""How a dialect tells and hears a colour: its parts, their places and spans; white or coloured."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from studiobridge.craft.chroma import PLACES, Form
from studiobridge.profile.findings import Part
from studiobridge.profile.model import ColourForm, HearMap, Point, Span, TellMap, When
from studiobridge.profile.shape import ColourHearShape, ColourTellShape, DialectShape, WhenShape
from studiobridge.profile.text import Path

COLOUR_PLACES = tuple(f"{{{part}}}" for parts in PLACES.values() for part in parts)
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
    """The colour of a dialect, and which of white and coloured a message is about."""

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
        self._when(name, shape, hears)

    def _tell(self, said: ColourTellShape, at: Path, tells: dict[Point, TellMap]) -> None:
        if (said.json_ is None) == (said.payload is None):
            self.wrong(at, "a colour is told by a payload or a json, one of the two", key=True)
            return
        template = str(said.json_) if said.json_ is not None else said.payload or ""
        form = self._form([p[1:-1] for p in COLOUR_PLACES if p in template], at)
        if form is None:
            return
        if "{value}" in template:
            self.wrong(at, "a colour is no single value", f"its places are {WAYS}", key=True)
        if ("{fade}" in template) != (said.fade_unit is not None):
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
        if (said.fields is None) == (said.payload is None):
            todo = "like 'fields: {hue: h, saturation: s}', or 'payload: \"{r},{g},{b}\"'"
            self.wrong(
                at, "a colour is heard by fields or by a payload, one of the two", todo, True
            )
            return
        if said.fields is not None:
            form = self._form(said.fields, (*at, "fields"))
        else:
            text = said.payload or ""
            form = self._form([p[1:-1] for p in COLOUR_PLACES if p in text], (*at, "payload"))
            if form is not None and any("}{" in text or text.count(p) > 1 for p in COLOUR_PLACES):
                todo = 'like "{r},{g},{b}"'
                self.wrong((*at, "payload"), "nothing keeps its parts apart", todo)
            if said.when is not None:
                self.wrong((*at, "when"), "a plain payload has no field", "leave 'when' out")
        if form is None:
            return
        fields = said.fields
        paths = tuple(fields[part] for part in PLACES[form]) if fields is not None else None  # type: ignore[index]
        hears["colour"] = HearMap(
            said.topic,
            qos=said.qos,
            colour=ColourForm(form, self._spans(form, said.spans, (*at, "spans")), paths),
            payload=said.payload,
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

    def _when(self, name: str, shape: DialectShape, hears: dict[Point, HearMap]) -> None:
        """White or coloured: said of both, in the same field, with different words."""
        found: dict[Point, WhenShape] = {}
        for part, said in (("cct", shape.cct), ("colour", shape.colour)):
            if said is not None and said.hear is not None and said.hear.when is not None:
                found["cct" if part == "cct" else "colour"] = said.hear.when
        for point in ("switch", "level", "watts", "rolling", "online", "down"):
            other = getattr(shape, point)
            if other is not None and other.hear is not None and other.hear.when is not None:
                at: Path = ("dialects", name, point, "hear", "when")
                self.wrong(at, f"'{point}' is always heard", "only cct and colour have a 'when'")
        if not found:
            if "cct" in hears and "colour" in hears:
                self.doubt(
                    ("dialects", name, "colour"),
                    "it does not say whether it is white or coloured: turned from the one to the"
                    " other by hand, it may go on saying what is wanted",
                    "give cct and colour a 'when' in their 'hear', if a field says which",
                    key=True,
                )
            return
        at = ("dialects", name, next(iter(found)), "hear", "when")
        if len(found) < 2 or "cct" not in hears or "colour" not in hears:
            self.wrong(
                at,
                "'when' says which of white and coloured a message is about, so both need it",
                "give both cct and colour a 'when' in their 'hear'",
                key=True,
            )
            return
        white, coloured = found["cct"], found["colour"]
        if white.field != coloured.field or white.is_ == coloured.is_:
            self.wrong(at, "white and coloured are two words of one field", key=True)
            return
        if hears["cct"].field is None:
            self.wrong(at, "a plain payload has no field to say it in", "give cct a 'field'", True)
            return
        hears["cct"] = replace(hears["cct"], when=When(white.field, white.is_, coloured.is_))
        hears["colour"] = replace(
            hears["colour"], when=When(coloured.field, coloured.is_, white.is_)
        )

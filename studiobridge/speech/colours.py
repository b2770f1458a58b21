"""How a colour is told and heard in a dialect, and whether a message is about white or colour.

Parts are hue and saturation, red, green and blue, or x and y, each with a span of its own. A span
with whole ends is counted in whole numbers, one no wider than 1 in fractions. All parts of a
colour come in one message; black says nothing of it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache

from studiobridge.craft.chroma import PLACES, Colour, ColourGrid, ColourSteps, of_parts, parts_of
from studiobridge.profile.model import ColourForm, HearMap, Point, Span, TellMap, Value
from studiobridge.speech.encode import (
    LONGEST_NUMBER,
    MISSING,
    CannotRead,
    Scalar,
    as_text,
    decoder,
    field_of,
    json_of,
    number,
    put_field,
    shown,
    text_of,
)

# Shells put these around a payload.
BLANKS = " \t\r\n"
# What is fine enough for a part that is a fraction: x and y of four digits are below 0.001 Δu′v′.
DIGITS = 5


def _whole(span: Span) -> bool:
    whole = span.low == int(span.low) and span.high == int(span.high)
    return whole and span.high - span.low > 1.0


def grid_of(form: ColourForm) -> ColourGrid:
    """The steps of its parts, as shares of their spans."""
    steps = tuple(1.0 / (s.high - s.low) if _whole(s) else 0.0 for s in form.spans)
    return ColourGrid(form.form, steps)


def steps_of(told: ColourForm | None, heard: ColourForm | None) -> ColourSteps:
    return ColourSteps(
        None if told is None else grid_of(told), None if heard is None else grid_of(heard)
    )


# ---- told ------------------------------------------------------------------------------------


def scalars(form: ColourForm, colour: Colour) -> dict[str, Scalar]:
    """What stands for each part: `{"hue": 85, "saturation": 254}`."""
    found: dict[str, Scalar] = {}
    parts = parts_of(colour, form.form)
    for name, part, span in zip(PLACES[form.form], parts, form.spans, strict=True):
        raw = span.low + min(1.0, max(0.0, part)) * (span.high - span.low)
        found[name] = round(raw) if _whole(span) else round(raw, DIGITS)
    return found


def filled(rule: TellMap, colour: Colour) -> TellMap:
    """The rule with this colour in its places; what else it has places for stays."""
    assert rule.colour is not None
    parts = scalars(rule.colour, colour)
    if rule.json is None:
        text = rule.payload or ""
        for name, scalar in parts.items():
            text = text.replace(f"{{{name}}}", as_text(scalar))
        return replace(rule, payload=text)
    return replace(rule, json=_in_template(rule.json, parts))


def _in_template(template: object, parts: Mapping[str, Scalar]) -> object:
    if isinstance(template, dict):
        return {key: _in_template(part, parts) for key, part in template.items()}
    if isinstance(template, list):
        return [_in_template(part, parts) for part in template]
    if not isinstance(template, str):
        return template
    for name, scalar in parts.items():
        if template == f"{{{name}}}":
            return scalar
        template = template.replace(f"{{{name}}}", as_text(scalar))
    return template


def told(
    rule: TellMap, payload: bytes, find: Callable[[object, object, str], object]
) -> Colour | None:
    """The device's end: the colour in what it was told; None when there is none. CannotRead."""
    form = rule.colour
    assert form is not None
    if rule.json is None:
        return _of_raws(form, _laid_out(rule.payload or "", text_of(payload), form))
    document = json_of(payload)
    return _of_raws(form, [find(rule.json, document, f"{{{p}}}") for p in PLACES[form.form]])


# ---- heard -----------------------------------------------------------------------------------


def listens_apart(rule: HearMap) -> bool:
    """Is this heard by `reader` here, and not as one scalar of the message?"""
    return rule.colour is not None or rule.when is not None


def reader(
    point: Point, rule: HearMap
) -> tuple[tuple[str, ...] | None, Callable[[object], Value | None]]:
    """Where in a message to begin, and how to read it there. None: it says nothing of this."""
    form, when = rule.colour, rule.when
    if form is not None and form.fields is None:
        layout = rule.payload or ""
        return None, lambda text: _of_raws(form, _laid_out(layout, str(text), form))
    one = decoder(point, rule) if form is None else None
    paths = [tuple(path.split(".")) for path in (form.fields or ())] if form is not None else []
    own = tuple((rule.field or "").split("."))

    def read(document: object) -> Value | None:
        if when is not None:
            mode = field_of(document, tuple(when.field.split(".")))
            if mode is MISSING:
                return None
            word = as_text(mode) if isinstance(mode, str | int | float | bool) else ""
            if word != when.word:
                # said once of the two that listen here
                if word != when.other and form is not None:
                    raise CannotRead(
                        f"{when.field} is {shown(mode)}, neither {shown(when.word)}"
                        f" nor {shown(when.other)}"
                    )
                return None
        if form is not None:
            return _of_raws(form, [field_of(document, path) for path in paths])
        raw = field_of(document, own)
        assert one is not None
        return None if raw is MISSING else one(raw)

    return (), read


def _of_raws(form: ColourForm, raws: Sequence[object]) -> Colour | None:
    """A colour from its parts as they came. None where there are none, or they are black."""
    names = PLACES[form.form]
    absent = [n for n, raw in zip(names, raws, strict=True) if raw is MISSING or raw is None]
    if len(absent) == len(names):
        return None
    if absent:
        raise CannotRead(f"colour comes without its {' and '.join(absent)}")
    shares = []
    for name, raw, span in zip(names, raws, form.spans, strict=True):
        value = raw
        if isinstance(value, str):
            value = number(value, name)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise CannotRead(f"{name} is {shown(raw)}, not a number")
        if not span.low <= value <= span.high:
            raise CannotRead(f"{name} {shown(raw)} is outside {span.low:g}..{span.high:g}")
        shares.append((float(value) - span.low) / (span.high - span.low))
    try:
        return of_parts(form.form, tuple(shares))
    except ValueError as error:
        raise CannotRead(f"colour: {error}") from None


@cache
def _pattern(layout: str) -> re.Pattern[str]:
    """A plain payload with a number in each of its places; how long it fades may be anything."""
    pattern = re.escape(layout.strip(BLANKS)).replace(re.escape("{fade}"), ".*")
    for name in (name for names in PLACES.values() for name in names):
        number_ = f"(?P<{name}>[-+.eE0-9]{{1,{LONGEST_NUMBER}}})"
        place = re.escape(f"{{{name}}}")
        # what stands there twice is told twice, and is the same
        pattern = pattern.replace(place, number_, 1).replace(place, f"(?P={name})")
    return re.compile(pattern)


def _laid_out(layout: str, text: str, form: ColourForm) -> list[object]:
    """The parts of a plain payload. Raises CannotRead."""
    found = _pattern(layout).fullmatch(text.strip(BLANKS))
    if found is None:
        raise CannotRead(f"colour is {shown(text)}, not like {shown(layout)}")
    return [found.group(name) for name in PLACES[form.form]]


# ---- the device's own reports ----------------------------------------------------------------


def put(document: dict[str, object], rule: HearMap, value: Value, scalar: Scalar | None) -> None:
    """A report of this point into a JSON document, with which of white and coloured it is."""
    if rule.when is not None:
        put_field(document, tuple(rule.when.field.split(".")), rule.when.word)
    if rule.colour is not None:
        assert isinstance(value, Colour)
        parts = scalars(rule.colour, value)
        for name, path in zip(PLACES[rule.colour.form], rule.colour.fields or (), strict=True):
            put_field(document, tuple(path.split(".")), parts[name])
    elif rule.field is not None and scalar is not None:
        put_field(document, tuple(rule.field.split(".")), scalar)


def plain(rule: HearMap, colour: Colour) -> bytes:
    """A report of a colour in a plain payload."""
    assert rule.colour is not None
    text = rule.payload or ""
    for name, scalar in scalars(rule.colour, colour).items():
        text = text.replace(f"{{{name}}}", as_text(scalar))
    return text.encode()


# ---- Homie 5 ---------------------------------------------------------------------------------

_HOMIE: dict[str, ColourForm] = {
    "rgb": ColourForm("rgb", (Span(0.0, 255.0),) * 3),
    "hsv": ColourForm("hs", (Span(0.0, 360.0), Span(0.0, 100.0))),
    "xyz": ColourForm("xy", (Span(0.0, 1.0),) * 2),
}


def homie_formats(format_: str) -> tuple[str, ...]:
    """The formats of a `color` property, as its device prefers them. Raises CannotRead."""
    found = tuple(format_.split(","))
    if any(part not in _HOMIE for part in found) or len(set(found)) != len(found):
        raise CannotRead(f"format {shown(format_)} is not of rgb, hsv and xyz")
    return found


def homie_steps(formats: Sequence[str]) -> ColourSteps:
    """It is told in the one format; it may report in any, and is compared in the one."""
    grid = grid_of(_HOMIE[homie_best(formats)])
    return ColourSteps(grid, grid)


def homie_best(formats: Sequence[str]) -> str:
    """`xyz` where it knows that, because only that leaves the brightness alone; else its first."""
    return "xyz" if "xyz" in formats else formats[0]


def homie_payload(formats: Sequence[str], colour: Colour) -> str:
    """`hsv,120,100,100`: at full, for how bright it is says another property."""
    best = homie_best(formats)
    parts = [as_text(scalar) for scalar in scalars(_HOMIE[best], colour).values()]
    return ",".join([best, *parts, *(["100"] if best == "hsv" else [])])


def homie_colour(formats: Sequence[str], text: str) -> Colour | None:
    """What such a property says; None for black. Raises CannotRead.

    Of the convention's two readings it is the one where color is the colour alone: the `v` of hsv
    and the size of rgb are how bright it is, and count for nothing, unless they are 0.
    """
    kind, *parts = text.split(",")
    if kind not in formats:
        raise CannotRead(f"color is {shown(text)}, not one of {', '.join(formats)}")
    form = _HOMIE[kind]
    many = 2 if kind == "xyz" else 3
    if len(parts) != many or any(part != part.strip() for part in parts):
        raise CannotRead(f"color is {shown(text)}, not {kind} and {many} numbers")
    dark = False
    if kind == "hsv":
        value = number(parts.pop(), "v")
        if not 0.0 <= value <= 100.0:
            raise CannotRead(f"v {value:g} is outside 0..100")
        dark = value == 0.0
    colour = _of_raws(form, parts)
    return None if dark else colour

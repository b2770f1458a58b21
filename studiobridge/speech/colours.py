"""How a colour is told and heard in a dialect.

Parts are hue and saturation, red, green and blue, or x and y, each with a span of its own. A span
with whole ends is counted in whole numbers, one no wider than 1 in fractions. All parts of a
colour come in one message; black says nothing of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from studiobridge.craft.chroma import PLACES, Colour, ColourGrid, ColourSteps, of_parts, parts_of
from studiobridge.profile.model import ColourForm, Scalar, Span
from studiobridge.profile.template import Route
from studiobridge.speech.encode import MISSING, CannotRead, as_text, field_of, number, shown

# What is fine enough for a part that is a fraction: x and y of four digits are below 0.001 Δu′v′.
DIGITS = 5


def _whole(span: Span) -> bool:
    whole = span.low == int(span.low) and span.high == int(span.high)
    return whole and abs(span.high - span.low) > 1.0


def grid_of(form: ColourForm) -> ColourGrid:
    """The steps of its parts, as shares of their spans."""
    steps = tuple(1.0 / abs(s.high - s.low) if _whole(s) else 0.0 for s in form.spans)
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


# ---- heard -----------------------------------------------------------------------------------


def reader(form: ColourForm, routes: Sequence[Route] | None) -> Callable[[object], Colour | None]:
    """How to read a colour: from a document, each part at its place there, or from its parts by
    their names. None: it says nothing of a colour. Raises CannotRead."""
    names = PLACES[form.form]
    if routes is not None:
        return lambda document: _of_raws(form, [field_of(document, route) for route in routes])

    def of_parts_named(parts: object) -> Colour | None:
        found = parts if isinstance(parts, Mapping) else {}
        return _of_raws(form, [found.get(name, MISSING) for name in names])

    return of_parts_named


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
        if not min(span.low, span.high) <= value <= max(span.low, span.high):
            raise CannotRead(f"{name} {shown(raw)} is outside {span.low:g}..{span.high:g}")
        shares.append((float(value) - span.low) / (span.high - span.low))
    try:
        return of_parts(form.form, tuple(shares))
    except ValueError as error:
        raise CannotRead(f"colour: {error}") from None


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

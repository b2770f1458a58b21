"""The tight room, solved backwards: this lens, this framing, how deep, and what gives way.

The link at whose end the camera stands is set by the lens: it is as long as the framing asks, and
never below nothing. Every other link is as the chain says, or as a variation says. So a variation
between the mark and the camera saves something only as long as the lens does not ask for that
distance anyway, and what saves nothing is not given up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from types import MappingProxyType

from studiobridge.craft import lens
from studiobridge.figures.clearance import Spill, spill_of
from studiobridge.figures.depth import MOST_COMBINED, shortest
from studiobridge.figures.framing import (
    FRAMINGS,
    Fit,
    Framing,
    camera_of,
    framing,
    seen_on,
)
from studiobridge.figures.shadow import Shadow, clear_from, shadow_of
from studiobridge.figures.sharp import Sharp, sharp_of
from studiobridge.figures.stations import apart, as_if, stations_of
from studiobridge.profile.model import MARK, Device, SetProfile, Variation
from studiobridge.profile.quantity import INCH

# Lenses (mm) that are asked about where none is named, beside the set's own. Common practice.
USUAL = (16.0, 20.0, 24.0, 28.0, 35.0, 50.0)
# Of the picture a backdrop covers: more than this is all of it.
WHOLE = 0.999
# A length that is solved for is given to the next millimetre.
PARTS = 1000
# The link that the lens sets is as long as it is shown: to the next centimetre or quarter inch, for
# who builds what is printed has to find that it fits.
CENTIMETRE, QUARTER_INCH = Fraction(1, 100), INCH / 4
# What a framing asks for is asked with the lens so far out from the mark (m).
ANYWHERE = 2.0
# So often at most it is looked for nearer (or farther), each time by what it was off.
PATIENCE = 12


@dataclass(frozen=True, slots=True)
class Row:
    """One lens, one framing, some variations: how deep, and what the picture is (m).

    `distance` from the lens to the face, and from `needed` on the framing fits; `throw` is the link
    that the lens sets. `covered` is how much of the picture the backdrop takes (0-1). It does not
    work where something `hinders`: "depth", "backdrop", "framing" where no distance was found, or
    "loose" where even the least one is so large that the person is lost in the picture.
    """

    focal: float
    framing: str
    without: tuple[str, ...]
    depth: Fraction | None
    left: Fraction | None
    throw: Fraction | None
    distance: float
    needed: float
    field: tuple[float, float]
    covered: float | None
    sharp: Sharp | None
    near_a_face: bool
    hinders: tuple[str, ...]

    @property
    def works(self) -> bool:
        return self.depth is not None and not self.hinders


@dataclass(frozen=True, slots=True)
class FitReading:
    """How deep a room has to be: the answer, a row a lens, and what can be combined.

    `rows` come in pairs where variations help: with nothing given up, and the shortest. `idle`:
    variations that save nothing with the lens of the answer. Shadows and spill are in its room.
    """

    backdrop: str | None
    throw_link: str | None
    throw_now: Fraction | None
    answer: Row | None
    rows: tuple[Row, ...]
    combined: tuple[Row, ...]
    more: bool
    idle: tuple[str, ...]
    shadows: tuple[Shadow, ...]
    spill: Spill | None
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Set:
    """What is the same for every row: the links, and where they stand to the lens."""

    profile: SetProfile
    stations: Mapping[str, str]
    backdrop: Device | None
    camera: Device
    throw: str | None
    between: frozenset[str]


def fit_of(
    profile: SetProfile,
    lenses: Sequence[float] = (),
    framings: Sequence[str] = (),
    without: Sequence[str] | None = None,
    backdrop: str | None = None,
) -> FitReading:
    """How deep the room has to be for these lenses and framings (left out: the usual ones).

    `without` names the variations that are chosen; None: what helps is looked for. Names are of
    the profile: who asks has checked them, and that no two of them exclude each other.
    """
    missing: list[str] = []
    own = profile.picture.focal
    if not lenses:
        lenses = sorted({*USUAL, *([own] if own is not None else [])})
    if not framings:
        framings = (profile.picture.fits,) if profile.picture.fits else tuple(FRAMINGS)
    # a lens to ask about stands in for the set's own
    made = _set_of(replace(profile, picture=replace(profile.picture, focal=lenses[0])), backdrop)
    if isinstance(made, str):
        return _nothing((made,))
    _say_missing(made, missing)
    chosen = None
    if without is not None:
        by_name = {v.name: v for v in profile.room.variations}
        chosen = [by_name[name] for name in without]
    rows: list[Row] = []
    best: tuple[Row, list[Row], bool] | None = None
    for name, focal in ((name, focal) for name in framings for focal in lenses):
        try:
            some, more = _rows(made, focal, name, chosen)
        except ValueError as lacks:
            return _nothing((str(lacks), *missing))
        rows.extend(_first_and_last(some))
        answer = min(some, key=lambda row: _rank(row, own))
        if best is None or _rank(answer, own) < _rank(best[0], own):
            best = (answer, some, more)
    assert best is not None
    answer, some, more = best
    shadows, spill = _about(made, answer, missing)
    return FitReading(
        made.backdrop.name if made.backdrop is not None else None,
        made.throw,
        profile.room.chain[made.throw] if made.throw is not None else None,
        answer,
        tuple(rows),
        tuple(some) if len(some) > 2 else (),
        more,
        _idle(made, answer, chosen, some, more),
        shadows,
        spill,
        tuple(dict.fromkeys(missing)),
    )


def _nothing(missing: tuple[str, ...]) -> FitReading:
    return FitReading(None, None, None, None, (), (), False, (), (), None, missing)


def _idle(
    made: _Set,
    answer: Row,
    chosen: Sequence[Variation] | None,
    some: Sequence[Row],
    more: bool,
) -> tuple[str, ...]:
    """Which variations save nothing with the answer's lens; of those chosen, where some are."""
    if made.throw is None or answer.depth is None:
        return ()
    if chosen is None:
        used = {name for row in some for name in row.without}
        return tuple(
            v.name
            for v in made.profile.room.variations
            if v.name not in used and (not more or v.links.keys() == {made.throw})
        )
    idle = []
    for variation in chosen:
        others = [v for v in chosen if v is not variation]
        less = _row(made, answer.focal, answer.framing, others).depth
        if less is not None and less <= answer.depth:
            idle.append(variation.name)
    return tuple(idle)


def _rank(row: Row, own: float | None) -> tuple[bool, bool, float, Fraction, bool]:
    """The least of these answers most of what is asked, in the least depth: where no backdrop
    fills the picture the one that does so most, and of lenses that no depth tells apart the
    set's own."""
    beside = -round(row.covered or 0.0, 2) if "backdrop" in row.hinders else 0.0
    strange = row.depth is None and row.focal != own
    depth = row.depth if row.depth is not None else Fraction(0)
    return ("depth" in row.hinders, bool(row.hinders), beside, depth, strange)


def _set_of(profile: SetProfile, name: str | None) -> _Set | str:
    """What all rows need, or the sentence that says what is missing for any of them."""
    camera = camera_of(profile)
    if profile.picture.sensor is None:
        return "no sensor size given: nothing is solved for a lens"
    if profile.room.mark is None:
        return "no mark given in the room: nothing is solved for a lens"
    if camera is None or camera.place is None:
        return "no place given for the camera: nothing is solved for a lens"
    stations = stations_of(profile)
    backdrop = None
    if name is not None:
        backdrop = profile.devices[name]
    else:
        behind = [
            d
            for d in profile.devices.values()
            if d.kind == "backdrop"
            and d.place is not None
            and d.place.from_back < profile.room.mark.from_back
        ]
        backdrop = next(iter(behind), None)
    names = list(profile.room.chain)
    throw = None
    between: frozenset[str] = frozenset()
    if MARK in stations and camera.name in stations:
        first, last = names.index(stations[MARK]), names.index(stations[camera.name])
        if first < last:
            throw, between = names[last], frozenset(names[first + 1 : last])
    return _Set(profile, MappingProxyType(stations), backdrop, camera, throw, between)


def _say_missing(made: _Set, missing: list[str]) -> None:
    """What is not answered for want of a figure."""
    profile, room = made.profile, made.profile.room
    if not room.chain:
        missing.append("no chain given in the room: only distances are solved, not its depth")
    elif made.throw is None:
        missing.append(
            "no link of the chain ends at the mark, and a later one at the lens: only distances"
            f" are solved, not the depth ('room: stations: {{mark: …, {made.camera.name}: …}}' says"
            " which)"
        )
    elif room.depth is None:
        missing.append("no depth given for the room: what is left is not known")
    for two in apart(profile):
        what = "the mark" if two.name == MARK else two.name
        missing.append(f"chain and place say two things of {what}: taken from the chain")
    if made.backdrop is None:
        missing.append("no backdrop behind the mark: what it covers is not computed")
    elif made.backdrop.size is None or made.backdrop.place is None:
        missing.append(f"no size or place given for {made.backdrop.name}: cover not computed")
    if profile.picture.aperture is None:
        missing.append("no aperture given: what is sharp not computed")


def _rows(
    made: _Set, focal: float, name: str, chosen: Sequence[Variation] | None
) -> tuple[list[Row], bool]:
    """All that is worth asking of one lens and framing, the shortest first; are there more?"""
    if made.throw is None:
        return [_row(made, focal, name, ())], False
    if chosen is not None:
        return [_row(made, focal, name, chosen)], False
    found: list[Row] = []
    gap = _gap(made, focal, name)
    for some in shortest(made.profile.room, made.throw, made.between, gap):
        if len(found) == MOST_COMBINED:
            # with nothing given up is the last of all, and always told
            found[-1] = _row(made, focal, name, ())
            return found, True
        found.append(_row(made, focal, name, some))
    return found, False


def _gap(made: _Set, focal: float, name: str) -> Fraction:
    """How far from the mark the lens has to be along the room (m), to the next millimetre."""
    along = max(ANYWHERE, 3.0 * focal / PARTS)
    for _ in range(PATIENCE):
        fit = _fit(_seen(_camera_at(made, focal, along)), name)
        if abs(fit.margin) < 1e-7:
            break
        # where the lens looks at the mark one step does it; looking past it, a few
        along = max(2.5 * focal / PARTS, along - fit.margin)
    return Fraction(math.ceil(along * PARTS + 1e-6), PARTS)


def _seen(profile: SetProfile) -> Framing:
    """The framing; ValueError with what is missing where there is none."""
    lacks: list[str] = []
    seen = framing(profile, lacks)
    if seen is None:
        raise ValueError(lacks[0])
    return seen


def _fit(seen: Framing, name: str) -> Fit:
    return next(fit for fit in seen.fits if fit.framing == name)


def _camera_at(made: _Set, focal: float, gap: float) -> SetProfile:
    """Without a chain: the lens so far out from the mark."""
    there = as_if(made.profile, {}, {}, focal)
    mark, place = made.profile.room.mark, made.camera.place
    assert mark is not None and place is not None
    camera = replace(made.camera, place=replace(place, from_back=mark.from_back + gap))
    return replace(there, devices=MappingProxyType({**there.devices, camera.name: camera}))


def _supposed(
    made: _Set, focal: float, name: str, chosen: Sequence[Variation]
) -> tuple[SetProfile, Fraction | None]:
    """The set with this lens where the framing just fits, and how long the link is that it sets."""
    gap = _gap(made, focal, name)
    if made.throw is None:
        return _camera_at(made, focal, float(gap)), None
    links = {n: d for variation in chosen for n, d in variation.links.items()}
    now = {**made.profile.room.chain, **links}
    least = max(Fraction(0), gap - sum((now[n] for n in made.between), Fraction(0)))
    part = QUARTER_INCH if made.profile.feet else CENTIMETRE
    throw = part * math.ceil(least / part)
    return as_if(made.profile, made.stations, {**links, made.throw: throw}, focal), throw


def _row(made: _Set, focal: float, name: str, chosen: Sequence[Variation]) -> Row:
    supposed, throw = _supposed(made, focal, name, chosen)
    depth = left = None
    if throw is not None:
        depth = sum(supposed.room.chain.values(), Fraction(0))
        left = supposed.room.depth - depth if supposed.room.depth is not None else None
    seen = _seen(supposed)
    fit = _fit(seen, name)
    covered = backdrop = None
    if made.backdrop is not None:
        backdrop = supposed.devices[made.backdrop.name]
        part = seen_on(supposed, backdrop)
        covered = part.covered if part is not None else None
    hinders = []
    if left is not None and left < 0:
        hinders.append("depth")
    if covered is not None and covered < WHOLE:
        hinders.append("backdrop")
    if fit.judged == "too loose" or not fit.fits:
        hinders.append("loose" if fit.fits else "framing")
    return Row(
        focal,
        name,
        tuple(v.name for v in chosen),
        depth,
        left,
        throw,
        seen.distance,
        fit.from_distance,
        seen.field,
        covered,
        sharp_of(supposed, backdrop),
        seen.distance < lens.NEAR_A_FACE,
        tuple(hinders),
    )


def _about(made: _Set, answer: Row, missing: list[str]) -> tuple[tuple[Shadow, ...], Spill | None]:
    """Shadows and spill in the answer's room: lights stand where they stand, and what is at the
    end of a link has moved with it."""
    if made.backdrop is None:
        return (), None
    chosen = [v for v in made.profile.room.variations if v.name in answer.without]
    supposed, _ = _supposed(made, answer.focal, answer.framing, chosen)
    look = supposed.looks.get(supposed.default_look or "")
    presets = look.presets if look is not None else {}
    backdrop = supposed.devices[made.backdrop.name]
    shadows = []
    for device in supposed.devices.values():
        lit = device.kind == "light" and (look is None or bool(_level(presets, device.name)))
        shadow = shadow_of(supposed, device, backdrop) if lit else None
        if shadow is None:
            continue
        if shadow.seen:
            shadow = replace(shadow, clear_from=clear_from(supposed, device, backdrop))
        shadows.append(shadow)
        if shadow.soft is None:
            missing.append(f"no size given for {device.name}: how soft its shadow is not known")
    return tuple(shadows), spill_of(supposed, backdrop) if look is not None else None


def _level(presets: Mapping[str, object], name: str) -> float | None:
    return getattr(presets.get(name), "level", None)


def _first_and_last(rows: Sequence[Row]) -> list[Row]:
    """With nothing given up, and the shortest where that is another."""
    plain = [row for row in rows if not row.without][:1]
    shortest = [row for row in rows[:1] if row not in plain]
    return [*plain, *shortest] or list(rows[:1])

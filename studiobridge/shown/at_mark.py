"""The face as it is by what the lamps report, as it will be when what was asked is confirmed, and
after one step more: figures with their bands, or why there are none.

What comes in is what a set shows of itself: whoever may write there may write nonsense, so every
number is looked at first. The three are never mixed: `as_is` takes reports alone (and, of what
cannot speak, what the look or a person says of it, by name), `as_asked` puts on top what was asked
and is not confirmed yet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from studiobridge.craft.chroma import Colour
from studiobridge.figures.exposing import exposure_of
from studiobridge.figures.face import Face, Whole
from studiobridge.figures.known import Known, known
from studiobridge.figures.sure import rounded, within
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.shown import proof_words, words
from studiobridge.shown.tongue import english, figure, say

# How many figures are remembered: four steps of a hundred lamps, as things stand now.
MOST_STEPS = 400

Json = Mapping[str, Any]
Values = dict[str, Preset]


@dataclass(frozen=True, slots=True)
class Stands:
    """What the lamps of the look are at. `by_look`: taken as the look has them, for they cannot
    say it; `unknown`: sentences about those that could and have not."""

    values: Values
    by_look: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Reads:
    """What the face gets: f-number, stops against the look and against the aperture that is set,
    ratio key over fill, white (K); each None where it is not to be had, and `missing` says why."""

    aperture: float | None = None
    against_look: float | None = None
    over: float | None = None
    ratio: float | None = None
    cct: float | None = None
    mired: float | None = None
    sure: Known | None = None
    missing: tuple[str, ...] = ()


def wanted(views: Mapping[str, Json]) -> Values:
    """The look in force as the set says it: `keep` may have changed it since it was read."""
    return {name: _preset(view["preset"]) for name, view in views.items() if view.get("preset")}


def as_is(profile: SetProfile, views: Mapping[str, Json], state: Json) -> Stands:
    """Every lamp of the look as it reports itself."""
    told = {str(one["device"]): one for one in words.entries(state.get("adjusting"))}
    values: Values = {}
    by_look: list[str] = []
    unknown: list[str] = []
    for name, preset in wanted(views).items():
        device, view = profile.devices.get(name), views[name]
        if device is None or not device.fixture:
            continue
        mute = (
            device.speaks is None or not proof_words.can_speak(view) or "level" not in device.hears
        )
        if view.get("switch") is False or (view.get("online") is False and not mute):
            values[name] = replace(preset, level=0.0)
        elif mute:
            by_look.append(name)
            values[name] = _over(preset, told.get(name, {}), under_way=False)
        else:
            level = words.number(view.get("level"))
            if level is None:
                if preset.level is not None:
                    unknown.append(say("{name} has not said its level", name=words.clean(name, 40)))
                continue
            colour = words.chroma(view.get("colour"))
            cct = words.number(view.get("cct"))
            values[name] = Preset(level, None if colour is not None else cct or preset.cct, colour)
    return Stands(values, tuple(by_look), tuple(unknown))


def as_asked(stands: Stands, state: Json) -> Values | None:
    """The same with what was asked by steps and is not confirmed yet; None where nothing is."""
    values = dict(stands.values)
    for one in words.entries(state.get("adjusting")):
        name = str(one["device"])
        if one.get("under_way") is True and name in values:
            values[name] = _over(values[name], one, under_way=True)
    return values if values != stands.values else None


def _over(preset: Preset, one: Json, under_way: bool) -> Preset:
    if (one.get("under_way") is True) is not under_way:
        return preset
    level, cct = words.number(one.get("level")), words.number(one.get("cct"))
    preset = preset if level is None else replace(preset, level=level)
    return preset if cct is None else replace(preset, cct=cct, colour=None)


def _preset(said: object) -> Preset:
    view = said if isinstance(said, Mapping) else {}
    colour: Colour | None = words.chroma(view.get("colour"))
    cct = None if colour is not None else words.number(view.get("cct"))
    return Preset(words.number(view.get("level")), cct, colour)


class AtMark:
    """The figures of one set; the geometry is worked out once."""

    def __init__(self, profile: SetProfile) -> None:
        self.profile = profile
        self.face = Face(profile)
        self._last: dict[str, tuple[object, Reads]] = {}
        # what each step would come to: asked for with every report, and changed by few
        self._steps: dict[object, Reads] = {}

    def reads(self, stands: Stands | Values, look: Values, kept: str = "") -> Reads:
        """What the face gets at these values. `kept`: weighed, and remembered under this name."""
        values = stands.values if isinstance(stands, Stands) else stands
        unknown = stands.unknown if isinstance(stands, Stands) else ()
        key = (tuple(values.items()), unknown, tuple(look.items()))
        if kept in self._last and self._last[kept][0] == key:
            return self._last[kept][1]
        if not kept and key in self._steps:
            return self._steps[key]
        found = self._reads(values, unknown, look, weighed=bool(kept))
        if kept:
            self._last[kept] = (key, found)
        else:
            if len(self._steps) >= MOST_STEPS:
                self._steps.clear()
            self._steps[key] = found
        return found

    def _reads(
        self, values: Values, unknown: tuple[str, ...], look: Values, weighed: bool
    ) -> Reads:
        if unknown:
            return Reads(missing=unknown)
        whites = {n: p for n, p in values.items() if p.colour is None}
        whole = self.face.whole(whites)
        if whole is None or not values:
            return Reads(missing=tuple(map(english, self.face.sentences(values))))
        missing: list[str] = []
        made = exposure_of(self.profile, whole, missing)
        change = self.face.change(look, values)
        missing += self.face.turned(look, values)
        missing += self.face.without_white(whites)
        if whole.ratio is None:
            missing.append("no ratio: it needs a key and a fill that reach the mark")
        if whole.cct is None:
            missing.append("the mixed white is not known")
        return Reads(
            aperture=None if made is None else made.aperture,
            against_look=None if change is None else change.face,
            over=None if made is None else made.over,
            ratio=whole.ratio,
            cct=whole.cct,
            mired=None if change is None else change.mired,
            sure=self._known(whites, whole) if weighed else None,
            missing=tuple(english(text) for text in dict.fromkeys(missing)),
        )

    def _known(self, values: Values, whole: Whole) -> Known | None:
        return known(self.profile, values) if whole.lux > 0 else None


# ---- in words ----------------------------------------------------------------------------


def lines(reads: Reads) -> list[tuple[str, str, str]]:
    """What is said of the face: a name, the figure with its band, and what it is held against."""
    sure = reads.sure
    found = []
    if reads.aperture is not None:
        value = f_number(reads.aperture, None if sure is None else sure.aperture)
        against = []
        if reads.against_look is not None:
            against.append(_off(reads.against_look, say("as in the look"), _look))
        if reads.over is not None:
            against.append(_off(reads.over, say("as the camera is set"), _camera))
        found.append((say("face"), value, ", ".join(against)))
    elif reads.against_look is not None:
        found.append((say("face"), _off(reads.against_look, say("as in the look"), _look), ""))
    if reads.ratio is not None:
        band = None if sure is None else sure.ratio
        found.append((say("key to fill"), _ratio(reads.ratio) + _band(band), ""))
    if reads.cct is not None:
        band = None if sure is None else sure.white
        text = f"{reads.cct:.0f} K"
        if band is not None:
            nearest = rounded(reads.cct, band * reads.cct * reads.cct / 1e6)
            text = say("{white} K ± {band} mired", white=f"{nearest:.0f}", band=f"{band:.0f}")
        moved = "" if reads.mired is None else _white(reads.mired)
        found.append((say("white"), text, moved))
    return found


def briefly(reads: Reads, about: str) -> str:
    """What one step comes to, beside its button: `f/2.9, ratio 2.1:1`, or `4240 K`."""
    if about == "cct":
        return "" if reads.cct is None else say("then {what}", what=f"{reads.cct:.0f} K")
    parts = []
    if reads.aperture is not None:
        parts.append(f_number(reads.aperture, None, after=2))
    elif reads.against_look is not None:
        parts.append(say("face {stops}", stops=_signed(reads.against_look)))
    if reads.ratio is not None:
        parts.append(_ratio(reads.ratio))
    return say("then {what}", what=", ".join(parts)) if parts else ""


def f_number(aperture: float, band: float | None, after: int = 1) -> str:
    shown = aperture
    if band is not None:
        shown = rounded(aperture, within(band / 2.0, aperture))
    return f"f/{figure(shown, f'.{after}f')}{_band(band)}"


def _ratio(ratio: float) -> str:
    return f"{figure(ratio, '.2f' if ratio < 4 else '.1f')}:1"


def _band(stops: float | None) -> str:
    return "" if stops is None else " " + say("± {stops} stop", stops=figure(stops, ".1f"))


def _signed(stops: float) -> str:
    sign = "+" if stops >= 0 else "\N{MINUS SIGN}"
    return f"{sign}{figure(abs(stops), '.2f')}"


def _off(stops: float, same: str, said: Any) -> str:
    return same if abs(stops) < 0.005 else str(said(stops))


def _look(stops: float) -> str:
    off = figure(abs(stops), ".2f")
    if stops > 0:
        return say("{stops} stop above the look", stops=off)
    return say("{stops} stop below the look", stops=off)


def _camera(stops: float) -> str:
    off = figure(abs(stops), ".2f")
    return (
        say("{stops} stop over", stops=off) if stops > 0 else say("{stops} stop under", stops=off)
    )


def _white(moved: float) -> str:
    if abs(moved) < 0.5:
        return say("as in the look")
    off = f"{abs(moved):.0f}"
    return (
        say("{mired} mired warmer than the look", mired=off)
        if moved > 0
        else say("{mired} mired cooler than the look", mired=off)
    )

"""The face as it is by what the lamps report, as it will be when what was asked is confirmed, and
after one step more: figures with their bands, or why there are none.

What comes in is what a set shows of itself: whoever may write there may write nonsense, so every
number is looked at first. The three are never mixed: `as_is` takes reports alone (and, of what
cannot speak, what the look or a person says of it, by name), `as_asked` puts on top what was asked
and is not confirmed yet. What cannot speak and is known to have moved is not at its preset: it is
somewhere in the band that its watts or the picture leave, and so is every figure it has part in.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
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
# Of so many lamps that moved every corner of their bands is reckoned; of more nothing is said.
MOST_MOVED = 5

Json = Mapping[str, Any]
Values = dict[str, Preset]


@dataclass(frozen=True, slots=True)
class Stands:
    """What the lamps of the look are at. `by_look`: taken as the look has them, for they cannot
    say it; `unknown`: sentences about those of which nobody knows it.

    `moved`: they cannot say it, and are known to be elsewhere: what is known in words, and from
    where to where that is; `values` has the middle of it."""

    values: Values
    by_look: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    moved: Mapping[str, str] = field(default_factory=dict)
    spans: Mapping[str, tuple[Preset, Preset]] = field(default_factory=dict)

    def with_values(self, values: Values) -> Stands:
        """The same with other values: what was set anew is where it was set to."""
        kept = {n: s for n, s in self.spans.items() if values.get(n) == self.values[n]}
        return replace(self, values=values, spans=kept)

    def corners(self) -> Iterator[Values]:
        """Every way in which those that moved may stand at the ends of what is known of them."""
        names = list(self.spans)
        for ends in itertools.product(*(self.spans[name] for name in names)):
            yield {**self.values, **dict(zip(names, ends, strict=True))}


@dataclass(frozen=True, slots=True)
class Reads:
    """What the face gets: f-number, stops against the look and against the aperture that is set,
    ratio key over fill, white (K); each None where it is not to be had, and `missing` says why.

    `wide`: how far they may be off (stops, stops, mired) because of what moved by hand; None where
    nothing did."""

    aperture: float | None = None
    against_look: float | None = None
    over: float | None = None
    ratio: float | None = None
    cct: float | None = None
    mired: float | None = None
    sure: Known | None = None
    missing: tuple[str, ...] = ()
    wide: tuple[float, float, float] | None = None


def wanted(views: Mapping[str, Json]) -> Values:
    """The look in force as the set says it: `keep` may have changed it since it was read."""
    return {name: _preset(view["preset"]) for name, view in views.items() if view.get("preset")}


def as_is(profile: SetProfile, views: Mapping[str, Json], state: Json) -> Stands:
    """Every lamp of the look as it reports itself."""
    told = {str(one["device"]): one for one in words.entries(state.get("adjusting"))}
    values: Values = {}
    by_look: list[str] = []
    unknown: list[str] = []
    moved: dict[str, str] = {}
    spans: dict[str, tuple[Preset, Preset]] = {}
    for name, preset in wanted(views).items():
        device, view = profile.devices.get(name), views[name]
        if device is None or not device.fixture:
            continue
        mute = (
            device.speaks is None or not proof_words.can_speak(view) or "level" not in device.hears
        )
        if view.get("switch") is False or (view.get("online") is False and not mute):
            values[name] = replace(preset, level=0.0)
        elif mute and words.entries(view.get("drift")):
            span = _span(preset, view)
            if span is None:
                sentence = say("{name} moved, and nobody knows how far", name=words.clean(name, 40))
                unknown.append(sentence)
                continue
            low, high = span
            values[name] = low if low == high else _middle(low, high)
            moved[name] = _where(view)
            if low != high:
                spans[name] = span
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
    if len(spans) > MOST_MOVED:
        names = words.listed([words.clean(name, 40) for name in spans])
        unknown.append(say("too many moved to reckon with: {names}", names=names))
    return Stands(values, tuple(by_look), tuple(unknown), moved, spans)


def _bands(view: Json) -> dict[str, tuple[float, float, object]]:
    """What other instruments make of it, by point: of what drifted, what its drift says."""
    found: dict[str, tuple[float, float, object]] = {}
    gauged = view.get("gauged")
    for point, band in gauged.items() if isinstance(gauged, Mapping) else ():
        if isinstance(band, Mapping):
            low, high = words.number(band.get("low")), words.number(band.get("high"))
            if low is not None and high is not None and low <= high:
                found[str(point)] = (low, high, band.get("by"))
    for entry in words.entries(view.get("drift")):
        band = entry.get("band")
        if isinstance(band, list) and len(band) == 2:
            low, high = words.number(band[0]), words.number(band[1])
            if low is not None and high is not None and low <= high:
                found[str(entry.get("point"))] = (low, high, entry.get("by"))
    return found


def _span(preset: Preset, view: Json) -> tuple[Preset, Preset] | None:
    """From where to where a lamp may stand that moved and cannot say so; None: nobody knows."""
    bands = _bands(view)
    for entry in words.entries(view.get("drift")):
        point = entry.get("point")
        if point == "switch" and "switch" not in bands and entry.get("reported") is False:
            bands["switch"] = (0.0, 0.0, None)
        elif point not in bands:
            return None  # one of several, or silent: not where it is, only that it moved
    if "switch" in bands and bands["switch"][:2] == (0.0, 0.0):
        dark = replace(preset, level=0.0)
        return dark, dark
    low = high = preset
    if "level" in bands:
        least, most, _ = bands["level"]
        low, high = replace(low, level=max(0.0, least)), replace(high, level=min(100.0, most))
    if "cct" in bands:
        least, most, _ = bands["cct"]
        low = replace(low, cct=least, colour=None)
        high = replace(high, cct=most, colour=None)
    return low, high


def _middle(low: Preset, high: Preset) -> Preset:
    level = low.level if low.level is None or high.level is None else (low.level + high.level) / 2
    cct = low.cct if low.cct is None or high.cct is None else (low.cct + high.cct) / 2
    return replace(low, level=level, cct=cct)


def _where(view: Json) -> str:
    """`28 to 34 % by its watts`."""
    bands = _bands(view)
    points = ("switch",) if bands.get("switch", (1.0,))[0] == 0.0 else ("level", "cct")
    found = [proof_words.in_band(point, *bands[point]) for point in points if point in bands]
    return ", ".join(text for text in found if text) or say("off")


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
        spans = tuple(stands.spans.items()) if isinstance(stands, Stands) else ()
        key = (tuple(values.items()), unknown, tuple(look.items()), spans)
        if kept in self._last and self._last[kept][0] == key:
            return self._last[kept][1]
        if not kept and key in self._steps:
            return self._steps[key]
        found = self._reads(values, unknown, look, weighed=bool(kept))
        if spans and isinstance(stands, Stands):
            found = self._widened(found, stands)
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
        whites = _whites(values)
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

    def _widened(self, found: Reads, stands: Stands) -> Reads:
        """The same, with how far each figure may be off: every one is looked at at every corner.
        What is not to be had at each of them is not had at all."""
        face = ratio = white = 0.0
        lost: list[str] = []
        middle = self.face.whole(_whites(stands.values))
        for values in stands.corners():
            corner = self.face.whole(_whites(values))
            if middle is None or corner is None:
                continue  # what is missing was said
            face = max(face, _apart(middle.lux, corner.lux))
            if found.ratio is not None:
                ratio = max(ratio, _apart(found.ratio, corner.ratio or 0.0))
            if found.cct is not None:
                if corner.cct is None:
                    white = math.inf
                else:
                    white = max(white, abs(1e6 / corner.cct - 1e6 / found.cct))
        names = words.listed(list(stands.moved))
        if math.isinf(face):
            lost.append(say("the face is not known: {names} moved", names=names))
            found = replace(found, aperture=None, against_look=None, over=None)
        if math.isinf(ratio):
            lost.append(say("the ratio is not known: {names} moved", names=names))
            found = replace(found, ratio=None)
        if math.isinf(white):
            lost.append(say("the mixed white is not known"))
            found = replace(found, cct=None, mired=None)
        return replace(found, missing=(*found.missing, *lost), wide=(face, ratio, white))

    def _known(self, values: Values, whole: Whole) -> Known | None:
        return known(self.profile, values) if whole.lux > 0 else None


def _whites(values: Values) -> Values:
    return {n: p for n, p in values.items() if p.colour is None}


def _apart(one: float, other: float) -> float:
    """Stops between two; endless where one of them is nothing and the other is not."""
    if one == other:
        return 0.0
    return math.inf if one <= 0 or other <= 0 else abs(math.log2(one / other))


# ---- in words ----------------------------------------------------------------------------


def lines(reads: Reads) -> list[tuple[str, str, str]]:
    """What is said of the face: a name, the figure with its band, and what it is held against."""
    sure, wide = reads.sure, reads.wide or (0.0, 0.0, 0.0)
    found = []
    if reads.aperture is not None:
        value = f_number(reads.aperture, _with(None if sure is None else sure.aperture, wide[0]))
        against = []
        if reads.against_look is not None:
            against.append(_against_look(reads.against_look, wide[0]))
        if reads.over is not None:
            against.append(_off(reads.over, say("as the camera is set"), _camera))
        found.append((say("face"), value, ", ".join(against)))
    elif reads.against_look is not None:
        found.append((say("face"), _against_look(reads.against_look, wide[0]), ""))
    if reads.ratio is not None:
        band = _with(None if sure is None else sure.ratio, wide[1])
        found.append((say("key to fill"), _ratio(reads.ratio) + _band(band), ""))
    if reads.cct is not None:
        band = _with(None if sure is None else sure.white, wide[2])
        text = f"{reads.cct:.0f} K"
        if band is not None:
            nearest = rounded(reads.cct, band * reads.cct * reads.cct / 1e6)
            text = say("{white} K ± {band} mired", white=f"{nearest:.0f}", band=f"{band:.0f}")
        moved = "" if reads.mired is None else _white(reads.mired, wide[2])
        found.append((say("white"), text, moved))
    return found


def briefly(reads: Reads, about: str) -> str:
    """What one step comes to, beside its button: `f/2.9, ratio 2.1:1`, or `4240 K`. About that,
    where something moved by hand and is only known to be between two ends."""
    if about == "cct":
        if reads.cct is None:
            return ""
        return _then(f"{reads.cct:.0f} K", reads.wide is not None and reads.wide[2] >= 0.5)
    parts = []
    if reads.aperture is not None:
        parts.append(f_number(reads.aperture, None, after=2))
    elif reads.against_look is not None:
        parts.append(say("face {stops}", stops=_signed(reads.against_look)))
    if reads.ratio is not None:
        parts.append(_ratio(reads.ratio))
    unsure = reads.wide is not None and max(reads.wide[:2]) >= 0.005
    return _then(", ".join(parts), unsure) if parts else ""


def _then(what: str, unsure: bool) -> str:
    return say("then about {what}", what=what) if unsure else say("then {what}", what=what)


def _with(band: float | None, wide: float) -> float | None:
    """A band, and what a lamp that moved by hand adds to it."""
    if wide <= 0:
        return band
    return wide if band is None else band + wide


def _against_look(stops: float, wide: float) -> str:
    if wide < 0.005:
        return _off(stops, say("as in the look"), _look)
    by = say("± {stops} stop", stops=figure(wide, ".2f"))
    return f"{_look(stops)} {by}"


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


def _white(moved: float, wide: float) -> str:
    if wide >= 0.5:
        return _warmer(moved) + f" ± {wide:.0f}"
    return say("as in the look") if abs(moved) < 0.5 else _warmer(moved)


def _warmer(moved: float) -> str:
    off = f"{abs(moved):.0f}"
    return (
        say("{mired} mired warmer than the look", mired=off)
        if moved > 0
        else say("{mired} mired cooler than the look", mired=off)
    )

"""Drift in words: how far a device is off, and what that does to the picture. No I/O."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from studiobridge.craft.chroma import apart, name_of
from studiobridge.shown.proof_words import in_band
from studiobridge.shown.tongue import english, figure, say
from studiobridge.shown.words import (
    NOT_SEEN,
    Json,
    bridge_says,
    by_mired,
    chroma,
    clean,
    colour_name,
    duration,
    listed,
    names,
    number,
    ratio,
    signed,
    way_of,
    white_shift,
    yes_no,
)


def by_how_much(entry: Json) -> str:
    """How far off one drift entry is: `+0.32 stop`, `11 mired cooler`, `off`, `silent`."""
    point = entry.get("point")
    wanted, reported = entry.get("wanted"), entry.get("reported")
    if isinstance(reported, str) and point in ("level", "cct", "switch"):
        return bridge_says(reported, 160)  # as the record has what another instrument said
    maybe = names(entry.get("perhaps"))
    if maybe:
        why = bridge_says(entry.get("why") or entry.get("device"), 160)
        return say("perhaps: {why}", why=why)
    band = entry.get("band")
    if isinstance(band, Sequence) and not isinstance(band, str) and len(band) == 2:
        found = in_band(point, band[0], band[1], entry.get("by"))
        aim = number(wanted)
        if found and point != "switch" and aim is None:
            return found
        if found and point != "switch":
            unit = "K" if point == "cct" else "%"
            ours = f"{figure(aim or 0.0, '.4g')} {unit}"
            return say("{found}, not {wanted}", found=found, wanted=ours)
    if point == "level":
        stops, percent = number(entry.get("stops")), number(entry.get("percent"))
        if stops is not None:
            return say("{by} stop", by=signed(stops, 2))
        if number(reported) == 0:
            return say("dark", sense="a light")
        if number(wanted) == 0:
            return say("lit, meant to be dark")
        return f"{signed(percent, 1)} %" if percent is not None else say("level unknown")
    if chroma(wanted) is not None or chroma(reported) is not None:
        return _colour_off(wanted, reported)
    if point == "cct":
        mired = number(entry.get("mired"))
        if mired is None:
            return say("colour unknown")
        return by_mired(mired)
    silent = say("never heard") if entry.get("heard") == "never heard" else say("silent")
    if point == "switch":
        on, off = say("on, meant to be off"), say("off, meant to be on")
        return yes_no(reported, on, off, silent)
    if point == "online":
        return say("silent: it said that it leaves") if reported is False else silent
    return _plainly(point, wanted, reported)


def _plainly(point: object, wanted: object, reported: object) -> str:
    """What an entry says for which there are no words of its own: no more than stands in it."""
    if not isinstance(point, str) or not point:
        return say("moved, and nothing says how")
    what = clean(point, 20)
    is_, meant = clean(reported, 30), clean(wanted, 30)
    if reported is None and wanted is None:
        return say("{point} moved, and nothing says how", point=what)
    if reported is None:
        return say(
            "{point} should be {wanted}, and nothing says what it is", point=what, wanted=meant
        )
    if wanted is None:
        return say("{point} is {reported}", point=what, reported=is_)
    return say("{point} is {reported}, not {wanted}", point=what, reported=is_, wanted=meant)


def _colour_off(wanted: object, reported: object) -> str:
    """`greener than wanted by 0.020 Δu′v′`, `white at 4300 K instead of green`."""
    ours, theirs = chroma(wanted), chroma(reported)
    if ours is not None and theirs is not None and "white" not in name_of(theirs):
        much = figure(apart(ours, theirs), ".3f")
        way = way_of(ours, theirs)
        if not way:
            return say("off wanted by {much} Δu′v′", much=much)
        return say("{way} than wanted by {much} Δu′v′", way=way, much=much)
    is_, meant = _white_or_colour(reported), _white_or_colour(wanted)
    return say("{reported} instead of {wanted}", reported=is_, wanted=meant)


def _white_or_colour(value: object) -> str:
    found, kelvin = chroma(value), number(value)
    if found is not None:
        return colour_name(found)
    if kelvin is None:
        return say("colour unknown")
    return say("white at {kelvin} K", kelvin=f"{kelvin:.0f}")


def drifted(entries: object) -> str:
    """All drift of one device in one line: `+0.32 stop, 11 mired cooler`."""
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        return ""
    order = {"online": 0, "switch": 1, "level": 2, "cct": 3, "colour": 4}
    found = [entry for entry in entries if isinstance(entry, Mapping)]
    found.sort(key=lambda entry: order.get(str(entry.get("point")), 9))
    return ", ".join(by_how_much(entry) for entry in found)


def from_to(entry: Json) -> str:
    """`64 → 80 %`, `4300 → 4100 K`, `xy 0.300 0.600 → 0.290 0.550`; nothing for yes and no."""
    ours, theirs = chroma(entry.get("wanted")), chroma(entry.get("reported"))
    if ours is not None and theirs is not None:
        figures = [figure(part, ".3f") for part in (ours.x, ours.y, theirs.x, theirs.y)]
        return "xy {} {} → {} {}".format(*figures)
    wanted, reported = number(entry.get("wanted")), number(entry.get("reported"))
    if wanted is None or reported is None:
        return ""
    if entry.get("point") == "level":
        return f"{figure(wanted, '.4g')} → {figure(reported, '.4g')} %"
    if entry.get("point") == "cct":
        return f"{wanted:.0f} → {reported:.0f} K"
    return ""


def picture(value: object) -> str:
    """What a change does to the picture, to digits that no figure of its light has: a lamp that is
    not as its maker says is so before and after, and the change is true (`figures/sure.py`).

    `face +0.21 stop, ratio 2.0:1 → 2.5:1, 11 mired cooler`.

    Then the tint, where that moved: `Duv 0.0043 greener`. Empty where nothing is said about it.
    """
    if not isinstance(value, Mapping):
        return ""
    missing = value.get("missing")
    if missing:
        what = english(listed([str(text) for text in missing], 3))
        return say("picture not computed: {what}", what=what)
    if "face" not in value:
        return ""
    face = number(value.get("face"))
    parts = []
    if face is None:
        parts.append(say("face dark"))
    elif abs(face) >= NOT_SEEN["face"]:
        parts.append(say("face {by} stop", by=signed(face, 2)))
    before, after = ratio(value.get("ratio_wanted")), ratio(value.get("ratio"))
    if before != after:
        parts.append(say("ratio {before} → {after}", before=before, after=after))
    parts.extend(white_shift(number(value.get("mired")), number(value.get("duv"))))
    return ", ".join(parts) or say("face unchanged")


def drift_line(entries: Sequence[Json]) -> str:
    """All open drift of one device in one line, the picture's part of it in the middle.

    `key +0.32 stop (64 → 80 %), 11 mired cooler (4300 → 4514 K); face +0.21 stop, ratio 2.0:1 →
    2.5:1; for 12.0 s`
    """
    order = {"online": 0, "switch": 1, "level": 2, "cct": 3, "colour": 4}
    ordered = sorted(entries, key=lambda entry: order.get(str(entry.get("point")), 9))
    first = ordered[0]
    off = []
    for entry in ordered:
        by_band = entry.get("band") is not None
        change = "" if by_band else from_to(entry)
        off.append(by_how_much(entry) + (f" ({change})" if change else ""))
    parts = [f"{clean(first.get('device', '?'), 40)} {', '.join(off)}"]
    if names(first.get("perhaps")):
        # it names all it could be itself
        parts = [bridge_says(first.get("why") or first.get("device"), 200)]
    shown = picture(first.get("picture"))
    if shown:
        parts.append(shown)
    lasting = [found for entry in ordered if (found := number(entry.get("for_s"))) is not None]
    tail = [say("for {time}", time=duration(max(lasting)))] if lasting else []
    for entry in ordered:
        worst = None if entry.get("band") is not None else entry.get("worst")
        if isinstance(worst, Mapping) and worst.get("reported") != entry.get("reported"):
            was = by_how_much(
                {**entry, "reported": worst.get("reported"), "percent": None}
                | {"stops": worst.get("stops"), "mired": worst.get("mired")}
            )
            tail.append(say("at its worst {how}", how=was))
    if any(entry.get("contested") is True for entry in ordered):
        tail.append(say("contested: put back and changed again"))
    if tail:
        parts.append(", ".join(tail))
    return "; ".join(parts)


def drift_lines(entries: Sequence[Json], together: object = None) -> list[str]:
    """A line a device; one more for the picture where several have drifted, or none can be."""
    by_device: dict[str, list[Json]] = {}
    for entry in entries:
        by_device.setdefault(str(entry.get("device", "?")), []).append(entry)
    lines = [drift_line(own) for own in by_device.values()]
    whole = picture(together)
    if whole and (len(lines) > 1 or not any(picture(e.get("picture")) for e in entries)):
        lines.append(say("reckoned for the picture: {what}", what=whole))
    return lines

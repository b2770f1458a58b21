"""A look solved backwards, in words: what each wish comes to, and what stands in its way."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from studiobridge.craft.grid import mired
from studiobridge.figures.balance import Balanced, Setting
from studiobridge.figures.limits import Limit, Wish
from studiobridge.figures.whites import Whites
from studiobridge.profile.colours import preset_json
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.shown import words
from studiobridge.shown.lengths import Lengths

# Less than this (stops, mired) is as wanted: nobody sees it, and no dial is set to it.
RIGHT, RIGHT_MIRED = 0.05, 1.0
# From here on (stops) `check` doubts that a look does what it is for.
DOUBTFUL = 0.25
WHOSE = {"asked": "asked", "look": "what the look is for", "as it is": "as the look has it"}

Row = tuple[str, ...]


def setting_rows(settings: Iterable[Setting]) -> list[Row]:
    """A row a light: what it is set to, what it is to be set to, and what to say of it."""
    rows: list[Row] = []
    for one in settings:
        notes = []
        if one.held:
            notes.append(f"left: {one.held}")
        elif not one.changed:
            notes.append("stays")
        if one.needed:
            notes.append("was off, and is needed")
        if one.at_end:
            notes.append("all it gives" if one.at_end == "most" else "the least it gives")
        if one.watts is not None and one.changed:
            notes.append(f"turn until its plug says {one.watts:.1f} W")
        now = _preset(one.now) if one.changed else ""
        rows.append((one.device, _preset(one.was), now, "; ".join(notes)))
    return rows


def _preset(preset: Preset) -> str:
    return words.preset(preset_json(preset))


def wish_rows(profile: SetProfile, found: Balanced) -> list[Row]:
    """A row a wish: what was wanted, what there is, how far off, and whose wish it was."""
    rows: list[Row] = [
        (about(w), _amount(w, w.wanted, found), _amount(w, w.got, found), _off(w), WHOSE[w.by])
        for w in found.wishes
    ]
    white = found.white
    if white is not None:
        got = "not known" if white.got is None else f"{white.got:.0f} K"
        rows.append(("white", f"{white.wanted:.0f} K", got, _white_off(white), ""))
    return rows


def about(wish: Wish) -> str:
    names = {"face": "face", "ratio": "key to fill"}
    return names.get(wish.what) or words.clean(wish.device or wish.what, 40)


def _amount(wish: Wish, value: float, found: Balanced | None = None) -> str:
    if wish.what == "face":
        text = f"{value:.0f} lx{' on a dome' if wish.dome else ''}"
        if found is not None and found.aperture is not None:
            wanted, got = found.aperture
            text = f"f/{wanted if value == wish.wanted else got:.1f}, {text}"
        return text
    if wish.what == "ratio":
        return words.ratio(value)
    size, over = words.stops(abs(value)), value > 0
    if abs(value) < RIGHT:
        return "level with the key" if wish.what == "rim" else "level with a grey card"
    side = "over" if over else "under"
    return f"{size} {side} the key" if wish.what == "rim" else f"{size} {side} a grey card"


def _off(wish: Wish) -> str:
    if abs(wish.off) < RIGHT:
        return "right"
    kind = {"ratio": ("too much", "too little")}.get(wish.what, ("too bright", "too dark"))
    return f"{words.stops(abs(wish.off))} {kind[0] if wish.off > 0 else kind[1]}"


def _white_off(white: Whites) -> str:
    if white.off is None:
        return ""
    parts = []
    if abs(white.off) >= RIGHT_MIRED:
        side = "warmer" if white.off > 0 else "cooler"
        parts.append(f"{abs(white.off):.0f} mired {side}")
    if white.duv is not None and abs(white.duv) >= 0.0005:
        parts.append(f"Duv {white.duv:+.4f} is left")
    return ", ".join(parts) or "right"


def limit_lines(profile: SetProfile, found: Balanced) -> list[str]:
    """Which wish gave way, why, and the nearest that can be had."""
    return [_limit(profile, found, limit) for limit in found.limits]


def _limit(profile: SetProfile, found: Balanced, limit: Limit) -> str:
    wish, lengths = limit.wish, Lengths(profile.feet)
    names = words.listed(limit.lights)
    nearest = wish.nearest if wish.nearest is not None else wish.got
    said = f"{about(wish)}: {_amount(wish, wish.wanted)} cannot be had"
    can = _amount(wish, nearest)
    todo = [_ask_for(profile, found, wish, nearest)]
    if limit.why == "lit":
        first = words.clean(limit.lights[0], 40)
        others = words.listed(limit.lights[1:])
        lit = f"{first} alone throws {limit.lux or 0.0:.0f} lx on it"
        lit += f", and {others} more" if others else ""
        stands = "they stand" if others else f"{first} stands"
        return (
            f"{said}: {lit}; it cannot be darker than {can} while {stands} there: move the mark"
            f" forward, flag {first}, or {todo[0]}"
        )
    if limit.why == "others":
        if abs(wish.wanted - nearest) < RIGHT:  # it alone could be had
            # the wish itself is none too many: what is left of it is a step, or another wish's
            met = f"{about(wish)}: {_amount(wish, wish.wanted)} is met to {_amount(wish, wish.got)}"
            return f"{met}: no light has so fine a step, or it gave way to what counts more"
        return f"{said}: it gave way to the face and its ratio; {' or '.join(todo)}"
    end = "all they give" if len(limit.lights) > 1 else "all it gives"
    if limit.why == "least":
        end = "the least they give" if len(limit.lights) > 1 else "the least it gives"
    # what can be had is reckoned with the other of face and ratio as it is wanted
    ratio = next((w for w in found.wishes if w.what == "ratio" and w.missed), None)
    if wish.what == "face" and ratio is not None:
        can += f" at {_amount(ratio, ratio.wanted)}"
    face_first = any(other.wish.what == "face" and other.moves for other in found.limits)
    if limit.moves and face_first and wish.what == "ratio":
        todo.insert(0, "move them for the face first, and balance again")
    elif limit.moves:
        to = " and ".join(
            f"{words.clean(name, 40)} {'to' if there < here else 'out to'} {lengths.one(there)}"
            f" from the mark (now {lengths.one(here)})"
            for name, here, there in limit.moves
        )
        todo.insert(0, f"move {to}")
    elif wish.what == "backdrop":
        todo.insert(0, "light it with more" if wish.off < 0 else "take light off it")
    comes = "come" if len(limit.lights) > 1 else "comes"
    return f"{said}: {names} at {end} {comes} to {can}: {', or '.join(todo)}"


def _ask_for(profile: SetProfile, found: Balanced, wish: Wish, nearest: float) -> str:
    """The wish that can be had, as it is asked for."""
    if wish.what == "face":
        aperture, iso = found.aperture, profile.picture.iso
        if aperture is None or iso is None:
            return f"ask for --lux {nearest:.0f}"
        stop = aperture[0] * math.sqrt(nearest / wish.wanted)
        sensitivity = iso * wish.wanted / nearest
        return f"ask for --aperture f/{stop:.1f}, or set the camera to ISO {sensitivity:.0f}"
    if wish.what == "ratio":
        return f"ask for --ratio {nearest:.1f}:1"
    return f"ask for --{wish.what} {nearest:+.1f}"


def other_lines(found: Balanced) -> list[str]:
    """Evenness, whites that are fixed, what the mains say, and what was not counted."""
    lines = [
        f"{words.clean(name, 40)} in the picture, across its middle: even within"
        f" {words.stops(after)} ({before:.1f} as it stands)"
        for name, (before, after) in found.even.items()
    ]
    white = found.white
    if white is not None:
        if white.fixed:
            names, has = words.listed(white.fixed), "has" if len(white.fixed) == 1 else "have"
            lines.append(f"{names} {has} a white that cannot be told: left as it is")
        if white.at_end:
            names = words.listed(white.at_end)
            lines.append(f"{names} cannot be {white.wanted:.0f} K: as near as that goes")
        if white.kept:
            names = words.listed(white.kept)
            lines.append(f"{names}: another white on purpose, and not on the face: left as it is")
    lines += [f"OVER: {words.clean(text)}" for text in found.over]
    return lines


def wants_lines(
    wishes: Sequence[Wish], wanted: float | None = None, got: float | None = None
) -> list[tuple[str, str]]:
    """How far a look is from what it is for, a line; `wanted` and `got` are its white (K)."""
    parts = [
        f"{about(w)} {_off(w)} ({_amount(w, w.wanted)} wanted)"
        for w in wishes
        if abs(w.off) >= RIGHT
    ]
    if wanted is not None and got is not None:
        off = mired(got) - mired(wanted)
        if abs(off) >= RIGHT_MIRED:
            side = "warmer" if off > 0 else "cooler"
            parts.append(f"white {abs(off):.0f} mired {side} ({wanted:.0f} K wanted)")
    if parts:
        return [("meant", f"{'; '.join(parts)}: `studiobridge balance` says what to set")]
    return [("meant", "as the look wants it")] if wishes or wanted is not None else []


def far_off(wishes: Sequence[Wish]) -> list[str]:
    """What `check` says of a look that does not give what it is for."""
    return [
        f"{about(w)} is {_off(w)}: the look wants {_amount(w, w.wanted)} and gives"
        f" {_amount(w, w.got)}"
        for w in wishes
        if abs(w.off) > DOUBTFUL
    ]


def wish_json(wish: Wish) -> dict[str, Any]:
    return {
        "what": wish.what,
        "device": wish.device,
        "by": wish.by,
        # + 0.0: nothing is no less than nothing
        "wanted": round(wish.wanted, 4) + 0.0,
        "got": round(wish.got, 4) + 0.0,
        "off": round(wish.off, 4) + 0.0,
        "dome": wish.dome,
        "nearest": None if wish.nearest is None else round(wish.nearest, 4) + 0.0,
    }


def balance_json(found: Balanced) -> dict[str, Any]:
    """The shape of `balance --json`."""
    white = found.white
    return {
        "look": found.look,
        "lights": [
            {
                "device": s.device,
                "was": preset_json(s.was),
                "now": preset_json(s.now),
                "by_hand": s.by_hand,
                "watts": None if s.watts is None else round(s.watts, 2),
                "at_end": s.at_end or None,
                "held": s.held or None,
                "needed": s.needed,
            }
            for s in found.settings
        ],
        "wishes": [wish_json(wish) for wish in found.wishes],
        "limits": [
            {
                "what": limit.wish.what,
                "device": limit.wish.device,
                "why": limit.why,
                "lights": list(limit.lights),
                "moves": [
                    {"device": name, "now": round(here, 3), "to": round(there, 3)}
                    for name, here, there in limit.moves
                ],
                "lux": None if limit.lux is None else round(limit.lux, 1),
            }
            for limit in found.limits
        ],
        "aperture": None
        if found.aperture is None
        else {"wanted": round(found.aperture[0], 3), "got": round(found.aperture[1], 3)},
        "white": None
        if white is None
        else {
            "wanted": white.wanted,
            "got": None if white.got is None else round(white.got, 1),
            "off": None if white.off is None else round(white.off, 2) + 0.0,
            "duv": None if white.duv is None else round(white.duv, 5) + 0.0,
            "fixed": list(white.fixed),
            "at_end": list(white.at_end),
            "kept": list(white.kept),
        },
        "even": {
            name: {"was": round(before, 3), "now": round(after, 3)}
            for name, (before, after) in found.even.items()
        },
        "over": list(found.over),
        "missing": list(found.missing),
    }

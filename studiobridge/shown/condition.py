"""How a device stands, for drawings and rows alike: one condition, and its words. No I/O.

`condition` is what there is to say of it, as a code and a sentence; `tags` are the same in as few
words as there is room for, `spoken` for who does not see the drawing, `ways` which way it moved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from studiobridge.craft.chroma import on_screen
from studiobridge.profile.model import Device
from studiobridge.shown import drift_words, proof_words, step_words, words
from studiobridge.shown.paper import shade
from studiobridge.shown.tongue import figure, say

View = Mapping[str, Any]


def level_of(device: Device, view: View) -> float | None:
    """The level (%) a fixture shows: as reported, by hand as its preset, 0 where it is off."""
    if view.get("switch") is False or view.get("online") is False:
        return 0.0
    if device.hand_set:
        preset = view.get("preset")
        return words.number(preset.get("level")) if isinstance(preset, Mapping) else None
    if not device.speaks:
        return None
    return words.number(view.get("level"))


def cct_of(device: Device, view: View) -> float | None:
    preset = view.get("preset")
    if device.hand_set and isinstance(preset, Mapping):
        return words.number(preset.get("cct"))
    return words.number(view.get("cct"))


def fill_of(device: Device, view: View) -> str:
    """What a light or a cloth is drawn in: about its colour, else its white."""
    found = view.get("preset") if device.hand_set else view
    colour = words.chroma(found.get("colour")) if isinstance(found, Mapping) else None
    return shade(cct_of(device, view)) if colour is None else on_screen(colour)


@dataclass(frozen=True, slots=True)
class Condition:
    """How a device stands: a short code for drawing, and its words for a person."""

    code: str
    words: str


def condition(device: Device, view: View, sure: bool, up: bool) -> Condition:
    """What there is to say of one device. `sure`: bridge and broker are there to say it."""
    if not sure:
        return Condition("unsure", say("not confirmed now"))
    lockout = words.lockout(view.get("lockout"))
    if lockout:
        return Condition("locked", lockout)
    if view.get("adjusting") is True:
        # what it does differs from the look on purpose
        return Condition("adjusting", say("being adjusted"))
    moved = drift_words.drifted(view.get("drift"))
    if moved:
        return Condition("moved", moved)
    if view.get("step"):
        return Condition("busy", step_words.doing(str(view["step"])))
    evidence = proof_words.evidence(view)
    gauged = proof_words.gauged(view)
    if device.hand_set:
        text = say("on its dial, set by hand") if evidence == "hand" else say("on its dial")
        if up and evidence in ("watts", "picture", "sensor"):
            # the band names what it is known by: not said twice
            text = say("on its dial, as it should be")
            return Condition("hand", f"{text}, {gauged or proof_words.known_by(evidence)}")
        return Condition("hand", f"{text} ({gauged})" if gauged else text)
    if view.get("switch") is False:
        return Condition("off", say("off"))
    if up and evidence == "told" and not proof_words.can_speak(view):
        asked = words.preset(view.get("preset"))
        told = say(proof_words.ONLY_TOLD)
        if asked:
            told = say("only told {preset}: nothing confirms it", preset=asked)
        return Condition("told", f"{told} ({gauged})" if gauged else told)
    proven = say("as it should be")
    if evidence in proof_words.EVIDENCE and evidence != "report":
        proven += f", {proof_words.known_by(evidence)}"
    if not device.hears:
        if up and evidence:
            return Condition("set", proven)
        return Condition("plain", gauged if up and gauged else say("says nothing itself"))
    heard = proof_words.hearing(view)
    if view.get("online") is False:
        return Condition("off", say("off") if not up else proof_words.heard_said(heard))
    if heard in ("silent", "never heard"):
        return Condition("unsure", proof_words.heard_said(heard))
    if view.get("online") is None:
        return Condition("unsure", proof_words.heard_said("never heard"))
    if up and evidence in ("", "told"):
        return Condition("unsure", say("not confirmed yet"))
    return Condition("set", proven if up else say("on", sense="a switch"))


# The arrows on a lamp that moved, about their own middle; `other`: not along one of the two scales.
ARROWS = {
    "brighter": "M0 -4L4 3H-4Z",
    "darker": "M0 4L-4 -3H4Z",
    "warmer": "M-4 0L3 -4V4Z",
    "cooler": "M4 0L-3 4V-4Z",
    "other": "M0 -4L4 0L0 4L-4 0Z",
}


def ways(drift: object) -> list[str]:
    """Which ways a device moved, level before white: keys of ARROWS; none where it did not."""
    if not isinstance(drift, Sequence) or isinstance(drift, str):
        return []
    found = []
    for entry in drift:
        if not isinstance(entry, Mapping):
            continue
        wanted, reported = words.number(entry.get("wanted")), words.number(entry.get("reported"))
        by = None if wanted is None or reported is None else reported - wanted
        if entry.get("point") == "level":
            by = words.number(entry.get("stops")) or by
            found.append("other" if not by else "brighter" if by > 0 else "darker")
        elif entry.get("point") == "cct":
            mired = words.number(entry.get("mired"))
            by = -mired if mired else by
            found.append("other" if not by else "cooler" if by > 0 else "warmer")
        else:
            found.append("other")
    return sorted(set(found), key=list(ARROWS).index)


def way_words(way: str) -> str:
    """A way in a word."""
    return {
        "brighter": say("brighter"),
        "darker": say("darker"),
        "warmer": say("warmer"),
        "cooler": say("cooler"),
    }.get(way, "")


def _moved_tags(view: View, how: Condition) -> list[str]:
    """`+0.32 stop, warmer`, `+0.32 stop`: how far it moved, and which way else."""
    drift = [e for e in view.get("drift") or () if isinstance(e, Mapping)]
    found: list[str] = []
    level = next((e for e in drift if e.get("point") == "level"), None)
    white = next((e for e in drift if e.get("point") == "cct"), None)
    way = [w for w in ways([white] if white is not None else []) if w != "other"]
    stops = words.number(level.get("stops")) if level is not None else None
    mired = words.number(white.get("mired")) if white is not None else None
    if stops is not None:
        sign = "−" if stops < 0 else "+"
        by = say("{stops} stop", stops=sign + figure(abs(stops), ".2f"))
        if way:
            found.append(f"{by}, {way_words(way[0])}")
        found.append(by)
        brief = sign + figure(abs(stops), ".1f")
        found.extend((say("{stops} stop", stops=brief), brief))
    elif mired is not None and way and level is None:
        n = figure(abs(mired), ".0f")
        found.append(say("{way} {n} mired", way=way_words(way[0]), n=n))
        found.append(f"{way_words(way[0])} {n}")
        found.append(way_words(way[0]))
    first = how.words.split(",")[0]
    return found or [first]


def tags(device: Device, view: View, how: Condition) -> list[str]:
    """The words under a name in the drawing, the longest first: whichever has room."""
    if how.code == "moved":
        return _moved_tags(view, how)
    if how.code == "set" and device.fixture:
        level = words.number(view.get("level"))
        shown = f"{figure(level, '.3g')} %" if level is not None else ""
        colour = words.colour(view.get("colour"))
        white = words.number(view.get("cct"))
        more = colour or (f"{white:.0f} K" if white is not None and 0 < white < 1e5 else "")
        return [", ".join(filter(None, (shown, more))), shown or more]
    if device.kind == "camera" and view.get("rolling"):
        return [say("rolling")]
    if how.code == "adjusting" and device.fixture:
        level = words.number(view.get("level"))
        shown = f"{figure(level, '.3g')} %" if level is not None else ""
        return [say("being adjusted"), f"{shown} ±".strip(), "±"]
    if how.code == "locked" and (level_of(device, view) or view.get("switch") is True):
        # whoever works on it has to read that it is live before anything else
        return [say("ON, locked out"), say("ON")]
    short = {
        "locked": [say("locked out")],
        "busy": [how.words, "…"],
        "adjusting": [say("being adjusted"), "±"],
        "hand": [say("by hand")],
        "unsure": [say("not confirmed"), say("not sure"), "?"],
        "told": [say("only told"), say("told")],
        "off": [say("off")],
    }
    return [text for text in short.get(how.code, []) if text]


def spoken(device: Device, view: View, how: Condition) -> str:
    """A device in one sentence, for who does not see the drawing and for its row."""
    parts = [way_words(way) for way in ways(view.get("drift"))] if how.code == "moved" else []
    parts = [part for part in parts if part and part not in how.words]
    if how.code in ("set", "told", "locked", "busy", "adjusting") and device.fixture:
        level, white = words.level(view.get("level")), words.cct(view.get("cct"))
        parts += [level, words.colour(view.get("colour")) or white]
    if device.kind == "camera" and view.get("rolling"):
        parts.insert(0, say("rolling"))
    return ", ".join(filter(None, (*parts, how.words)))

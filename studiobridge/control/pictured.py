"""What differs in the camera's picture from the one that was kept, in figures and in words.

What is no light of the set: white, exposure, the backdrop, light from nowhere, where the camera
looks. Only what is surely past what is allowed counts: all of its band.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass

from studiobridge.profile.sighting import Band, Sighting

# How far the rest of the picture may be off where no profile says; also what `shown/seen*.py` call
# a difference. A band has to lie past it with all its width, so what only may be is none. Each is
# common practice, from memory, where no other reason stands.
# White (mired): a shift of about five is hard to see in a picture.
WHITE = 5.0
# Its tint (Duv): cuts beside each other show about so much of green.
TINT = 0.004
# The whole picture (stops): less is put right with any other grading.
WHOLE = 0.1
# The backdrop less even than it was (stops): half as much again as a picture's own error of 0.1.
EVEN = 0.15
# Light from nowhere (share of the face's): 0.04 stop. So much from a window was noticed 99 times in
# 100, in the rendered rooms by which it was set; elsewhere nobody knows.
STRAY = 0.03
# The camera (share of the picture's width): a hand's breadth of a room, seen in a cut.
MOVED = 0.01
# Fine detail lost (share): less is what somebody's place and a codec do.
SOFTER = 0.3
# What was seen holds for so many looks and so long (s) more: one may be lost, one may be hidden.
LOOKS_HOLD, MORE = 3.0, 5.0
# Figures of a look are shown so fine (digits behind the point).
DIGITS = 5
HINDERS: Mapping[str, str] = {
    "not learned": "no light has been seen alone yet: `witness learn`",
    "stale": "what was learned of the lights does not fit any more: `witness learn`",
    "auto exposure": "the camera's exposure is left on automatic",
    "auto white": "the camera's white is left on automatic",
    "moved": "the camera has moved",
    "standing still": "the camera's picture stands still",
    "too dark": "the picture is too dark to tell",
    "too bright": "the picture is too bright to tell",
    "hidden": "too much of the picture is hidden",
}


@dataclass(frozen=True, slots=True)
class Differs:
    """One thing that is not as in the kept picture: `by` how much in `unit`, and which `way`.

    `size`: in shares of what is allowed. `though`: the evidence that says it is as it should be.
    """

    device: str | None
    what: str
    way: str
    by: float
    unit: str
    size: float
    text: str
    low: float | None = None
    high: float | None = None
    though: str = ""

    def shown(self) -> dict[str, object]:
        ends = None if self.low is None or self.high is None else [self.low, self.high]
        return {
            "device": self.device,
            "what": self.what,
            "way": self.way,
            "by": round(self.by, 4),
            "unit": self.unit,
            "band": ends,
            "size": round(self.size, 2),
            "though": self.though or None,
            "text": self.text,
        }


def beside_the_lights(sighting: Sighting, of_this_look: bool) -> Iterator[Differs]:
    """What differs and is no light of the set; `of_this_look`: the kept picture is of it."""
    stray, white = sighting.stray, sighting.white
    if stray is not None and stray.share.low > STRAY:
        much = stray.share
        at = f" ({stray.where})" if stray.where else ""
        text = f"light from nowhere{at}: {100 * much.value:.0f} % of the face's"
        size = much.low / STRAY
        yield Differs(
            None, "stray", stray.where, much.value, "share", size, text, much.low, much.high
        )
    if not of_this_look:
        return
    if white is not None and (near := beyond(white.mired, WHITE)) is not None:
        way, by = "warmer" if near > 0 else "cooler", white.mired
        text = f"the white at the {white.at} is {abs(by.value):.0f} mired {way}"
        size = abs(near) / WHITE
        yield Differs(None, "white", way, by.value, "mired", size, text, by.low, by.high)
    if white is not None and (near := beyond(white.duv, TINT)) is not None:
        way, by = "greener" if near > 0 else "pinker", white.duv
        text = f"the white at the {white.at} is {way} by {abs(by.value):.4f} Duv"
        size = abs(near) / TINT
        yield Differs(None, "tint", way, by.value, "Duv", size, text, by.low, by.high)
    whole = sighting.exposure
    if whole is not None and (near := beyond(whole, WHOLE)) is not None:
        way = "brighter" if near > 0 else "darker"
        text = f"the whole picture is {abs(whole.value):.1f} stop {way} than its lights explain"
        size = abs(near) / WHOLE
        yield Differs(None, "exposure", way, whole.value, "stop", size, text, whole.low, whole.high)
    screen = sighting.screen
    if screen is not None and screen.change is not None and screen.change > EVEN:
        text = f"the backdrop is {screen.change:.1f} stop less even, worst {screen.worst}"
        size = screen.change / EVEN
        yield Differs(None, "screen", screen.worst, screen.change, "stop", size, text)
    framing = sighting.framing
    if framing is not None and framing.moved:
        way = _way(framing.right, framing.down)
        text = moved_text(framing.right, framing.down, framing.turn)
        size = max(1.0, framing.share / MOVED)
        yield Differs(None, "framing", way, framing.share, "share", size, text)
    if framing is not None and framing.softer is not None and framing.softer > SOFTER:
        text = f"it is softer: {100 * framing.softer:.0f} % of the fine detail is gone"
        size = framing.softer / SOFTER
        yield Differs(None, "focus", "softer", framing.softer, "share", size, text)


def beyond(band: Band, allowed: float) -> float | None:
    """The end of a band that is nearest to none, where all of it is past what is allowed."""
    if band.low > allowed:
        return band.low
    return band.high if band.high < -allowed else None


def moved_text(right: float, down: float, turn: float) -> str:
    """`the camera looks 14 px further left and 3 px further up, turned 1.2°`."""
    parts = []
    for by, more, less in ((right, "right", "left"), (down, "down", "up")):
        if abs(by) >= 0.5:
            parts.append(f"{abs(by):.0f} px further {more if by > 0 else less}")
    text = "the camera looks " + " and ".join(parts) if parts else "the camera has moved"
    return text + (f", turned {abs(turn):.1f}°" if abs(turn) >= 0.1 else "")


def _way(right: float, down: float) -> str:
    if abs(right) >= abs(down):
        return "right" if right > 0 else "left"
    return "down" if down > 0 else "up"


def plain(sighting: Sighting) -> dict[str, object]:
    """One look as plain data, for the state and for how a take stood."""
    found = _finer(asdict(sighting))
    assert isinstance(found, dict)
    return found


def _finer(value: object) -> object:
    if isinstance(value, float):
        return round(value, DIGITS) + 0.0
    if isinstance(value, dict):
        return {key: _finer(each) for key, each in value.items()}
    return [_finer(each) for each in value] if isinstance(value, list | tuple) else value

"""What the picture said at a moment of a take, as plain data a record keeps, and read again.

- A picture is of when its frame was taken: it is kept with its age, and where there is none of
  that moment, with why. It counts once the set stands (the run-up is over), of a frame taken after
  that and after the last change made from here, for as long as a look holds anywhere in this house.
- Only the last look counts, and of it what it may say under what hinders it: of a camera that has
  moved where it looks, and nothing of the light. What was seen before is not how it is now.
- A record may hold anything: what is no figure of a picture is not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from studiobridge.control.events import Sighted
from studiobridge.control.pictured import HINDERS, STRAY, plain
from studiobridge.control.sight import Sight
from studiobridge.control.standing import Standing
from studiobridge.profile.sighting import Band, Sighting

Json = Mapping[str, object]

# Why there is none.
NOBODY = "nobody has looked at the picture"
LEFT = "the witness had left"
OLD = "the picture was not looked at lately"
NO_CLOCK = "nobody knows when the picture was looked at"
NOT_UP = "the set did not stand in its look"
CHANGED_SINCE = "it was not looked at since the light was changed"
NOT_WRITTEN = "no picture was written down with it"
NOT_IN_IT = "it was not looked at in this take"
NO_LIGHTS = "it says nothing of the lights"

# A figure beyond this is none of a picture; so many lights and characters are read.
BEYOND = 1e5
MOST_LIGHTS, LONGEST = 200, 64


# ---- what is kept ------------------------------------------------------------------------------


def of_now(sight: Sight, standing: Standing, at: float) -> dict[str, object] | None:
    """The picture of now, or why there is none; None where the set has no witness."""
    if not sight.looks:
        return None
    if sight.heard is not None and not sight.heard.alive:
        return {"why": LEFT}
    if sight.last is None:
        return {"why": NOBODY}
    return of_look(sight.last, sight, standing, at)


def of_look(event: Sighted, sight: Sight, standing: Standing, at: float) -> dict[str, object]:
    """One look, as it counts at this moment, or why it does not."""
    taken, sighting = event.taken, event.sighting
    if taken is None:
        return {"why": NO_CLOCK}
    if not sight.fresh(event, at):
        return {"why": OLD}
    if standing.stands_since is None:
        return {"why": NOT_UP}
    oldest = taken if event.since is None else min(taken, event.since)
    if taken < standing.stands_since or oldest < sight.counts_from():
        return {"why": CHANGED_SINCE}
    moved = sighting.hinders == ("moved",) and sighting.framing is not None
    if not moved and sighting.hinders:
        return {"why": HINDERS.get(sighting.hinders[0], sighting.hinders[0])}
    if not moved and not sighting.lights:
        return {"why": NO_LIGHTS}
    return {
        "age_s": round(max(0.0, at - taken), 3),
        "oldest_s": round(max(0.0, at - oldest), 3),
        "sighting": kept_of(sighting),
    }


def kept_of(sighting: Sighting) -> dict[str, object]:
    """What of a look is kept. No time of a clock: the clock may be put before this is read."""
    found = plain(sighting)
    for key in ("run", "frame", "taken", "since", "age", "residual"):
        del found[key]
    if sighting.hinders:
        for key in ("stray", "screen", "white", "exposure", "clipped_face", "clipped_screen"):
            found[key] = None
        found["lights"] = {}
        return found
    lights = found["lights"]
    assert isinstance(lights, dict)
    found["lights"] = {
        name: {key: one[key] for key in ("amount", "stops", "tells")}
        for name, one in lights.items()
    }
    return found


# ---- read again --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Framed:
    """Where the camera looked against the kept picture."""

    right: float
    down: float
    turn: float
    zoom: float
    share: float


@dataclass(frozen=True, slots=True)
class Looked:
    """The figures of one picture; None: not known."""

    kept: tuple[str, str] | None = None
    learned: str | None = None
    stops: Mapping[str, Band] = field(default_factory=dict)
    amounts: Mapping[str, Band] = field(default_factory=dict)
    # lights of which too little is in the picture
    untold: frozenset[str] = frozenset()
    stray: Band | None = None
    even: Band | None = None
    worst: str = ""
    white_at: str = ""
    mired: Band | None = None
    duv: Band | None = None
    exposure: Band | None = None
    framed: Framed | None = None
    softer: float | None = None


def read(value: object) -> Looked | str:
    """What a record or a view has of a picture; else why there is none."""
    if not isinstance(value, Mapping):
        return NOT_WRITTEN
    seen = value.get("sighting")
    if not isinstance(seen, Mapping):
        why = value.get("why")
        return why if isinstance(why, str) and why else NOT_WRITTEN
    stops, amounts, untold = _lights(seen.get("lights"))
    screen, white, framing = (_part(seen, key) for key in ("screen", "white", "framing"))
    share = band(_part(seen, "stray").get("share"))
    if share is None and (stops or amounts):
        # none was noticed, and less than this may well be there
        share = Band(0.0, 0.0, STRAY)
    name, made = _text(seen.get("kept")), _text(seen.get("kept_at"))
    figures = {key: figure(framing.get(key)) for key in ("right", "down", "turn", "zoom", "share")}
    framed = None
    if all(one is not None for one in figures.values()):
        framed = Framed(**{key: one or 0.0 for key, one in figures.items()})
        framed = framed if 0.01 <= framed.zoom <= 100.0 and framed.share >= 0.0 else None
    softer = figure(framing.get("softer"))
    return Looked(
        (name, made) if name and made else None,
        _text(seen.get("learned")) or None,
        stops,
        amounts,
        untold,
        share,
        band(screen.get("even")),
        _text(screen.get("worst")),
        _text(white.get("at")),
        band(white.get("mired")),
        band(white.get("duv")),
        band(seen.get("exposure")),
        framed,
        softer if softer is not None and softer < 1.0 else None,
    )


def band(value: object) -> Band | None:
    """A band of a picture; None for anything else."""
    if not isinstance(value, Mapping):
        return None
    low, middle, high = (figure(value.get(key)) for key in ("low", "value", "high"))
    if low is None or middle is None or high is None or not low <= middle <= high:
        return None
    return Band(low, middle, high)


def figure(value: object) -> float | None:
    if type(value) is float:  # what nearly all are
        return value if -BEYOND <= value <= BEYOND else None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if -BEYOND <= value <= BEYOND else None


def _part(seen: Json, key: str) -> Json:
    found = seen.get(key)
    return found if isinstance(found, Mapping) else {}


def _text(value: object) -> str:
    return value if isinstance(value, str) and len(value) <= LONGEST else ""


def _lights(value: object) -> tuple[dict[str, Band], dict[str, Band], frozenset[str]]:
    stops: dict[str, Band] = {}
    amounts: dict[str, Band] = {}
    untold = set()
    for count, (name, one) in enumerate(value.items() if isinstance(value, Mapping) else ()):
        if count >= MOST_LIGHTS:
            break
        if not isinstance(name, str) or not isinstance(one, Mapping):
            continue
        if one.get("tells") is False:
            untold.add(name)
            continue
        against, amount = band(one.get("stops")), band(one.get("amount"))
        if against is not None:
            stops[name] = against
        if amount is not None:
            amounts[name] = amount
    return stops, amounts, frozenset(untold)

"""The camera's picture: what it says in sentences, and whether one can be asked for now.

The pictures themselves are no parts: one is taken when somebody looks (`picture.py`), and a part is
drawn whenever something is heard. A viewer reads the sentences and gets no picture, for a person
may be in it. What stands on a page is read later than it is drawn: sentences name the time of a
look, not its age, and `picture.js` marks them old by the bridge's clock.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from studiobridge.profile.model import SetProfile
from studiobridge.shown import seen, words
from studiobridge.shown.at_mark import Values, as_is
from studiobridge.shown.tongue import say

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}
# The witness gives no frame then, whatever is asked of it.
BLIND = ("no frames", "failed")


def screen_name(profile: SetProfile) -> str:
    """What the backdrop is called, where there is one only."""
    found = [d.name for d in profile.devices.values() if d.kind == "backdrop"]
    return found[0] if len(found) == 1 else ""


def about(board: Board) -> tuple[float, str, bool]:
    """How often a picture is looked at, what the backdrop is called, is there a face in it."""
    witness = board.profile.witness
    every = seen.EVERY if witness is None else witness.every
    return every, screen_name(board.profile), witness is None or witness.face is not None


def of_state(board: Board) -> object:
    """The latest look as the set says it; nothing where the set is not heard now."""
    state: View = board.visitor.shown.state or NOTHING
    return state.get("picture_seen") if board.visitor.sure else None


def looking(board: Board) -> bool:
    """Does all go as it should? Then the look itself says so, by its time."""
    alive = board.visitor.shown.witness or NOTHING
    goes = seen.goes(alive, board.profile.witness is not None)
    return goes.code == "so" and alive.get("what") == "looking"


def line(board: Board) -> str:
    """The line for another view, no longer than one; empty where nobody looks at a picture."""
    found = of_state(board)
    if board.profile.witness is None or found is None or seen.never_came(found):
        return ""  # the picture's own page says how one is had
    drift = words.entries(board.visitor.shown.drift)
    first = seen.as_kept(found, board.clock(), *about(board), by_time=True, drift=drift)
    if len(first.differs) > 1:
        what = say("{what}; something else differs too", what=first.differs[0])
        return say("by the picture, {what} ({when})", what=what, when=first.when)
    return first.text


def cannot_look(board: Board) -> str:
    """Why no picture can be had now; empty where one can be asked for."""
    if board.profile.witness is None:
        return seen.goes(None, has_witness=False).text
    if not board.visitor.up:
        return say("No way to the set: {why}.", why=words.bridge_says(board.visitor.why))
    alive = board.visitor.shown.witness
    goes = seen.goes(alive)
    if goes.code == "so" or (isinstance(alive, Mapping) and alive.get("alive") is True):
        return goes.text if (alive or NOTHING).get("what") in BLIND else ""
    return goes.text


def cannot_preview(board: Board) -> str:
    """Why no light can be seen before it is set; empty where it can."""
    why = cannot_look(board)
    if why:
        return why
    alive = board.visitor.shown.witness or NOTHING
    if not alive.get("learned") and alive.get("what") == "waiting":
        # it reads what was learned with its first look: that there is nothing is not known
        return say(seen.GOES["waiting"])
    if alive.get("what") == "not learned" or not alive.get("learned"):
        return say(seen.GOES["not learned"])
    found = seen.sighting(of_state(board))
    stands = [] if found is None else seen.hindrances(found)
    return stands[0] if stands else ""


def lights_of(values: Values) -> dict[str, dict[str, float]]:
    """Presets as a witness is asked for them: what has no level is on or it is not."""
    found = {}
    for name, preset in values.items():
        at = {"level": 100.0 if preset.level is None else float(preset.level)}
        if preset.cct is not None and preset.colour is None:
            at["cct"] = float(preset.cct)
        found[name] = at
    return found


def lights_now(board: Board) -> dict[str, dict[str, float]]:
    """Every lamp of the look as it reports itself."""
    views, state = board.visitor.shown.devices, board.visitor.shown.state or NOTHING
    return lights_of(as_is(board.profile, views, state).values)


def can_see(board: Board) -> dict[str, str]:
    """For the view at the mark: can a step be seen first, and of which lights as they are now."""
    state: View = board.visitor.shown.state or NOTHING
    why = say("the set is not up")
    if board.visitor.sure and state.get("state") in ("ready", "adrift"):
        why = cannot_preview(board)
    now = hashlib.sha256(json.dumps(lights_now(board)).encode()).hexdigest()[:12]
    return {"can-see": str(board.macros("parts_picture.html").can_see(why, now))}


def _lasts(board: Board) -> tuple[str, float]:
    """When the look was taken that the sentences are of, and how long (s) that is of now."""
    sighting = seen.sighting(of_state(board)) or NOTHING
    return seen.taken(sighting), seen.LOOKS_HOLD * about(board)[0] + seen.MORE


def parts(board: Board) -> dict[str, str]:
    profile, sure = board.profile, board.visitor.sure
    state: View = board.visitor.shown.state or NOTHING
    draw = board.macros("parts_picture.html")
    why = cannot_look(board)
    goes = seen.goes(board.visitor.shown.witness, profile.witness is not None)
    found = of_state(board)
    lines: list[str] = []
    drift = words.entries(board.visitor.shown.drift)
    first = seen.Said("unknown", say("nothing is confirmed now"))
    if sure:
        first = seen.as_kept(found, board.clock(), *about(board), by_time=True, drift=drift)
        lines = seen.sentences(found, board.clock(), *about(board), by_time=True)[1:]
    no_preview = cannot_preview(board)
    # why nothing was looked at is said by how it goes with the witness
    nothing = sure and goes.code != "so" and seen.sighting(found) is None
    has_look = profile.witness is not None and not nothing
    rolls = board.held() if sure else say("nothing is confirmed now")
    up = sure and state.get("state") in ("dark", "ready", "adrift", "stalled")
    return {
        "goes": str(draw.goes("" if looking(board) else goes.text, goes.code)),
        "look": str(draw.look(bool(why), "" if why == goes.text else why)),
        "seen": str(draw.seen(first, lines, has_look, *_lasts(board))),
        "looks-why": str(draw.looks_why(no_preview, goes.text.startswith(no_preview))),
        **{
            f"set-{name}": str(draw.set_look(name, state.get("look") == name, not up or rolls))
            for name in profile.looks
        },
    }

"""How it goes with what looks at the picture, by its own word, and what came of asking it."""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.shown.seen_look import Said
from studiobridge.shown.tongue import later, say
from studiobridge.shown.words import bridge_says

# How the witness itself goes: what its `alive` says.
GOES: Mapping[str, str] = {
    "looking": later("the picture is looked at"),
    "waiting": later("the picture is looked at when the set is up, or when asked"),
    "no frames": later("no frame of the camera comes in"),
    "not learned": later("the lamps have not been learned: run `studiobridge witness learn`"),
    "failed": later("what looks at the picture has failed"),
}


def goes(alive: object, has_witness: bool = True) -> Said:
    """How it goes with what looks at the picture, by its own word (`witness/alive`)."""
    if not has_witness:
        return Said(
            "unknown",
            say(
                "No picture is looked at: write `witness:` into the profile and run"
                " `studiobridge witness serve`."
            ),
        )
    if not isinstance(alive, Mapping) or alive.get("alive") is not True:
        return Said(
            "unknown",
            say("Nobody looks at the picture now: run `studiobridge witness serve`."),
        )
    what, why = str(alive.get("what")), alive.get("why")
    text = say(GOES[what]) if what in GOES else say("the picture is looked at")
    if isinstance(why, str) and why:
        text = say("{what} ({why})", what=text, why=bridge_says(why, 200))
    return Said("so" if what in ("looking", "waiting") else "unknown", text)


def picture_kept(kept: bool, text: str) -> str:
    """What came of keeping a picture with a look; the witness says itself for how long it stays."""
    said = bridge_says(text, 500)
    if not kept:
        return say("no picture of it was kept: {why}", why=said or "?")
    return said or say(
        "a picture of it was kept; it stays beside the profile until one is kept for it again"
    )

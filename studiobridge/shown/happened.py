"""What happened in a session, a sentence an entry of the record: for people, not for a log."""

from __future__ import annotations

import json
from typing import Any

from studiobridge.shown import before, drift_words, quieted, sensor_words, step_words, words
from studiobridge.shown.tongue import english, later, say
from studiobridge.shown.words import Json

# What is asked for, after the name of who asks: `Ana: bring the set up`.
ASKED = {
    "up": later("bring the set up"),
    "down": later("take the set down"),
    "toggle": later("bring the set up, or take it down"),
    "restore": later("put back what has moved"),
    "keep": later("keep it as it is now"),
    "save_look": later("keep the light as a look"),
    "cut": later("cut everything"),
    "lockout": later("lock it out"),
    "release": later("release the lockout"),
    "rolling_on": later("the camera rolls"),
    "rolling_off": later("the camera has stopped"),
    "rolling_toggle": later("the camera rolls, or has stopped"),
    "set_by_hand": later("it is set by hand"),
    "turning": later("turning its dial"),
    "try": later("try it"),
    "adjust": later("adjust it by a step"),
    "withdraw": later("take back what was asked"),
    "quiet_on": later("make it quiet"),
    "quiet_off": later("bring back what was made quiet"),
    "tick": later("tick it off"),
    "untick": later("take the tick off"),
    "mark": later("mark the take"),
    "match": later("go to how it stood in a take"),
}
RUNS = {
    ("up", "begun"): later("The set is brought up"),
    ("up", "done"): later("The set is up"),
    ("up", "stalled"): later("Bringing the set up stopped half way"),
    ("down", "begun"): later("The set is taken down"),
    ("down", "done"): later("The set is down"),
    ("down", "stalled"): later("Taking the set down stopped half way"),
    ("restore", "begun"): later("What has moved is put back"),
    ("restore", "done"): later("Putting back is over"),
    ("restore", "stalled"): later("Putting back stopped half way"),
    ("cut", "begun"): later("Everything is cut"),
    ("cut", "done"): later("Everything was told to go off"),
    ("cut", "stalled"): later("Not everything that was cut went off"),
    ("try", "begun"): later("A device is tried"),
    ("try", "done"): later("It was tried"),
    ("try", "stalled"): later("Trying it stopped half way"),
}
STATES = {
    "dark": later("The set is dark"),
    "ready": later("The set is ready"),
    "adrift": later("The set is adrift"),
    "stalled": later("The set is stalled"),
    "unheard": later("The gear has not been heard yet"),
}
CLOSED = {
    "returned": later("{device} is back by itself"),
    "restored": later("{device} was put back"),
    "kept": later("{device} is kept as it is"),
    "powered down": later("{device} went off before it was put back"),
    "changed look": later("{device}: another look was asked for before it was put back"),
}


def sentence(entry: Json) -> str:
    """One entry of a session. Empty where another one says it already."""
    made = _KINDS.get(str(entry.get("kind")))
    return made(entry) if made is not None else words.clean(entry.get("kind"), 40)


def _who(entry: Json) -> str:
    return words.clean(entry.get("by") or entry.get("source") or say("somebody"), 60)


def _because(text: str, entry: Json, key: str = "text") -> str:
    why = words.bridge_says(entry.get(key) or "", 300)
    return f"{text}: {why}" if why else text


def _request(entry: Json) -> str:
    phase, what = entry.get("phase"), str(entry.get("what"))
    wish = say(ASKED[what]) if what in ASKED else words.clean(what, 30)
    targets = words.names(_json(entry.get("targets")))
    if targets:
        wish += f" ({words.listed(targets)})"
    if entry.get("look"):
        wish += ", " + say("look {look}", look=words.clean(entry["look"], 64))
    if phase == "refused":
        return _because(say("{who} was refused: {wish}", who=_who(entry), wish=wish), entry)
    if phase == "taken":
        return f"{_who(entry)}: {wish}"
    # what became of it is said by its run, or by what changed
    return ""


def _run(entry: Json) -> str:
    what, phase = str(entry.get("what")), str(entry.get("phase"))
    if phase == "turned":
        return _because(say("It was broken off"), entry)
    known = RUNS.get((what, phase))
    text = say(known) if known is not None else words.clean(f"{what} {phase}", 60)
    if phase == "begun" and entry.get("look"):
        text += ", " + say("look {look}", look=words.clean(entry["look"], 64))
    # of what is put back the bridge says what is known: a dial, or a lamp nothing confirms, is not
    told = phase == "stalled" or (what, phase) == ("restore", "done")
    return _because(text, entry) if told else text


def _step(entry: Json) -> str:
    said = step_words.step_said(entry)
    if (
        step_words.phase_of(entry) not in ("confirmed", "waited out", "failed", "skipped")
        or not said
    ):
        return ""
    device = words.clean(entry.get("device"), 40)
    if step_words.phase_of(entry) == "failed":
        return say("{device} failed: {what}", device=device, what=said)
    return f"{device}: {said}"


def _drift(entry: Json) -> str:
    device, phase = words.clean(entry.get("device"), 40), entry.get("phase")
    if phase == "closed":
        how = CLOSED.get(str(entry.get("how")), later("{device} no longer counts as moved"))
        return say(how, device=device)
    off = drift_words.by_how_much(
        {
            **entry,
            "wanted": _json(entry.get("wanted")),
            "reported": _json(entry.get("reported")),
        }
    )
    if phase == "worse":
        return say("{device} has moved further: {how}", device=device, how=off)
    return say("{device} has moved: {how}", device=device, how=off)


def _fault(entry: Json) -> str:
    about = entry.get("device") or say("the set")
    text = words.bridge_says(entry.get("text"), 300)
    return say("Something is wrong with {what}: {text}", what=words.clean(about, 40), text=text)


def _lockout(entry: Json) -> str:
    target, by = words.clean(entry.get("target"), 40), words.clean(entry.get("by"), 60)
    if entry.get("phase") == "released":
        return say("{by} released the lockout of {target}", by=by, target=target)
    why = words.clean(entry.get("why"), 160)
    return say("{by} locked out {target}: {why}", by=by, target=target, why=why)


def _rolling(entry: Json) -> str:
    device = words.clean(entry.get("device"), 40)
    if entry.get("rolling"):
        return say("{device} rolls", device=device)
    return say("{device} has stopped", device=device)


def _by_hand(entry: Json) -> str:
    device, by = words.clean(entry.get("device"), 40), words.clean(entry.get("by"), 60)
    if entry.get("level") is None and entry.get("cct") is None:
        return say("{device} is no longer as set by hand: {by}", device=device, by=by)
    return say(
        "{by} set {device} by hand to {preset}",
        by=by,
        device=device,
        preset=words.preset({**entry, "colour": _json(entry.get("colour"))}),
    )


def _state(entry: Json) -> str:
    state = str(entry.get("state"))
    if state in ("rising", "lowering"):
        return ""  # its run says it
    text = say(STATES[state]) if state in STATES else english(words.clean(state, 30))
    return _because(text, entry, "why") if state == "stalled" else text


def _json(value: object) -> object:
    """A value as the record keeps it, in JSON; what is none stays what it is."""
    if not isinstance(value, str):
        return value
    try:
        found: object = json.loads(value)
    except ValueError:
        return value
    return found


_KINDS: dict[str, Any] = {
    "request": _request,
    "run": _run,
    "step": _step,
    "drift": _drift,
    "fault": _fault,
    "lockout": _lockout,
    "rolling": _rolling,
    "by hand": _by_hand,
    "light": sensor_words.light_note,
    "quiet": quieted.noted,
    "state": _state,
    "tick": before.noted,
    "before": before.noted,
}

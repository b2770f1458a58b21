"""What a step of a run does, what became of it, and what a run waits for, in words. No I/O."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from studiobridge.profile.said import FORMER_WORDS
from studiobridge.shown.tongue import english, later, say
from studiobridge.shown.words import (
    Json,
    about,
    bridge_says,
    clean,
    entries,
    listed_said,
    number,
)


@dataclass(frozen=True, slots=True)
class Action:
    """An action of a step: while it happens, once it is confirmed, and in a drawing."""

    doing: str
    done: str
    drawn: str
    label: str = ""  # on its bar, where there is room


ACTIONS = {
    "power on": Action(later("switching on", sense="step"), later("on", sense="step"), "mains on"),
    "wait for its report": Action(
        later("waiting for its report", sense="step"),
        later("reports", sense="step"),
        "waits for its report",
    ),
    "boots": Action(later("booting", sense="step"), later("booted", sense="step"), "boots"),
    "watts": Action(
        later("being metered", sense="step"), later("metered", sense="step"), "metered"
    ),
    "picture": Action(
        later("being looked for in the picture", sense="step"),
        later("seen", sense="step"),
        "seen",
    ),
    "switch on": Action(
        later("switching on", sense="step"), later("on", sense="step"), "switched on"
    ),
    "set": Action(
        later("fading", sense="step"), later("set", sense="step"), "fading to its preset"
    ),
    "fade out": Action(
        later("fading out", sense="step"), later("out", sense="step"), "fading out", "fades out"
    ),
    "cool down": Action(
        later("cooling down", sense="step"),
        later("cool", sense="step"),
        "cooling down",
        "cools down",
    ),
    "shut down": Action(
        later("shutting down", sense="step"),
        later("down", sense="step"),
        "shutting down",
        "shuts down",
    ),
    "switch off": Action(
        later("switching off", sense="step"), later("off", sense="step"), "switched off"
    ),
    "power off": Action(
        later("switching off", sense="step"), later("off", sense="step"), "mains off"
    ),
}


def action_of(step: Json) -> str:
    """What a step does. A bridge, or a record, from before has other words for it."""
    said = str(step.get("action"))
    return FORMER_WORDS.get(said, said)


def doing(action: str, value: str = "") -> str:
    action = FORMER_WORDS.get(action, action)
    words = (
        say(ACTIONS[action].doing, sense="step") if action in ACTIONS else english(clean(action))
    )
    return (
        say("{doing} to {value}", doing=words, value=value) if value and action == "set" else words
    )


def waits(state: Json, most: int = 2) -> str:
    """`waits for lesson-pc (booting)`, or `waits:` and the sentence of a camera; "" for nothing."""
    found = entries(state.get("waiting_for"))
    if not found:
        return ""
    said = [
        bridge_says(entry.get("why"), 200)
        if entry.get("what") == "roll"
        else f"{clean(entry['device'], 30)} ({doing(str(entry.get('what')))})"
        for entry in found
    ]
    what = listed_said(said, most)
    if found[0].get("what") == "roll":
        return say("waits: {what}", what=what)
    return say("waits for {what}", what=what)


def asked_about(state: Json) -> list[str]:
    """Cameras of which only a person can say whether they still roll, and a run waits for it."""
    return [
        str(entry["device"])
        for entry in entries(state.get("waiting_for"))
        if entry.get("what") == "roll" and entry.get("asks") is True
    ]


def done(action: str, value: str = "") -> str:
    if action == "set" and value:
        return value
    return say(ACTIONS[action].done, sense="step") if action in ACTIONS else english(clean(action))


# What ends by itself when its time is over: no device says that it has happened.
TIMED = ("boots", "cool down")
# One mark each, so that a time that ran out never looks like a report.
MARKS = {"confirmed": "✓", "waited out": "◌", "failed": "✗", "skipped": "✗"}


def phase_of(step: Json) -> str:
    """Where a step stands. A bridge from before calls a time that ran out confirmed."""
    phase = str(step.get("phase"))
    phase = FORMER_WORDS.get(phase, phase)
    if phase == "confirmed" and action_of(step) in TIMED:
        return "waited out"
    return phase


def waited(step: Json) -> str:
    """`waited 4 s`: how long a step was waited for that nothing can confirm."""
    began, ended = number(step.get("at_s")), number(step.get("until_s"))
    if began is None or ended is None or ended < began:
        return say("waited")
    if ended - began <= 0.5:
        return say("waited less than a second")
    return say("waited {time}", time=about(ended - began))


# How the reason of a step begins that only a person can do: nothing is told there.
BY_HAND = "close it by hand"


def left_to_a_hand(step: Json) -> bool:
    """A laptop that nothing can tell to shut down: it must not look as if it were told."""
    return action_of(step) == "shut down" and str(step.get("why")).startswith(BY_HAND)


def step_said(step: Json) -> str:
    """What a step is doing, or what became of it; empty while it waits for its turn."""
    phase, action, value = phase_of(step), action_of(step), str(step.get("value") or "")
    if phase == "sent":
        return say("yours to close") if left_to_a_hand(step) else doing(action, value)
    if phase == "confirmed":
        return done(action, value)
    if phase == "waited out":
        if not step.get("text"):
            return say("{waited}: nothing can confirm it", waited=waited(step))
        # it stands behind the device's name already
        return bridge_says(str(step["text"]).removeprefix(f"{step.get('device')} "), 200)
    if phase == "waiting":
        return ""
    if not step.get("text"):
        return say(clean(phase, 200), sense="phase")
    text = bridge_says(step["text"], 200)
    return say("skipped: {what}", what=text) if phase == "skipped" else text


# Where a step stands, by itself.
PHASES = (
    later("waiting", sense="phase"),
    later("sent", sense="phase"),
    later("confirmed", sense="phase"),
    later("waited out", sense="phase"),
    later("failed", sense="phase"),
    later("skipped", sense="phase"),
)


def skipped(steps: Sequence[Json]) -> list[str]:
    """What was skipped, a line for each reason: `skipped: rim, edge-left: no answer`."""
    why: dict[str, dict[str, None]] = {}
    for step in steps:
        if phase_of(step) == "skipped":
            device = clean(step.get("device", "?"), 40)
            why.setdefault(clean(step.get("text") or ""), {})[device] = None
    return [
        f"skipped: {', '.join(devices)}" + (f": {text}" if text else "")
        for text, devices in why.items()
    ]

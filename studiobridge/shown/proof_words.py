"""By what a device is known to be as asked, whether it speaks, and what is not proven. No I/O."""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.shown.tongue import english, figure, later, say, say_many
from studiobridge.shown.words import (
    Json,
    bridge_says,
    clean,
    entries,
    listed,
    moment,
    names,
    number,
    watts,
    yes_no,
)

# How a device is known to be as asked, in a word and in a sentence. `told` proves nothing.
EVIDENCE = {
    "report": ("report", later("by its report")),
    "watts": ("watts", later("by its watts")),
    "picture": ("picture", later("by the picture")),
    "sensor": ("sensor", later("by a light sensor")),
    "hand": ("by hand", later("by a person's word")),
}
ONLY_TOLD = later("only told: nothing confirms it")


def known_by(evidence: str) -> str:
    """`by its watts`; empty for what proves nothing."""
    return say(EVIDENCE[evidence][1]) if evidence in EVIDENCE else ""


def evidence(device: Json) -> str:
    """What proves that a device is as asked: a key of EVIDENCE, `told`, or empty for nothing.

    A bridge from before names none where it says `confirmed`: that was a report.
    """
    by = device.get("by")
    if by == "told":
        # what it reports instead is its drift: that it was told otherwise says nothing then
        return "" if device.get("drift") else "told"
    if device.get("confirmed") is not True:
        return ""
    if "by" not in device:
        return "report"
    return by if isinstance(by, str) and by in EVIDENCE else ""


# Does it speak: what is shown of a device instead of a guess whether it is there.
HEARING = ("answers", "silent", "never heard")
MUTE = "cannot speak"


def hearing(device: Json) -> str:
    """`answers`, `silent`, `never heard`, or that it cannot speak; empty where nobody says.

    A bridge from before only says whether it is online.
    """
    said = device.get("heard")
    if "heard" in device:
        return said if isinstance(said, str) and said in HEARING else MUTE
    return yes_no(device.get("online"), "answers", "silent", "")


HEARD = {
    "answers": later("answers"),
    "silent": later("silent"),
    "never heard": later("never heard"),
    MUTE: later("cannot speak"),
}


def heard_said(code: str) -> str:
    """What `hearing` found, in the language in force."""
    return say(HEARD[code]) if code in HEARD else code


def can_speak(device: Json) -> bool:
    return device.get("heard") in HEARING


def misheard(device: Json) -> list[str]:
    """What a device says that cannot be read, and what it never says though it speaks."""
    lines = [bridge_says(text, 200) for text in names(device.get("lacks"))]
    said = device.get("unreadable")
    if isinstance(said, Mapping):
        times = round(number(said.get("count")) or 1)
        last = moment(said.get("at"))
        how = say_many("{n} time, last {last}", "{n} times, last {last}", times, last=last)
        topic, why = clean(said.get("topic", "?"), 200), clean(said.get("why", "?"), 200)
        lines.append(
            say("`{topic}` cannot be read: {why} ({how})", topic=topic, why=english(why), how=how)
        )
    return lines


def gauged(device: Json) -> str:
    """`28 to 34 % by its watts`: what other instruments make of what a device cannot say."""
    bands = device.get("gauged")
    if not isinstance(bands, Mapping):
        return ""
    parts = []
    for point in ("switch", "level", "cct"):
        band = bands.get(point)
        if isinstance(band, Mapping) and (point != "switch" or "level" not in bands):
            parts.append(in_band(point, band.get("low"), band.get("high"), band.get("by")))
    return ", ".join(part for part in parts if part)


def in_band(point: object, low: object, high: object, by: object) -> str:
    """`28 to 34 % by its watts`, `on by its watts`; a band the whole range wide says nothing."""
    least, most = number(low), number(high)
    if least is None or most is None or not isinstance(by, str) or by not in EVIDENCE:
        return ""
    known = known_by(by)
    if point == "switch":
        if least != most:
            return ""
        return say("on {known}", known=known) if least else say("off {known}", known=known)
    if point == "level" and least <= 0 and most >= 100:
        return say("its level cannot be told {known}", known=known)
    unit = "K" if point == "cct" else "%"
    few = figure(least, ".0f" if least >= 10 or least == 0 else ".1f")
    many = figure(most, ".0f" if most >= 10 or most == 0 else ".1f")
    if few == many:
        return f"{few} {unit} {known}"
    return say("{few} to {many} {unit} {known}", few=few, many=many, unit=unit, known=known)


def proof(device: Json) -> str:
    """The tick of a device with its evidence; words without a tick for what was only told."""
    found = evidence(device)
    if found == "told":
        return "told, not confirmed" if can_speak(device) else "only told"
    if not found:
        return ""
    return f"✓ {EVIDENCE[found][0]}" if "by" in device else "✓"


def still_on(state: Json) -> list[str]:
    """What is believed on and should not be: its draw, since when, how it is known, and why."""
    lines = []
    for entry in entries(state.get("still_on")):
        parts = [clean(entry["device"], 40)]
        if number(entry.get("watts")):
            parts.append(watts(entry["watts"]))
        if isinstance(entry.get("since"), str):
            parts.append(say("since {time}", time=moment(entry["since"])))
        by = entry.get("by")
        if isinstance(by, str) and by in EVIDENCE:
            parts.append(known_by(by))
        said = clean(entry["why"], 160) if isinstance(entry.get("why"), str) else ""
        # that it says so itself is what "by its report" means
        why = f": {english(said)}" if said and not (said == "it says on" and by == "report") else ""
        lines.append(", ".join(parts) + why)
    return lines


def rolls(view: Json) -> str:
    """`rolls, by its watts`, or that nobody knows; empty for what is no camera."""
    if view.get("kind") != "camera":
        return ""
    by = view.get("rolling_by")
    known = known_by(by) if isinstance(by, str) else ""
    said = view.get("rolling")
    if said is True:
        return ", ".join(filter(None, (say("rolls"), known)))
    if said is False and (known or "rolling_by" not in view):
        return say("does not roll, {known}", known=known) if known else ""
    return say("not known whether it rolls")


def silent(state: Json) -> list[str]:
    """`silent: fill, since 20:14:05` for each that should speak; of one that never did, that."""
    lines = []
    for entry in entries(state.get("silent")):
        what = say("never heard") if entry.get("heard") == "never heard" else say("silent")
        parts = [f"{what}: {clean(entry['device'], 40)}"]
        if isinstance(entry.get("since"), str):
            parts.append(say("since {time}", time=moment(entry["since"])))
        lines.append(", ".join(parts))
    return lines


def unproven(state: Json) -> list[str]:
    """Sentences on what stands between what is shown and what is so."""
    lines = silent(state)
    told = names(state.get("only_told"))
    if told:
        lines.append(say("only told, nothing confirms it: {names}", names=listed(told)))
    slow = state.get("link_slow")
    if isinstance(slow, str) and slow:
        lines.append(bridge_says(slow, 200))
    lost = number(state.get("record_lost"))
    if lost:
        lines.append(
            say_many(
                "the record: {n} note was lost", "the record: {n} notes were lost", round(lost)
            )
        )
    return lines

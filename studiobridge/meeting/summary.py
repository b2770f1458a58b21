"""All that was heard as plain data, for a command to show and for `--json`."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from studiobridge.craft.chroma import Colour
from studiobridge.meeting.hearing import Hearing, Met
from studiobridge.meeting.met import Acquaintance, Half
from studiobridge.meeting.overheard import Change, Press, Topic
from studiobridge.profile.model import HearMap, Of, Scalar, Span, Words
from studiobridge.profile.plain import plain
from studiobridge.profile.shape import HearShape
from studiobridge.speech.encode import CannotRead, decoder


def summary_of(hearing: Hearing) -> dict[str, Any]:
    """Devices with their topics, values, guesses and reasons; presses; what was left out."""
    heard = hearing.overheard
    began = heard.now if heard.began is None else heard.began
    by_name = {met.acquaintance.name: met for met in hearing.met()}
    return {
        "heard_for_s": round(heard.now - began, 3),
        "messages": heard.messages,
        "topics": len(heard.topics),
        "left_out": heard.left_out,
        "devices": [
            device_of(one, by_name.get(one.name), heard.now)
            if one.homie is None
            else {**device_of(one, None, heard.now), "describes": hearing.described.points(one.at)}
            for one in hearing.acquaintances()
        ],
        "presses": [press_of(press, began) for press in hearing.presses()],
    }


def device_of(one: Acquaintance, met: Met | None, now: float) -> dict[str, Any]:
    """One device: what it is called, what it says, and what that seems to be."""
    said: dict[str, Any] = {
        "name": one.name,
        "at": one.at,
        "kind": one.kind,
        "homie": one.homie,
        "blanks": dict(one.blanks),
        "points": {},
        "topics": [],
        "missing": list(one.missing),
    }
    if met is None:
        return said
    for half in met.guessed.halves:
        sight = met.guessed.sights[half.point]
        spot = sight.own
        said["points"][half.point] = {
            "said": spot.last,
            "value": value_of(half, spot.last),
            "ground": half.ground,
            "why": half.why,
            "hear": dict(half.rule),
            "topic": sight.part.topic.name,
            "field": list(spot.place.route),
            "heard": spot.count,
            "changes": spot.changes,
            "kept": spot.kept > 0,
            "age_s": round(now - spot.last_at, 3),
            "changed_s": round(now - spot.turns[-1][0], 3),
        }
    said["topics"] = [topic_of(part.topic, now) for part in met.group.parts]
    return said


def value_of(half: Half, said: Scalar) -> bool | float | None:
    """What was said, as this half has it: yes or no, %, K, W, lx, °C, minutes. None where it
    cannot be read so."""
    try:
        shape = HearShape.model_validate(dict(half.rule))
        words = {key in ("on", "yes", "true"): spelt for key, spelt in (shape.words or {}).items()}
        rule = HearMap(
            shape.topic,
            words=Words(words[True][0], words[False][0], tuple(words[True]), tuple(words[False]))
            if words
            else None,
            span=Span(*shape.span) if shape.span else None,
            unit=shape.unit,
            of=Of(shape.of[0], shape.of[1], "mired" if shape.of[2] == "mired" else "kelvin")
            if shape.of
            else None,
            scale=shape.scale or 1.0,
        )
        found = decoder(half.point, rule)(said)
    except (CannotRead, ValidationError):
        return None
    if isinstance(found, bool):
        return found
    return None if isinstance(found, Colour) else round(found, 3)


def topic_of(topic: Topic, now: float) -> dict[str, Any]:
    """One topic: its last payload, how often it speaks, and whether the broker keeps it."""
    live = topic.count - topic.kept
    lasted = topic.last_at - topic.first_at
    return {
        "topic": topic.name,
        "payload": _shown(topic),
        "bytes": topic.size,
        "heard": topic.count,
        "kept": topic.kept > 0,
        "every_s": round(lasted / (topic.count - 1), 3) if live > 1 and lasted > 0 else None,
        "age_s": round(now - topic.last_at, 3),
        "changed": sorted(
            ".".join(map(str, place.route)) or "all of it"
            for place, spot in topic.mine.items()
            if spot.changes
        )[:20],
    }


def change_of(change: Change, began: float) -> dict[str, Any]:
    """One change; its time in s since the listening began."""
    return {
        "at_s": round(change.at - began, 3),
        "topic": change.topic,
        "field": list(change.field),
        "before": change.before,
        "after": change.after,
        "kept": change.kept,
    }


def press_of(press: Press, began: float) -> dict[str, Any]:
    """One press, and what it singled out."""
    return {
        "at_s": round(press.at - began, 3),
        "what": press.what,
        "answers": [
            {
                **change_of(answer.change, began),
                "odds": round(answer.odds, 3),
                "device": answer.device,
                "point": answer.point,
            }
            for answer in press.answers
        ],
    }


def _shown(topic: Topic) -> str:
    """A payload for a person: text as far as it is one."""
    text = topic.last.decode("utf-8", "replace")
    if topic.forms.get("bytes") and "\N{REPLACEMENT CHARACTER}" in text:
        return f"{topic.size} bytes that are no text"
    return plain(text)

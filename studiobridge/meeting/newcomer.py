"""A device that was met, as it is to stand in a profile that is there already."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from studiobridge.meeting.drafting import Question
from studiobridge.meeting.met import Acquaintance
from studiobridge.profile.adding import Newcomer
from studiobridge.profile.manners import BATTERY
from studiobridge.profile.model import HOMIE5, KINDS, POINTS, SetProfile


def questions_of(one: Acquaintance, profile: SetProfile) -> Iterable[Question]:
    """What has to be known of it besides what was met."""
    if one.kind is None:
        yield Question(
            "kind",
            f"What is {one.name}?",
            "The kind decides when it is switched and what it must say before it is ready.",
            None,
            KINDS,
        )
    plugs = [name for name, device in profile.devices.items() if device.kind == "plug"]
    yield Question(
        "fed_by",
        f"What does {one.name} hang on?",
        "A plug comes on before what it feeds, and is cut only after it.",
        None,
        (*profile.circuits, *plugs, BATTERY),
    )


def newcomer(
    one: Acquaintance, answers: Mapping[str, str], called: str = "", dialect: str = ""
) -> Newcomer:
    """The device, and its dialect. `called` and `dialect`: other names for the two."""
    device: dict[str, object] = {
        "kind": answers.get("kind") or one.kind or "",
        "fed_by": answers["fed_by"],
    }
    speaks = HOMIE5 if one.homie is not None else dialect or one.speaks
    if speaks:
        device["speaks"] = speaks
        device["at"] = one.homie or one.at
    if one.blanks:
        device["blanks"] = dict(one.blanks)
    device.update({key: value for key, value in one.measured.items() if key not in device})
    return Newcomer(called or one.name, device, dialect_of(one))


def dialect_of(one: Acquaintance) -> dict[str, object] | None:
    """What its halves come to; None where it needs no dialect."""
    if one.homie is not None or not (one.halves or one.ask):
        return None
    said: dict[str, object] = {}
    for point in POINTS:
        halves = {half.half: dict(half.rule) for half in one.halves if half.point == point}
        if halves:
            said[point] = halves
    if one.ask:
        said["ask"] = one.ask
    if one.together:
        said["together"] = "yes" if one.together is True else list(one.together)
    return said

"""The view at the mark: one light by small steps, with the face as it is and as it will be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

from studiobridge.control.stepping import NoStep, stepped
from studiobridge.panel.parts_below import dials, guides
from studiobridge.profile.model import Device, Point, SetProfile
from studiobridge.shown import words
from studiobridge.shown.at_mark import (
    AtMark,
    Stands,
    Values,
    as_asked,
    as_is,
    briefly,
    lines,
    wanted,
)
from studiobridge.shown.tongue import say

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}
UP = ("ready", "adrift")
# What a press asks for: a tenth of a stop, and five mired.
STEPS: tuple[tuple[Point, float], ...] = (
    ("level", -0.1),
    ("level", 0.1),
    ("cct", -5.0),
    ("cct", 5.0),
)
_figures: WeakKeyDictionary[Board, AtMark] = WeakKeyDictionary()


@dataclass(frozen=True, slots=True)
class Button:
    """One of the four: what it asks, what will be when it is confirmed, or why it cannot be."""

    label: str
    of: str
    step: str
    then: str
    why: str


@dataclass(frozen=True, slots=True)
class Lamp:
    """One lamp as it is picked and stepped. `asked`: not confirmed yet, in words."""

    name: str
    title: str
    short: str
    now: str
    asked: str
    by: str
    why: str
    failed: str
    buttons: tuple[Button, ...]
    differs: bool
    dial: bool


def lamps_of(profile: SetProfile) -> list[Device]:
    """What can be picked: every light and backdrop that any look has, dials too."""
    in_looks = {name for look in profile.looks.values() for name in look.presets}
    return [d for d in profile.devices.values() if d.fixture and d.name in in_looks]


def parts(board: Board) -> dict[str, str]:
    state: View = board.visitor.shown.state or NOTHING
    sure = board.visitor.sure
    draw = board.macros("parts_mark.html")
    views = board.visitor.shown.devices
    look = wanted(views)
    stands = as_is(board.profile, views, state)
    asked = as_asked(stands, state)
    figures = _figures.setdefault(board, AtMark(board.profile))
    up = sure and state.get("state") in UP
    now = figures.reads(stands, look, "now") if up else None
    will = None if asked is None else stands.with_values(asked)
    base = stands if will is None else will
    then = figures.reads(will, look, "asked") if up and will is not None else None
    all_guides, all_dials = {g.device: g for g in guides(board)}, dials(board)
    found = {
        "standing": str(draw.standing(board.state_words(), state, sure)),
        "rolling": str(draw.rolling(words.names(state.get("rolling")) if sure else [])),
        "figures": str(
            draw.figures(
                None if now is None else lines(now),
                None if then is None else lines(then),
                () if now is None else now.missing,
                stands.by_look if up else (),
                [f"{name} {where}" for name, where in stands.moved.items()] if up else (),
                _why_no_figures(board, state),
            )
        ),
    }
    picks = []
    for device in lamps_of(board.profile):
        name = device.name
        lamp = _lamp(board, device, state, stands, base, look, figures)
        picks.append(lamp)
        dial = next((one for one in all_dials if one["device"] == name), None)
        found[f"at-{name}"] = str(draw.lamp(lamp, dial, all_guides.get(name), sure))
    found["picks"] = str(draw.picks(picks))
    return found


def _why_no_figures(board: Board, state: View) -> str:
    if not board.visitor.sure:
        return say("nothing is confirmed now")
    if state.get("state") not in UP:
        return say("the set is not up")
    return ""


def why_not(board: Board, device: Device, state: View) -> str:
    """Why this lamp cannot be stepped now; empty where it may be asked."""
    if not board.visitor.sure:
        return say("nothing is confirmed now, and nothing can be asked")
    held = board.held()
    if held:
        return held
    if state.get("state") not in UP:
        return say("the set is not up")
    run = board.visitor.shown.latest_run or NOTHING
    if run.get("state") == "under way" and run.get("what") != "adjust":
        return say("something else is under way")
    view = board.view(device.name)
    lockout = words.lockout(view.get("lockout"))
    if lockout:
        return lockout
    if not view.get("preset"):
        return say("the look leaves it alone")
    return ""


def _lamp(
    board: Board,
    device: Device,
    state: View,
    stands: Stands,
    base: Stands,
    look: Values,
    figures: AtMark,
) -> Lamp:
    """`base`: how the lamps will stand when what was asked is confirmed: a step goes from there."""
    name, view = device.name, board.view(device.name)
    sure = board.visitor.sure
    title = device.title or ""
    why = why_not(board, device, state)
    if device.hand_set:
        # a dial cannot say so itself: its watts, or the picture, told that it was turned
        turned = sure and bool(view.get("drift"))
        return Lamp(
            name, title, "", words.preset(view.get("preset")), "", "", why, "", (), turned, True
        )
    one = next((e for e in words.entries(state.get("adjusting")) if e["device"] == name), NOTHING)
    under_way = one.get("under_way") is True and sure
    said = words.preset({"level": one.get("level"), "cct": one.get("cct")}) if under_way else ""
    now = words.preset(view) if sure else ""
    if sure and not now and name in stands.by_look:
        now = say("{preset}, as told", preset=words.preset(_json(stands.values[name])))
    if sure and not now:
        now = stands.moved.get(name, "")
    buttons = tuple(
        _button(device, view, name, point, by, base, look, figures, why, one)
        for point, by in STEPS
        if point in device.tells or point == "level"
    )
    preset = look.get(name)
    moved = bool(view.get("drift")) or bool(one)
    return Lamp(
        name,
        title,
        words.level(view.get("level")) if sure else "",
        now,
        said,
        words.clean(one.get("by") or "", 60),
        why,
        words.bridge_says(one.get("why") or "", 200) if sure else "",
        buttons,
        sure and preset is not None and moved,
        False,
    )


def _json(preset: Any) -> View:
    return {"level": preset.level, "cct": preset.cct}


def _button(
    device: Device,
    view: View,
    name: str,
    point: Point,
    by: float,
    base: Stands,
    look: Values,
    figures: AtMark,
    why: str,
    one: View,
) -> Button:
    if point == "level":
        label = say("darker") if by < 0 else say("brighter")
        of = say("1/10 stop")
        step = f"{by:+.1f} stop"
    else:
        label = say("cooler") if by < 0 else say("warmer")
        of = say("5 mired")
        step = f"{by:+.0f} mired"
    at, preset = base.values.get(name), look.get(name)
    value = None if at is None else getattr(at, point)
    then = ""
    if not why and preset is not None and getattr(preset, point) is None:
        why = say("the look says no white of it") if point == "cct" else say("no level in the look")
    elif not why and (value is None or (at is not None and at.colour and point == "cct")):
        why = say("it has not said how it stands")
    elif not why and view.get("switch") is False:
        why = say("it is not on")
    if not why and at is not None and value is not None:
        try:
            goal, _ = stepped(device, None, point, float(value), by)
        except NoStep:
            why = say("at its end")
        else:
            changed = replace(at, level=goal) if point == "level" else replace(at, cct=goal)
            after = base.with_values({**base.values, name: changed})
            then = briefly(figures.reads(after, look), point)
    end = one.get("at_end")
    if isinstance(end, Mapping) and isinstance(end.get(point), str) and not one.get("under_way"):
        # which end is said by the set itself, which knows the steps of the lamp
        ends = {"the least": -1, "the most": 1, "the coolest": -1, "the warmest": 1}
        if ends.get(str(end[point])) == (1 if by > 0 else -1):
            then, why = "", say("at its end")
    return Button(label, of, step, then, why)

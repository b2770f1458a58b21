"""A figure that would do nothing where it stands is refused, and one that does something is not.

The table is read off the code that uses each figure, kind by kind.
"""

from __future__ import annotations

import pytest

from studiobridge.profile import ProfileError, read_profile_text
from studiobridge.profile.model import KINDS
from studiobridge.profile.shape import DeviceShape
from studiobridge.profile.unused import USES

HEAD = """\
format: 1
set: kiln-shelf
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:
  any:
    switch: {tell: {topic: "{at}/in"}, hear: {topic: "{at}/out"}}
    ask: {topic: "{at}/ask"}
  mute:
    switch: {tell: {topic: "{at}/in/{n}"}, hear: {topic: "{at}/out/{n}"}}
devices:
"""
EVERY = set(KINDS)
FIXTURES = {"light", "backdrop"}
# figure -> an example of it, and the kinds for which it is used when they speak a dialect
TABLE: dict[str, tuple[str, set[str]]] = {
    "title": ("Something", EVERY),
    "after": ("[]", EVERY),
    "essential": ("no", EVERY),
    "stays_on": ("yes", EVERY),
    "fixed": ("yes", EVERY),
    "draws": ("5 W", EVERY),
    "inrush": ("2 A", EVERY),
    "rated": ("10 A", {"plug"}),
    "boots_in": ("2 s", EVERY),
    "answers_in": ("1 s", EVERY),
    "poll": ("20 s", EVERY),
    "silent_after": ("60 s", EVERY),
    "lead": ("{length: 3 m, section: 1.5 mm²}", EVERY),
    "fade": ("2 s", FIXTURES),
    "cools_in": ("20 s", FIXTURES),
    "forgets_level": ("yes", FIXTURES),
    "level": ("5..90 %", FIXTURES),
    "cct": ("2700..6500 K", FIXTURES),
    "dimmer": ("square", FIXTURES),
    "tolerance": ("{level: 0.2 stop, cct: 5 mired}", FIXTURES),
    "role": ("key", FIXTURES),
    "output": ("2400 lx at 1 m", FIXTURES),
    "beam": ("90 deg", FIXTURES),
    "restores": ("2", FIXTURES | {"plug"}),
    "residual": ("3 W", {"plug"}),
    "idle_below": ("4 W", {"computer"}),
    "shuts_in": ("30 s", {"computer"}),
    "closes_in": ("4 s", {"camera"}),
    "size": ("{width: 2 m, height: 2 m}", {"backdrop", "light"}),
    "glow": ("40 cd/m²", {"backdrop"}),
    "reflects": ("24 %", {"backdrop"}),
    "keys": ("green", {"backdrop"}),
    "dye": ("{hue: 130 deg, saturation: 70 %}", {"backdrop"}),
    "duv": ("0.003", {"backdrop", "light"}),
    "idle_for": ("5 s", set()),  # without `idle_below`
    "holds": ("50 Wh", set()),  # not on battery
    "properties": ("{level: dim}", set()),  # not by the convention
    "blanks": ("{n: 2}", set()),  # its dialect has none
    "flicker": ("3 %", set()),  # without `pwm`
    "pwm": ("2 kHz", FIXTURES | {"display"}),
    "done_below": ("4 W", set()),  # nothing meters it
}


def problems(entry: str) -> list[str]:
    try:
        read_profile_text(HEAD + f"  it: {{{entry}}}\n", "kiln.yaml")
    except ProfileError as error:
        return [str(problem) for problem in error.problems]
    return []


@pytest.mark.parametrize("field", TABLE)
def test_a_figure_is_refused_by_every_kind_it_does_nothing_for(field: str) -> None:
    value, used = TABLE[field]
    for kind in KINDS:
        said = problems(f"kind: {kind}, fed_by: wall, speaks: any, at: k, {field}: {value}")
        if kind in used:
            assert said == [], (kind, said)
        else:
            assert said, f"{field} on a {kind} passed"
            assert all(text.startswith("kiln.yaml:11:") for text in said), said
            assert any(field in text or "blank" in text for text in said), said


def test_every_figure_that_is_not_for_all_is_in_the_table() -> None:
    assert set(USES) - {"at", "meters"} <= set(TABLE)
    assert set(TABLE) <= set(DeviceShape.model_fields)


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ("kind: amp, fed_by: wall, at: k", "'at' does nothing for 'it': it is for a device that"),
        ("kind: amp, fed_by: wall, answers_in: 1 s", "'answers_in' does nothing for 'it'"),
        ("kind: plug, fed_by: wall, meters: yes", "'meters' does nothing for 'it'"),
        ("kind: plug, fed_by: wall, restores: 1", "plugs that speak are put back"),
        ("kind: plug, fed_by: wall, residual: 1 W", "'residual' does nothing for 'it'"),
        ("kind: light, fed_by: wall, cools_in: 9 s", "that speaks is seen to go out"),
        ("kind: plug, fed_by: wall, pwm: 2 kHz", "is a plug and has no 'pwm'"),
        ("kind: amp, fed_by: wall, silent_after: 9 s", "'silent_after' does nothing for 'it'"),
        ("kind: amp, fed_by: wall, blanks: {n: 1}", "'blanks' does nothing for 'it'"),
        ("kind: amp, fed_by: wall, properties: {}", "'properties' does nothing for 'it'"),
        ("kind: amp, fed_by: battery, inrush: 3 A", "'inrush' does nothing for 'it': on battery"),
        ("kind: plug, fed_by: wall, rated: 0 A", "read it off the plug, like 'rated: 10 A'"),
        (
            "kind: amp, fed_by: wall, speaks: any, at: k, tolerance: {colour: 0.01}",
            "'colour' does nothing for 'it'",
        ),
        ("kind: amp, fed_by: battery, lead: {length: 3 m, section: 1.5 mm²}", "hangs on no lead"),
        ("kind: plug, fed_by: wall, speaks: homie5, at: a/b, poll: 9 s", "it cannot be asked"),
        ("kind: plug, fed_by: wall, speaks: homie5, at: a/b, blanks: {n: 1}", "'blanks' does noth"),
        (
            "kind: plug, fed_by: wall, speaks: mute, at: k, blanks: {n: 1}, poll: 9 s",
            "its dialect cannot be asked; add 'ask:' to 'mute'",
        ),
        (
            "kind: amp, fed_by: wall, speaks: any, at: k, tolerance: {cct: 5 mired}",
            "'cct' does nothing for 'it': only a light or a backdrop has such a tolerance",
        ),
    ],
)
def test_what_depends_on_more_than_its_kind(entry: str, said: str) -> None:
    (text,) = problems(entry)
    assert said in text


@pytest.mark.parametrize(
    "entry",
    [
        "kind: computer, fed_by: wall, speaks: any, at: k, idle_below: 4 W, idle_for: 5 s",
        "kind: camera, fed_by: battery, holds: 50 Wh",
        "kind: light, fed_by: wall, pwm: 2 kHz, flicker: 3 %",
        "kind: display, fed_by: wall, pwm: 240 Hz, flicker: 30 %",
        "kind: plug, fed_by: wall, speaks: homie5, at: a/b, properties: {switch: on}",
        "kind: plug, fed_by: wall, speaks: mute, at: k, blanks: {n: 2}",
        "kind: amp, fed_by: wall, speaks: any, at: k, tolerance: {settle: 3 s}",
        "kind: camera, fed_by: wall, closes_in: 4 s",
    ],
)
def test_and_where_it_is_used_it_is_not_refused(entry: str) -> None:
    assert problems(entry) == []


def test_a_look_for_a_button_that_brings_nothing_up() -> None:
    text = HEAD + "  it: {kind: light, fed_by: wall}\nlooks: {day: {it: {level: 5 %}}}\n"
    text += "switches: {door: {topic: door, words: {hold: down}, look: day}}\n"
    with pytest.raises(ProfileError, match="'look' does nothing: no word of it asks for 'up'"):
        read_profile_text(text)
    read_profile_text(text.replace("hold: down", "press: toggle"))

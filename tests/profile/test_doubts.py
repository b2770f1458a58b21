"""What `check` says of gear that cannot say what the set would have to know before power goes."""

from __future__ import annotations

import pytest

from studiobridge.cli.doubts import about_gear, about_watts
from studiobridge.profile import read_profile_text

FILE = """\
format: 1
set: kiln-shelf
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:
  relay:
    switch: {tell: {topic: "{at}/in", words: {on: "1", off: "0"}}, hear: {topic: "{at}/out", words: {on: "1", off: "0"}}}
    ask: {topic: "{at}/ask"}
  meter:
    switch: {tell: {topic: "{at}/in", words: {on: "1", off: "0"}}, hear: {topic: "{at}/out", words: {on: "1", off: "0"}}}
    watts: {hear: {topic: "{at}/watts"}}
    ask: {topic: "{at}/ask"}
  body:
    rolling: {hear: {topic: "{at}/rec", words: {yes: "1", no: "0"}}}
    ask: {topic: "{at}/ask"}
  agent:
    shut_down: {tell: {topic: "{at}/halt", payload: now}}
    down: {hear: {topic: "{at}/down", words: {yes: "1", no: "0"}}}
    ask: {topic: "{at}/ask"}
  deaf:
    shut_down: {tell: {topic: "{at}/halt", payload: now}}
    online: {hear: {topic: "{at}/on", words: {yes: "1", no: "0"}}}
    ask: {topic: "{at}/ask"}
devices:
  plain: {kind: plug, fed_by: wall, speaks: relay, at: p}
  metered: {kind: plug, fed_by: wall, speaks: meter, at: m}
  strip: {kind: plug, fed_by: wall}
  below: {kind: plug, fed_by: metered}
"""
OWN = "  own: {kind: plug, fed_by: wall, speaks: meter, at: o}\n"


def doubts(line: str) -> list[str]:
    text = f"{FILE}  {line}\n{OWN if 'fed_by: own' in line else ''}"
    return [str(p) for p in about_gear(read_profile_text(text, "kiln.yaml"))]


@pytest.mark.parametrize("feed", ["plain", "metered"])
def test_a_camera_that_cannot_say_it_rolls_and_loses_its_mains(feed: str) -> None:
    (said,) = doubts(f"eye: {{kind: camera, fed_by: {feed}, closes_in: 4 s}}")
    assert said.startswith("kiln.yaml:28:3: 'eye' cannot say that it rolls")
    assert f"a run-down asks a person before '{feed}' is switched off" in said
    assert "down --not-rolling" in said
    assert "rolling on" in said


@pytest.mark.parametrize("feed", ["battery", "strip", "wall"])
def test_a_camera_that_keeps_its_power_may_still_see_a_light_change(feed: str) -> None:
    (said,) = doubts(f"eye: {{kind: camera, fed_by: {feed}}}")
    assert "'eye' cannot say that it rolls" in said
    assert "switched off" not in said
    assert "a run-down asks a person before it begins" in said
    assert "lights may be changed during a take" in said


def test_a_camera_with_a_switch_of_its_own() -> None:
    (said,) = doubts("eye: {kind: camera, fed_by: wall, speaks: relay, at: c}")
    assert "a run-down asks a person before 'eye' is switched off" in said


@pytest.mark.parametrize("speaks", ["body", "homie5"])
def test_a_camera_that_says_it_rolls_is_no_doubt(speaks: str) -> None:
    assert doubts(f"eye: {{kind: camera, fed_by: plain, speaks: {speaks}, at: cam/body}}") == []


@pytest.mark.parametrize(
    "line",
    [
        "eye: {kind: camera, fed_by: metered, rolls: {by: watts, from: 8.5 W}}",
        # whoever wrote that knows it
        "eye: {kind: camera, fed_by: plain, rolls: {by: hand}}",
    ],
)
def test_a_camera_of_which_the_profile_says_how_it_is_known(line: str) -> None:
    assert doubts(line.replace("metered", "own") if "watts" in line else line) == []


def test_a_light_that_a_person_has_to_see_to_is_said() -> None:
    """Behind `looks:` of its own: nothing of the kind is in FILE."""
    looks = "looks: {day: {rim: {level: 30 %}}}\n"
    for how, means in (("dark", "stays dark when its mains come"), ("full", "comes on at full")):
        line = f"  rim: {{kind: light, fed_by: plain, comes_back: {how}}}\n"
        (said,) = about_gear(read_profile_text(FILE + line + looks, "kiln.yaml"))
        assert (said.line, said.column) == (28, line.index("comes_back") + 1)
        assert means in said.what
    line = "  rim: {kind: light, fed_by: plain, comes_back: last}\n"
    assert about_gear(read_profile_text(FILE + line + looks)) == []


@pytest.mark.parametrize(
    "line",
    [
        "pc: {kind: computer, fed_by: plain}",
        "pc: {kind: computer, fed_by: plain, speaks: deaf, at: pc}",
        "pc: {kind: computer, fed_by: plain, speaks: relay, at: pc}",
        # idle by whose watts? nothing meters it
        "pc: {kind: computer, fed_by: plain, idle_below: 4 W}",
    ],
)
def test_a_computer_that_cannot_say_it_is_down_behind_a_plug(line: str) -> None:
    (said,) = doubts(line)
    assert said.startswith("kiln.yaml:28:3: 'pc' cannot say that it is down")
    assert "a run-down stops before 'p" in said
    assert "a laptop says 'own_battery: yes'" in said
    assert "charger" not in said


@pytest.mark.parametrize(
    "line",
    [
        "pc: {kind: computer, fed_by: plain, speaks: agent, at: pc}",
        "pc: {kind: computer, fed_by: plain, speaks: homie5, at: pc/os}",
        "pc: {kind: computer, fed_by: metered, idle_below: 4 W}",
        "pc: {kind: computer, fed_by: below, idle_below: 4 W}",
        "pc: {kind: computer, fed_by: plain, speaks: meter, at: pc, idle_below: 4 W}",
        # it runs on
        "pc: {kind: computer, fed_by: plain, own_battery: yes}",
        # nothing switches its mains
        "pc: {kind: computer, fed_by: battery}",
        "pc: {kind: computer, fed_by: wall}",
        "pc: {kind: computer, fed_by: strip}",
    ],
)
def test_a_computer_that_is_cut_safely_or_never(line: str) -> None:
    assert doubts(line) == []


def test_every_one_of_them_is_named() -> None:
    text = FILE + "  a: {kind: camera, fed_by: plain}\n  b: {kind: camera, fed_by: wall}\n"
    text += "  c: {kind: computer, fed_by: plain}\n"
    said = [p.what.split("'")[1] for p in about_gear(read_profile_text(text))]
    assert said == ["a", "b", "c"]


TABLE = "draws_at: {0 %: 0.7 W, 20 %: 9 W, 50 %: 22 W, 100 %: 45 W}"
DAY = "looks: {day: {rim: {level: 60 %}}}\n"


def by_watts(tolerance: str, more: str = "", table: str = TABLE) -> list[str]:
    rim = f"  rim: {{kind: light, fed_by: metered, {table}, proof: watts{tolerance}}}\n"
    return [str(p) for p in about_watts(read_profile_text(FILE + rim + more + DAY, "kiln.yaml"))]


def test_a_tolerance_that_watts_cannot_tell_is_said_with_one_that_they_can() -> None:
    (said,) = by_watts("")
    assert "at 60 % the watts tell 'rim' no nearer than 56 to 65 %" in said
    assert "its tolerance of 0.1 stop is 56 to 64 %: it would never be ready" in said
    assert "'tolerance: {level: 0.3 stop}'" in said
    assert by_watts(", tolerance: {level: 0.3 stop}") == []
    # a lamp of which only its rating is known is told far less
    assert "0.6 stop" in by_watts(", tolerance: {level: 0.3 stop}", table="draws: 45 W")[0]
    assert by_watts(", tolerance: {level: 0.6 stop}", table="draws: 45 W") == []


def test_two_lamps_on_one_plug_are_one_sum() -> None:
    other = "  hair: {kind: light, fed_by: metered, draws: 20 W}\n"
    (said,) = by_watts(", tolerance: {level: 0.3 stop}", other)
    assert "the watts of 'rim' and of hair are one sum on 'metered'; give each lamp a plug" in said

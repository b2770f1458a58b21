"""What no report tells of a device, and what a profile may say of it."""

from __future__ import annotations

import pytest

from studiobridge.profile import ProfileError, read_profile_text

FILE = """\
format: 1
set: kiln-shelf
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:
  relay: {switch: {tell: {topic: "{at}/in"}, hear: {topic: "{at}/out"}}, ask: {topic: "{at}/ask"}}
  meter: {switch: {tell: {topic: "{at}/in"}, hear: {topic: "{at}/out"}}, watts: {hear: {topic: "{at}/w"}}, ask: {topic: "{at}/a"}}
  body: {rolling: {hear: {topic: "{at}/rec", words: {yes: "1", no: "0"}}}, ask: {topic: "{at}/ask"}}
devices:
  plain: {kind: plug, fed_by: wall, speaks: relay, at: p}
  alone: {kind: plug, fed_by: wall, speaks: meter, at: a}
  shared: {kind: plug, fed_by: wall, speaks: meter, at: s}
  strip: {kind: plug, fed_by: alone}
  lamp: {kind: light, fed_by: shared}
"""


def wrong(line: str) -> str:
    with pytest.raises(ProfileError) as found:
        read_profile_text(f"{FILE}  {line}\n", "kiln.yaml")
    (problem,) = found.value.problems
    return str(problem)


def read(line: str):  # type: ignore[no-untyped-def]
    return read_profile_text(f"{FILE}  {line}\n", "kiln.yaml")


@pytest.mark.parametrize(
    ("line", "at", "says"),
    [
        ("eye: {kind: camera, fed_by: shared, rolls: {by: watts, from: 8.5 W}}", "watts,", "'shared' meters lamp too"),
        ("eye: {kind: camera, fed_by: plain, rolls: {by: watts, from: 8.5 W}}", "watts,", "nothing meters 'eye'"),
        ("eye: {kind: camera, fed_by: battery, rolls: {by: watts, from: 8 W}}", "watts,", "nothing meters 'eye'"),
        ("eye: {kind: camera, fed_by: alone, rolls: {by: watts}}", "rolls:", "from how many watts"),
        ("eye: {kind: camera, fed_by: alone, rolls: {by: watts, from: 0 W}}", "rolls:", "from how many watts"),
        ("eye: {kind: camera, fed_by: alone, rolls: {by: hand, from: 8 W}}", "from:", "'from' says nothing"),
        ("eye: {kind: camera, fed_by: alone, rolls: {by: report}}", "report}", "hears no 'rolling'"),
        ("tv: {kind: display, fed_by: alone, rolls: {by: hand}}", "rolls:", "only a camera rolls"),
        ("cells: {kind: charger, fed_by: shared, done_below: 4 W}", "4 W", "'shared' meters lamp too"),
        ("cells: {kind: charger, fed_by: plain, done_below: 4 W}", "4 W", "nothing meters 'cells'"),
        ("cells: {kind: charger, fed_by: battery, done_below: 4 W}", "4 W", "nothing meters 'cells'"),
        ("cells: {kind: charger, fed_by: alone, done_below: 0 W}", "0 W", "would never be done"),
        ("cells: {kind: charger, fed_by: alone, done_below: 4 W, draws: 3 W}", "4 W", "always is"),
        ("tv: {kind: display, fed_by: alone, done_below: 4 W}", "done_below", "only a charger"),
        ("tv: {kind: display, fed_by: alone, own_battery: yes}", "own_battery", "only a computer"),
        ("pc: {kind: computer, fed_by: battery, own_battery: yes}", "own_battery", "fed by its battery already"),
        ("pc: {kind: computer, fed_by: alone, own_battery: yes, idle_below: 4 W}", "idle_below", "says nothing of whether it runs"),
        ("tv: {kind: display, fed_by: alone, comes_back: full}", "comes_back", "only lights, backdrops and plugs"),
        ("spare: {kind: plug, fed_by: wall, comes_back: dark}", "dark", "comes back as it was last, or stays off"),
        ("rim: {kind: light, fed_by: alone, comes_back: off}", "off}", "only a plug stays off"),
        ("rim: {kind: light, fed_by: alone, comes_back: bright}", "bright", "'bright' is not one of"),
        ("rim: {kind: light, fed_by: alone, forgets_level: yes, comes_back: dark}", "forgets_level", "forgets its level and comes back 'dark'"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said_with_its_place(line: str, at: str, says: str) -> None:
    said = wrong(line)
    assert said.startswith(f"kiln.yaml:14:{len('  ') + line.index(at) + 1}: ")
    assert says in said


@pytest.mark.parametrize("feed", ["alone", "strip"])
def test_a_camera_alone_behind_a_meter_may_be_known_by_its_watts(feed: str) -> None:
    """A strip that speaks nothing draws nothing."""
    made = read(f"eye: {{kind: camera, fed_by: {feed}, rolls: {{by: watts, from: 8.5 W}}}}").profile
    assert made.devices["eye"].rolls_by == "watts"


def test_where_nothing_is_said_a_camera_that_says_so_is_believed_and_else_a_person() -> None:
    assert read("eye: {kind: camera, fed_by: alone}").profile.devices["eye"].rolls_by == "hand"
    speaks = "eye: {kind: camera, fed_by: alone, speaks: body, at: e"
    assert read(speaks + "}").profile.devices["eye"].rolls_by == "report"
    assert read(speaks + ", rolls: {by: hand}}").profile.devices["eye"].rolls_by == "hand"


def test_a_threshold_above_what_it_draws_is_doubtful() -> None:
    line = "eye: {kind: camera, fed_by: alone, draws: 8 W, rolls: {by: watts, from: 8.5 W}}"
    (said,) = read(line).warnings
    assert "by these figures never" in said.what


def test_the_older_word_for_a_light_that_comes_back_at_full_is_read_with_a_note() -> None:
    made = read("rim: {kind: light, fed_by: alone, forgets_level: yes}")
    assert made.profile.devices["rim"].comes_back == "full"
    (said,) = made.warnings
    assert "read as 'comes_back: full'" in said.what


SWITCH = "  pedal: {topic: floor/pedal, words: {tap: rolling toggle}"


def test_a_pedal_names_its_camera() -> None:
    eye = "  eye: {kind: camera, fed_by: plain}\nswitches:\n"
    made = read_profile_text(FILE + eye + SWITCH + ", camera: eye}\n").profile
    (rule,) = made.switches
    assert (rule.asks, rule.camera) == ({"tap": "rolling toggle"}, "eye")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("  eye: {kind: camera, fed_by: plain}\nswitches:\n" + SWITCH + ", camera: eve}\n", "no camera 'eve'; did you mean 'eye'?"),
        ("switches:\n" + SWITCH + "}\n", "no camera that could roll"),
        ("switches:\n  door: {topic: d, words: {tap: up, hold: good}}\n", "no camera that could roll"),
        ("  eye: {kind: camera, fed_by: plain}\nswitches:\n  door: {topic: d, words: {tap: up}, camera: eye}\n", "nothing that 'door' asks is about a camera"),
    ],
)  # fmt: skip
def test_a_pedal_for_no_camera_is_wrong(text: str, says: str) -> None:
    with pytest.raises(ProfileError) as found:
        read_profile_text(FILE + text, "kiln.yaml")
    (problem,) = found.value.problems
    assert says in str(problem)


@pytest.mark.parametrize("feed", ["alone", "strip"])
def test_a_charger_alone_behind_a_meter_is_done_by_its_watts(feed: str) -> None:
    found = read(f"cells: {{kind: charger, fed_by: {feed}, draws: 30 W, done_below: 4 W}}")
    assert found.profile.devices["cells"].done_below == 4.0
    assert found.warnings == ()


def test_below_what_meters_see_a_charger_may_look_done() -> None:
    (said,) = read("cells: {kind: charger, fed_by: alone, done_below: 1.5 W}").warnings
    assert "many meters say 0 for anything below 2 W" in said.what

"""What `check` takes for granted is said: curve, voltage, inrush, what a plug is rated for."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from studiobridge.cli.app import app
from studiobridge.cli.doubts import about_mains
from studiobridge.cli.granted import about_granted, about_unused
from studiobridge.figures.mains import mains_of
from studiobridge.profile import ProfileError, read_profile_text
from studiobridge.profile.build import Reading

FILE = """\
format: 1
set: kiln-shelf
mains: {voltage: 230 V, circuits: {wall: {breaker: 16 A, curve: B}}}
dialects:
  relay:
    switch: {tell: {topic: "{at}/in", words: {on: "1", off: "0"}}, hear: {topic: "{at}/out", words: {on: "1", off: "0"}}}
    ask: {topic: "{at}/ask"}
devices:
  kiln-plug: {kind: plug, fed_by: wall, speaks: relay, at: kiln/p}
  strip: {kind: plug, fed_by: kiln-plug}
  a: {kind: display, fed_by: strip, draws: 900 W, power_factor: 1, inrush: 2 A}
  b: {kind: display, fed_by: strip, draws: 700 W, power_factor: 1, inrush: 0 A}
"""


def read(*changes: tuple[str, str]) -> Reading:
    text = FILE
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new)
    return read_profile_text(text, "kiln.yaml")


def granted(*changes: tuple[str, str]) -> list[str]:
    return [str(problem) for problem in about_granted(read(*changes))]


def test_a_profile_that_says_it_all_leaves_no_doubt() -> None:
    assert granted() == []
    assert about_unused(read()) == []
    assert about_mains(read()) == ([], [])


def test_no_curve_is_curve_b_taken_for_granted() -> None:
    """IEC 60898-1: curve B trips at 3 to 5 times its current."""
    (said,) = granted((", curve: B", ""))
    assert said.startswith("kiln.yaml:3:36: no curve given for the breaker of wall: B is taken")
    assert "from 3 times its current and will from 5" in said


def test_devices_without_an_inrush_are_one_line_with_all_their_names() -> None:
    (said,) = granted((", inrush: 2 A", ""), (", inrush: 0 A", ""))
    assert said.startswith("kiln.yaml:11:3: no inrush given for a and b: their switching on")
    # 'inrush: 0 A' says that there is none
    (said,) = granted((", inrush: 2 A", ""))
    assert "no inrush given for a: its switching on" in said


def test_what_draws_nothing_is_one_line_too() -> None:
    (said,) = granted(("draws: 900 W, ", ""), ("draws: 700 W, ", ""))
    assert "no draw given for a and b: they are missing in the load" in said


def test_no_voltage_and_no_mains_are_said() -> None:
    (said,) = granted(("voltage: 230 V, ", ""))
    assert said.startswith("kiln.yaml:3:1: no voltage given: 230 V is taken for granted")
    on_battery = FILE[: FILE.index("mains:")] + "devices: {a: {kind: display, fed_by: battery}}\n"
    (found,) = about_granted(read_profile_text(on_battery))
    assert (
        "there is no 'mains:', so no load, no inrush, no lead and no cost is checked" in found.what
    )


def test_without_mains_all_that_hangs_on_a_wall_is_one_mistake() -> None:
    text = FILE.replace(
        "mains: {voltage: 230 V, circuits: {wall: {breaker: 16 A, curve: B}}}\n", ""
    )
    text = text.replace("fed_by: strip", "fed_by: bench")
    with pytest.raises(ProfileError) as caught:
        read_profile_text(text, "kiln.yaml")
    (said,) = caught.value.problems
    assert "there is no 'mains:' with circuits, and 'wall' and 'bench' feed" in said.what
    assert "circuits: {wall: {breaker: 16 A, curve: B}, bench: {breaker" in said.todo


def test_a_strip_that_passes_more_than_it_is_rated_for_is_an_error() -> None:
    """1600 W at 230 V is 6.96 A: by definition, P = U I."""
    strip = "strip: {kind: plug, fed_by: kiln-plug"
    over, near = about_mains(read((strip, f"{strip}, rated: 6 A")))
    (said,) = [str(problem) for problem in over]
    assert said.startswith("kiln.yaml:10:42: plug strip: 1600 W is 7.0 A, more than the 6 A")
    assert near == []
    over, near = about_mains(read((strip, f"{strip}, rated: 7.5 A")))
    assert over == []
    assert "close to the 7.5 A" in near[0].what
    assert about_mains(read((strip, f"{strip}, rated: 10 A"))) == ([], [])
    reading = mains_of(read((strip, f"{strip}, rated: 10 A")).profile, None, {})
    (through,) = reading.plugs
    assert (through.device, through.rated) == ("strip", 10.0)
    assert through.amps == pytest.approx(1600 / 230)


def test_a_smart_plug_counts_what_its_strips_pass_on() -> None:
    plug = "kiln-plug: {kind: plug, fed_by: wall"
    over, _ = about_mains(read((plug, f"{plug}, rated: 5 A")))
    assert "plug kiln-plug: 1600 W is 7.0 A" in over[0].what


def test_an_overloaded_plug_ends_check_with_2_unless_allowed(tmp_path: Path) -> None:
    file = tmp_path / "kiln.yaml"
    file.write_text(FILE.replace("fed_by: kiln-plug}", "fed_by: kiln-plug, rated: 6 A}"))
    done = CliRunner().invoke(app, ["check", str(file), "--json"])
    found = json.loads(done.stdout)
    assert done.exit_code == 2
    assert found["problems"][0]["text"].startswith("  strip: {kind: plug")
    assert CliRunner().invoke(app, ["check", str(file), "--allow-overload"]).exit_code == 0


def test_a_topic_that_ends_with_a_slash_is_doubted() -> None:
    (said,) = read(("at: kiln/p", "at: kiln/p/")).warnings
    assert "'kiln/p/' ends with a /" in said.what
    assert "write 'at: kiln/p'" in said.todo


def test_what_nothing_uses_is_said() -> None:
    reading = read(
        ("circuits: {wall:", "circuits: {spare: {breaker: 10 A, curve: B}, wall:"),
        ("dialects:\n", "dialects:\n  other: {watts: {hear: {topic: x}}}\n"),
        ("devices:\n", "picture: {fits: half-length}\ndevices:\n"),
    )
    said = [problem.what for problem in about_unused(reading)]
    assert said[0] == "no device speaks 'other'"
    assert said[1] == "nothing hangs on 'spare'"
    assert said[2].startswith("'fits' is compared with nothing: no focal length given")

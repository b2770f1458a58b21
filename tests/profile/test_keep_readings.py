"""What a meter says, in one line of words, and written into a file: those lines and nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest

from studiobridge.profile import read_profile
from studiobridge.profile.keep import CannotKeep
from studiobridge.profile.keep_readings import keep_readings, taken
from studiobridge.profile.model import Preset

KILN = """\
# the kiln shelf
format: 1
set: kiln-shelf
mains: {circuits: {wall: {breaker: 16 A}}}
devices:
  key: {kind: light, fed_by: wall}  # the panel over the shelf
  fill: {kind: light, fed_by: wall}
  cloth: {kind: backdrop, fed_by: wall}
looks:
  work: {key: {level: 60 %, cct: 4300 K}, fill: {level: 20 %}}
  late: {key: {level: 10 %}}
# the end of it
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = tmp_path / "kiln.yaml"
    made.write_text(KILN)
    return made


def keep(path: Path, *said: str, look: str = "work") -> None:
    profile = read_profile(path).profile
    keep_readings(path, [taken(profile, look, text) for text in said])


def test_what_a_person_says_is_a_reading(path: Path) -> None:
    profile = read_profile(path).profile
    key = taken(profile, "work", "face 402 lx key").reading
    assert (key.lux, key.at, dict(key.on)) == (402.0, "face", {"key": Preset(60.0, 4300.0)})
    both = taken(profile, "work", " cloth  310lx key fill ").reading
    assert (both.at, list(both.on)) == ("cloth", ["key", "fill"])
    # 1 fc is 1 lm/ft2: 10.764 lx, by definition
    whole = taken(profile, "work", "face 38 fc").reading
    assert whole.lux == pytest.approx(38 * 10.764, rel=1e-4)
    assert {n: p.level for n, p in whole.on.items()} == {"key": 60.0, "fill": 20.0}
    own = taken(profile, "late", "face 90 lx key 35 %, fill=50 %").reading
    assert {n: p.level for n, p in own.on.items()} == {"key": 35.0, "fill": 50.0}
    assert dict(taken(profile, "work", "face 3 lx dark").reading.on) == {}


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ("", "write where, how much and which lights, like 'face 402 lx key'"),
        ("face", "write where"),
        ("face 402", "write where"),
        ("face 402 lx kye", "there is no light 'kye'; did you mean 'key'"),
        ("fcae 402 lx", "a meter is not held at 'fcae'; did you mean 'face'"),
        ("face 402 W key", "an illuminance is in lx, fc"),
        ("face 0 lx key", "outside 0.001"),
        ("face -3 lx key", "outside 0.001"),
        ("face 10000001 lx key", "outside 0.001"),
        ("face nan lx key", "write where"),
        ("face 4 lx key 140 %", "outside 0 to 100"),
        ("face 4 lx key!", "'key!' is not a light's name"),
        ("face 4 lx cloth", "say at what level it was, like 'cloth 100 %'"),
    ],
)
def test_what_cannot_be_a_reading_is_refused_with_what_to_do(
    path: Path, said: str, why: str
) -> None:
    with pytest.raises(ValueError) as error:
        taken(read_profile(path).profile, "work", said)
    assert why in str(error.value)


def test_the_first_readings_stand_below_all_else_and_no_comment_moves(path: Path) -> None:
    keep(path, "face 402 lx key", "face 38 fc", "face 3 lx dark")
    new = [line for line in path.read_text().splitlines() if line not in KILN.splitlines()]
    assert [line for line in new if line] == [
        "readings:",
        "  - {read: 402 lx, on: {key: 60 %}}",
        "  - {read: 38 fc, on: {key: 60 %, fill: 20 %}}",
        "  - {read: 3 lx, on: []}",
    ]
    assert all(line in path.read_text().splitlines() for line in KILN.splitlines())
    assert [r.lux for r in read_profile(path).profile.readings] == [
        402.0,
        pytest.approx(409.0, abs=0.1),
        3.0,
    ]


@pytest.mark.parametrize(
    "there",
    [
        "readings:\n  - {read: 90 lx, on: [key]}  # by hand\n",
        "readings:\n- read: 90 lx\n  on:\n    key: 60 %\n",
        "readings: [{read: 90 lx, on: [key]}]\n",
        "readings: []\n",
    ],
)
def test_more_are_put_below_those_that_are_there(path: Path, there: str) -> None:
    path.write_text(KILN + there + "patience: {reply: 2 s}\n")
    before = read_profile(path).profile.readings
    keep(path, "cloth 310 lx key fill", "face 77 lx key 30 %")
    text = path.read_text()
    after = read_profile(path).profile
    assert after.readings[: len(before)] == before
    assert [(r.lux, r.at) for r in after.readings[len(before) :]] == [
        (310.0, "cloth"),
        (77.0, "face"),
    ]
    assert "# by hand" in text or "# by hand" not in there
    assert after.patience.reply == 2.0


def test_a_look_that_is_changed_later_changes_no_reading(path: Path) -> None:
    keep(path, "face 402 lx key")
    path.write_text(path.read_text().replace("level: 60 %", "level: 30 %"))
    assert read_profile(path).profile.readings[0].on["key"].level == 60.0


def test_readings_of_another_look_say_so(path: Path) -> None:
    keep(path, "face 60 lx key", look="late")
    assert "look: late" in path.read_text()
    assert read_profile(path).profile.readings[0].look == "late"


def test_where_it_cannot_be_written_nothing_is(path: Path) -> None:
    path.write_text(KILN + "readings:\n  -\n    read: 90 lx\n")
    was = path.read_text()
    with pytest.raises(CannotKeep):
        keep(path, "face 402 lx key")
    assert path.read_text() == was

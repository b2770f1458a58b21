"""`balance` as a person uses it: what to set, what cannot be had, and the look written anew."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from studiobridge.cli import readings
from studiobridge.figures.balance import balance
from studiobridge.figures.limits import Limit, Wish
from studiobridge.profile import read_profile
from studiobridge.profile.keep_wants import wants_written
from studiobridge.profile.model import Wants
from studiobridge.shown.balance import limit_lines, wish_json
from tests.cli.conftest import Run
from tests.cli.test_commands import CONFIG, CORNER
from tests.figures.sets import small

WISHES = ("--aperture", "f/2.8", "--ratio", "2:1", "--backdrop", "-0.5")


def copied(tmp_path: Path, *swaps: tuple[str, str]) -> Path:
    text = CORNER.read_text(encoding="utf-8")
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = tmp_path / "corner.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def balanced(inside: Run, path: Path, *more: object) -> dict[str, Any]:
    done = inside("balance", path, *more, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found


def test_two_to_one_half_a_stop_under_in_the_corner(tmp_path: Path, inside: Run) -> None:
    """2.8^2 x 250 x 50 / 250 = 392 lx (ISO 2720, from memory), a third of it by the fill."""
    path = copied(tmp_path)
    found = balanced(inside, path, *WISHES)
    wishes = {w["what"]: w for w in found["wishes"]}
    assert wishes["face"]["wanted"] == pytest.approx(2.8**2 * 250 * 50 / 250)
    assert abs(wishes["face"]["off"]) < 0.05 and abs(wishes["ratio"]["off"]) < 0.05
    # the key and the fill light the cloth: with all of its own light off it is not that dark
    limit = next(one for one in found["limits"] if one["what"] == "backdrop")
    assert limit["why"] == "lit" and limit["lights"][0] == "key"
    now = {one["device"]: one["now"]["level"] for one in found["lights"]}
    assert now["cloth"] == now["edge-left"] == now["edge-right"] == 0
    # what `light` says of a look with these levels is what was said here
    inside("balance", path, *WISHES, "--keep")
    light = json.loads(inside("light", path, "--json").stdout)
    assert light["whole"]["lux"] == pytest.approx(wishes["face"]["got"], rel=2e-3)
    assert light["whole"]["ratio"] == pytest.approx(wishes["ratio"]["got"], rel=2e-3)
    against = light["backdrops"][0]["against_grey"]
    assert against == pytest.approx(wishes["backdrop"]["got"], abs=0.01)


def test_printed_for_a_person_at_80_columns(tmp_path: Path) -> None:
    env = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1", "HOME": str(tmp_path)}
    program = "from studiobridge.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", program, "balance", str(CORNER), *WISHES, "--white", "4300K"],
        capture_output=True,
        text=True,
        env=env,
        timeout=60,
        check=True,
    )
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "\x1b" not in done.stdout
    said = " ".join(done.stdout.split())
    assert re.search(r"key 64 %, 4300 K \d\d %, 4300 K", said)
    assert "by hand rim" in said
    assert re.search(r"turn until its plug says \d+\.\d W", said)
    assert re.search(r"key alone throws \d+ lx on it", said)
    assert "in the picture, across its middle: even within 0.5 stop (0.1 as it stands)" in said
    assert "move the mark forward, flag key, or ask for --backdrop -0.2" in said
    assert re.search(r"rim 2\.6 stops under .* as the look", said)


def test_two_wishes_that_both_miss_do_not_send_a_light_to_two_places(inside: Run) -> None:
    """More than there is, and at two to one: the face sends the key nearer, and so did the ratio."""
    said = inside(
        "balance",
        CONFIG / "market-stall.yaml",
        "--aperture",
        "f/8",
        "--ratio",
        "2:1",
    ).stdout
    assert len(re.findall(r"left-panel to \d+ ft", said)) == 1
    assert re.search(r"face: 2400 lx cannot be had: .* come to \d+ lx at 2\.0:1: move", said)
    assert re.search(r"key to fill: .* move them for the face first, and balance again, or", said)


def test_the_file_keeps_its_comments_and_says_what_the_look_is_for(
    tmp_path: Path, inside: Run
) -> None:
    path = copied(tmp_path)
    before = path.read_text(encoding="utf-8")
    done = inside("balance", path, "--aperture", "f/2.8", "--ratio", "3:1", "--keep")
    assert done.returncode == 0, done.stderr
    assert "reads it at its next start" in done.stdout
    assert "glaze starts from it and changed with it" in done.stdout
    assert path.with_name("corner.yaml.before").read_text(encoding="utf-8") == before
    undo = re.search(r"undo it with: mv (\S+) (\S+)", done.stdout)
    assert undo and undo.groups() == (f"{path}.before", str(path))
    after = path.read_text(encoding="utf-8")
    assert "# by its dial" in after
    changed = [
        line for line in after.splitlines() if line not in before.splitlines() and "level" in line
    ]
    assert changed and all(
        line.split(":")[0].strip() in read_profile(path).profile.looks["lesson"].presets
        for line in changed
    )
    assert read_profile(path).profile.looks["lesson"].wants == Wants(aperture=2.8, ratio=3.0)
    # from now on it knows by itself, and there is nothing left to turn
    again = balanced(inside, path)
    assert {w["by"] for w in again["wishes"] if w["what"] in ("face", "ratio")} == {"look"}
    assert all(one["was"] == one["now"] for one in again["lights"])
    assert re.search(r"meant +as the look wants it", inside("light", path).stdout)


def test_a_new_look_beside_the_old_one(tmp_path: Path, inside: Run) -> None:
    path = copied(tmp_path)
    before = read_profile(path).profile.looks
    done = inside("balance", path, "--ratio", "4:1", "--as", "moody")
    assert done.returncode == 0, done.stderr
    after = read_profile(path).profile.looks
    assert {n: dict(look.presets) for n, look in after.items() if n != "moody"} == {
        n: dict(look.presets) for n, look in before.items()
    }
    assert after["moody"].wants == Wants(ratio=4.0)
    assert after["moody"].whites_meant
    taken = inside("balance", path, "--ratio", "4:1", "--as", "moody")
    assert taken.returncode == 2
    assert "'moody' already" in taken.stderr


def test_check_doubts_a_look_that_is_far_from_what_it_is_for(tmp_path: Path, inside: Run) -> None:
    wants = "    wants: {aperture: f/2.8, ratio: 8:1}\n    whites: meant "
    path = copied(tmp_path, ("    whites: meant ", wants))
    done = inside("check", path)
    assert done.returncode == 0
    assert re.search(r"corner\.yaml:\d+:\d+: key to fill is 2\.0 stops too little", done.stdout)
    # its face is right; that of the look which starts from it, and dims the key, is not
    assert all("--look glaze" in line for line in done.stdout.splitlines() if "face is" in line)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--ratio", "0:1"), "--ratio: '0:1' is no ratio"),
        (("--aperture", "f/0"), "--aperture: 'f/0' is no aperture"),
        (("--aperture", "2.8"), "write it like 'f/2.8'"),
        (("--backdrop", "nan"), "--backdrop:"),
        (("--rim", "99"), "--rim: '99 stop' is outside"),
        (("--white", "4300"), "--white: '4300' has no unit"),
        (("--lux", "300 lx", "--aperture", "f/4"), "say one of the two"),
        (("--ratio", "2:1", "--keep", "--as", "new"), "say one of the two"),
        (("--ratio", "2:1", "--look", "nothing"), "no look 'nothing'"),
        (("--ratio", "2:1", "--as", "No Name"), "no name of a look"),
        (("--keep",), "nothing is wanted of the look 'lesson'"),
    ],
)
def test_what_makes_no_sense_is_refused_and_nothing_is_written(
    more: tuple[str, ...], says: str, tmp_path: Path, inside: Run
) -> None:
    path = copied(tmp_path)
    before = path.read_bytes()
    done = inside("balance", path, *more)
    assert done.returncode == 2
    assert says in done.stderr
    assert path.read_bytes() == before


def test_with_nothing_wanted_it_says_how_the_look_stands(inside: Run) -> None:
    found = balanced(inside, CORNER)
    assert all(one["was"] == one["now"] for one in found["lights"])
    light = json.loads(inside("light", CORNER, "--json").stdout)
    wishes = {w["what"]: w for w in found["wishes"]}
    assert wishes["face"]["got"] == pytest.approx(light["whole"]["lux"], rel=1e-4)
    assert {w["by"] for w in found["wishes"]} == {"as it is"}
    assert "Nothing is wanted of it yet" in inside("balance", CORNER).stdout


def test_what_is_missing_is_said_with_its_place_and_what_to_add(
    tmp_path: Path, inside: Run
) -> None:
    path = copied(tmp_path, ("    role: fill\n", ""))
    done = inside("balance", path, "--ratio", "2:1")
    assert done.returncode == 2
    assert re.search(r"corner\.yaml:\d+:\d+: a ratio is wanted", done.stderr)
    assert "add 'role: fill'" in done.stderr


def test_nothing_is_not_less_than_nothing() -> None:
    wish = Wish("rim", "rim", "asked", 0.5, 0.49999, -0.00001)
    assert "-0.0" not in json.dumps([wish_json(wish), readings.plain({"off": -0.000001})])


@pytest.mark.parametrize(
    ("wants", "key", "text"),
    [
        (Wants(lux=1_000_000.0), "lux", "1000000 lx"),
        (Wants(lux=123_456.7), "lux", "123456.7 lx"),
        (Wants(backdrop=-0.0000001), "backdrop", "0 stop"),
        (Wants(aperture=2.8), "aperture", "f/2.8"),
    ],
)
def test_what_is_kept_is_written_as_a_profile_has_numbers(
    wants: Wants, key: str, text: str
) -> None:
    assert wants_written(wants) == {key: text}


def test_what_only_a_step_keeps_from_being_met_is_not_said_to_be_impossible() -> None:
    profile = small()
    found = balance(profile, "day", Wants(ratio=2.0), {}, {})
    wish = next(w for w in found.wishes if w.what == "ratio")
    for nearest, said in (
        (2.0, "is met to 2.2:1: no light has so fine a step"),
        (2.2, "cannot be had"),
    ):
        missed = replace(wish, got=2.2, off=0.14, nearest=nearest)
        (line,) = limit_lines(profile, replace(found, limits=(Limit(missed, "others", ()),)))
        assert said in line
        assert ("cannot be had" in line) is (nearest != 2.0)

"""`keep` changes one scalar of the file and nothing else, or nothing at all."""

from __future__ import annotations

import fcntl
import os
import random
import stat
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.profile import keep, keep_presets, read_profile, read_profile_text
from studiobridge.profile.keep import CannotKeep
from studiobridge.profile.model import Preset

CONFIG = Path(__file__).parents[2] / "config"
CORNER = (CONFIG / "wheel-corner.yaml").read_text(encoding="utf-8")


@pytest.fixture
def corner(tmp_path: Path) -> Path:
    path = tmp_path / "corner.yaml"
    path.write_text(CORNER, encoding="utf-8")
    return path


def differing(path: Path) -> list[tuple[str, str]]:
    before, after = CORNER.split("\n"), path.read_text(encoding="utf-8").split("\n")
    assert len(before) == len(after)
    return [(a, b) for a, b in zip(before, after, strict=True) if a != b]


def test_one_scalar_changes_and_the_comment_beside_it_stays(corner: Path) -> None:
    keep_presets(corner, "lesson", {"rim": Preset(37.5, 4300.0)})
    ((old, new),) = differing(corner)
    assert old.replace("30 %", "37.5 %") == new
    assert "# by its dial" in new
    assert corner.with_name("corner.yaml.before").read_text(encoding="utf-8") == CORNER


@settings(max_examples=40, deadline=None)
@given(
    look=st.sampled_from(["lesson", "glaze"]),
    device=st.sampled_from(["key", "fill", "cloth", "rim"]),
    level=st.integers(10, 1000).map(lambda n: n / 10),
    cct=st.one_of(st.none(), st.integers(2710, 6480)),
)
def test_any_preset_of_any_look(
    tmp_path_factory: pytest.TempPathFactory, look: str, device: str, level: float, cct: int | None
) -> None:
    path = tmp_path_factory.mktemp("keep") / "corner.yaml"
    path.write_text(CORNER, encoding="utf-8")
    before = read_profile(path).profile
    old = before.looks[look].presets[device]
    wanted = Preset(level, float(cct) if cct is not None else old.cct)
    keep_presets(path, look, {device: wanted})
    after = read_profile(path).profile
    assert after.looks[look].presets[device] == wanted
    for other, preset in before.looks[look].presets.items():
        if other != device:
            assert after.looks[look].presets[other] == preset
    text = path.read_text(encoding="utf-8")
    comments = [line.split("#", 1)[1] for line in CORNER.split("\n") if "#" in line]
    assert [line.split("#", 1)[1] for line in text.split("\n") if "#" in line] == comments


def test_a_preset_that_is_inherited_is_written_into_its_own_look(corner: Path) -> None:
    keep_presets(corner, "glaze", {"fill": Preset(28.0, 4300.0)})
    after = read_profile(corner).profile
    assert after.looks["glaze"].presets["fill"] == Preset(28.0, 4300.0)
    assert after.looks["lesson"].presets["fill"] == Preset(32.0, 4300.0)


def test_rights_bom_and_quotes_stay(tmp_path: Path) -> None:
    path = tmp_path / "corner.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + CORNER.replace("level: 64 %", "level: '64 %'").encode())
    path.chmod(0o640)
    keep_presets(path, "lesson", {"key": Preset(70.0, 4300.0)})
    data = path.read_bytes()
    assert data.startswith(b"\xef\xbb\xbf")
    assert b"level: '70 %'" in data
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_a_file_that_has_mistakes_by_now_is_left_alone(corner: Path) -> None:
    broken = CORNER.replace("kind: light", "kind: lamp", 1)
    corner.write_text(broken, encoding="utf-8")
    with pytest.raises(CannotKeep, match="mistakes"):
        keep_presets(corner, "lesson", {"key": Preset(70.0, 4300.0)})
    assert corner.read_text(encoding="utf-8") == broken


def test_a_preset_outside_the_fixtures_range_is_refused(corner: Path) -> None:
    with pytest.raises(CannotKeep):
        keep_presets(corner, "lesson", {"key": Preset(0.5, 4300.0)})
    assert corner.read_text(encoding="utf-8") == CORNER


def test_presets_shared_by_an_alias_are_refused(tmp_path: Path) -> None:
    text = CORNER.replace(
        "key:   {level: 64 %, cct: 4300 K}", "key:   &k {level: 64 %, cct: 4300 K}"
    )
    text = text.replace("fill:  {level: 32 %, cct: 4300 K}", "fill:  *k")
    path = tmp_path / "corner.yaml"
    path.write_text(text, encoding="utf-8")
    read_profile_text(text)
    with pytest.raises(CannotKeep):
        keep_presets(path, "lesson", {"fill": Preset(20.0, 4300.0)})
    assert path.read_text(encoding="utf-8") == text
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(CannotKeep):
        keep_presets(tmp_path / "none.yaml", "lesson", {"key": Preset(1.0)})


KEEPS = """
import sys
from pathlib import Path
from studiobridge.profile.keep import keep_presets
from studiobridge.profile.model import Preset
level = float(sys.argv[2])
while True:
    keep_presets(Path(sys.argv[1]), "lesson", {"key": Preset(level, 4300.0)})
    print("kept", flush=True)
    level += 0.1
"""


def test_killed_at_any_moment_the_file_is_whole(tmp_path: Path) -> None:
    """Killed a dozen times in the middle of writing: the old profile or the new, never a half."""
    path = tmp_path / "corner.yaml"
    path.write_bytes((CONFIG / "wheel-corner.yaml").read_bytes())
    dice = random.Random(5)
    levels = set()
    for run in range(12):
        keeping = subprocess.Popen(
            [sys.executable, "-c", KEEPS, str(path), str(10 + 5 * run)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert keeping.stdout is not None
        # it has kept once, however slow the machine is: from here on it is in the middle of it
        assert keeping.stdout.readline() == "kept\n"
        time.sleep(dice.uniform(0.0, 0.4))
        keeping.kill()
        keeping.wait()
        found = read_profile(path).profile.looks["lesson"].presets["key"]
        levels.add(found.level)
        assert path.read_text(encoding="utf-8").count("\n") > 150
    assert len(levels) == 12  # each of them was really writing


# ---- beside others: people with editors, other bridges, links, rights ---------------------------


def test_keeps_at_once_lose_nothing(corner: Path) -> None:
    """Eight at once, each another preset: every one of them stands in the file afterwards."""
    wanted = [
        ("lesson", "key", 61.0),
        ("lesson", "fill", 31.0),
        ("lesson", "rim", 29.0),
        ("lesson", "cloth", 41.0),
        ("glaze", "key", 51.0),
        ("glaze", "fill", 21.0),
        ("glaze", "rim", 19.0),
        ("glaze", "cloth", 33.0),
    ]
    at_once = threading.Barrier(len(wanted))
    before = read_profile(corner).profile.looks

    def keep_one(look: str, device: str, level: float) -> None:
        at_once.wait()
        cct = before[look].presets[device].cct
        keep_presets(corner, look, {device: Preset(level, cct)})

    with ThreadPoolExecutor(len(wanted)) as pool:
        for done in [pool.submit(keep_one, *one) for one in wanted]:
            done.result()
    looks = read_profile(corner).profile.looks
    for look, device, level in wanted:
        assert looks[look].presets[device].level == level, (look, device)


def edited_between(monkeypatch: pytest.MonkeyPatch, edit: Callable[[], None], times: int) -> None:
    """Somebody's editor saves after the file was read, while the new text is checked."""
    left = [times]
    check = keep._check

    def checked(*args: object) -> None:
        check(*args)  # type: ignore[arg-type]
        if left[0] > 0:
            left[0] -= 1
            edit()

    monkeypatch.setattr(keep, "_check", checked)


@pytest.mark.parametrize("manner", ["in place", "moved over it", "at the same moment"])
def test_a_hand_edit_between_reading_and_writing_is_kept_too(
    corner: Path, monkeypatch: pytest.MonkeyPatch, manner: str
) -> None:
    def edit() -> None:
        text = corner.read_text(encoding="utf-8")
        text = text.replace("rim:   {level: 30 %", "rim:   {level: 44 %")
        if manner != "moved over it":
            then = corner.stat().st_mtime_ns
            corner.write_text(text, encoding="utf-8")
            if manner == "at the same moment":  # a file system whose clock is coarse
                os.utime(corner, ns=(then, then))
        else:
            other = corner.with_name("editors-own")
            other.write_text(text, encoding="utf-8")
            other.replace(corner)

    edited_between(monkeypatch, edit, times=1)
    keep_presets(corner, "lesson", {"key": Preset(70.0, 4300.0)})
    presets = read_profile(corner).profile.looks["lesson"].presets
    assert (presets["key"].level, presets["rim"].level) == (70.0, 44.0)
    before = corner.with_name("corner.yaml.before").read_text(encoding="utf-8")
    assert "rim:   {level: 44 %" in before


def test_a_file_that_never_holds_still_is_left_to_the_other(
    corner: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def edit() -> None:
        with corner.open("a", encoding="utf-8") as file:
            file.write("# once more\n")

    edited_between(monkeypatch, edit, times=1000)
    with pytest.raises(CannotKeep, match="is being changed"):
        keep_presets(corner, "lesson", {"key": Preset(70.0, 4300.0)})
    assert corner.read_text(encoding="utf-8").startswith(CORNER)
    assert sorted(p.name for p in corner.parent.iterdir()) == ["corner.yaml"]


def test_a_link_stays_and_the_real_file_changes(tmp_path: Path) -> None:
    real, folder = tmp_path / "real" / "corner.yaml", tmp_path / "links"
    real.parent.mkdir()
    folder.mkdir()
    real.write_text(CORNER, encoding="utf-8")
    (folder / "first.yaml").symlink_to(real)
    (folder / "second.yaml").symlink_to("first.yaml")
    keep_presets(folder / "second.yaml", "lesson", {"key": Preset(70.0, 4300.0)})
    assert sorted(p.name for p in folder.iterdir()) == ["first.yaml", "second.yaml"]
    assert all(p.is_symlink() for p in folder.iterdir())
    assert read_profile(real).profile.looks["lesson"].presets["key"].level == 70.0
    assert real.with_name("corner.yaml.before").read_text(encoding="utf-8") == CORNER


def test_links_in_a_circle_are_said(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").symlink_to("b.yaml")
    (tmp_path / "b.yaml").symlink_to("a.yaml")
    with pytest.raises(CannotKeep, match=r"a\.yaml cannot be read"):
        keep_presets(tmp_path / "a.yaml", "lesson", {"key": Preset(70.0)})


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a file away")
def test_owner_and_group_stay_when_root_keeps(corner: Path) -> None:
    os.chown(corner, 12345, 23456)
    corner.chmod(0o664)
    keep_presets(corner, "lesson", {"key": Preset(70.0, 4300.0)})
    for path in (corner, corner.with_name("corner.yaml.before")):
        found = path.stat()
        assert (found.st_uid, found.st_gid) == (12345, 23456)
        assert stat.S_IMODE(found.st_mode) == 0o664


AS_SOMEBODY = """
import fcntl, os, sys
from pathlib import Path
from studiobridge.profile.keep import CannotKeep, keep_presets
from studiobridge.profile.model import Preset
from studiobridge.profile import read_profile
read_profile(Path(sys.argv[1]))  # whatever is imported late is, before it is out of reach
os.setgroups([])
os.setgid(23456)
os.setuid(12345)
try:
    keep_presets(Path(sys.argv[1]), "lesson", {"key": Preset(70.0, 4300.0)})
except CannotKeep as error:
    print(error)
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
@pytest.mark.parametrize("mode", [0o664, 0o444])
def test_a_file_that_would_change_hands_is_left_alone(mode: int) -> None:
    with tempfile.TemporaryDirectory(dir="/tmp") as name:
        folder = Path(name)
        folder.chmod(0o777)
        path = folder / "corner.yaml"
        path.write_text(CORNER, encoding="utf-8")
        os.chown(path, 0 if mode == 0o664 else 12345, 23456)
        path.chmod(mode)
        done = subprocess.run(
            [sys.executable, "-c", AS_SOMEBODY, str(path)],
            capture_output=True,
            text=True,
            timeout=30,
            check=True,
        )
        assert ("owner" if mode == 0o664 else "write-protected") in done.stdout
        assert path.read_text(encoding="utf-8") == CORNER
        assert [p.name for p in folder.iterdir()] == ["corner.yaml"]


def test_somebody_elses_keep_is_waited_for_and_not_for_ever(
    corner: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program that keeps, and stands still in the middle of it."""
    monkeypatch.setattr(keep, "WAIT_FOR_OTHERS", 0.2)
    folder = os.open(corner.parent, os.O_RDONLY)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        with pytest.raises(CannotKeep, match="another program"):
            keep_presets(corner, "lesson", {"key": Preset(70.0, 4300.0)})
    finally:
        os.close(folder)
    assert corner.read_text(encoding="utf-8") == CORNER


def test_what_a_killed_keep_left_behind_is_tidied_up(corner: Path) -> None:
    for end in ("new", "old"):
        corner.with_name(f".corner.yaml.keep-{end}").write_text("half of it")
    keep_presets(corner, "lesson", {"key": Preset(70.0, 4300.0)})
    assert sorted(p.name for p in corner.parent.iterdir()) == ["corner.yaml", "corner.yaml.before"]

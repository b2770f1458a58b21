"""`keep` changes one scalar of the file and nothing else, or nothing at all."""

from __future__ import annotations

import random
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.profile import keep_presets, read_profile, read_profile_text
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
level = 10.0
print("keeping", flush=True)
while True:
    level = 90.0 if level > 50 else level + 1
    keep_presets(Path(sys.argv[1]), "lesson", {"key": Preset(level, 4300.0)})
"""


def test_killed_at_any_moment_the_file_is_whole(tmp_path: Path) -> None:
    """Killed two dozen times in the middle of writing: the old profile or the new, never a half."""
    path = tmp_path / "corner.yaml"
    path.write_bytes((CONFIG / "wheel-corner.yaml").read_bytes())
    dice = random.Random(5)
    levels = set()
    for _ in range(24):
        keeping = subprocess.Popen(
            [sys.executable, "-c", KEEPS, str(path)], stdout=subprocess.PIPE, text=True
        )
        assert keeping.stdout is not None
        assert keeping.stdout.readline() == "keeping\n"
        time.sleep(dice.uniform(0.05, 0.7))
        keeping.kill()
        keeping.wait()
        found = read_profile(path).profile.looks["lesson"].presets["key"]
        levels.add(found.level)
        assert path.read_text(encoding="utf-8").count("\n") > 150
    assert len(levels) > 3  # it was really writing

"""The sheet in a real browser: one or two pages on A4 and Letter, nothing cut off, dark on light."""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from studiobridge.profile import read_profile
from studiobridge.shown.floor import floor
from studiobridge.shown.sheet import page

CONFIG = Path(__file__).parents[2] / "config"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
EXAMPLES = ["wheel-corner", "two-person-table", "market-stall", "one-plug-one-light"]


def pages_of(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


@pytest.mark.skipif(CHROMIUM is None, reason="needs chromium: apt-get install chromium")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", EXAMPLES)
def test_it_prints_on_one_or_two_pages(name: str, paper: str, tmp_path: Path) -> None:
    profile = read_profile(CONFIG / f"{name}.yaml").profile
    look = profile.default_look
    assert look is not None
    text = page(profile, look, profile.looks[look].presets).replace("size: auto", f"size: {paper}")
    source, out = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    source.write_text(text, encoding="utf-8")
    subprocess.run(
        [
            str(CHROMIUM),
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-pdf-header-footer",
            f"--user-data-dir={tmp_path / 'browser'}",
            f"--print-to-pdf={out}",
            source.as_uri(),
        ],
        check=True,
        capture_output=True,
        timeout=90,
    )
    assert 1 <= pages_of(out.read_bytes()) <= 2


@pytest.mark.parametrize("name", ["wheel-corner", "two-person-table", "market-stall"])
def test_devices_stand_where_their_places_say(name: str) -> None:
    """To scale: distances in the drawing are the distances of the places, all with one scale."""
    profile = read_profile(CONFIG / f"{name}.yaml").profile
    look = profile.default_look
    assert look is not None
    drawn = floor(profile, profile.looks[look].presets)
    found = {
        m[1]: (float(m[2]), float(m[3]))
        for m in re.finditer(
            r'data-device="([^"]+)" transform="translate\(([\d.]+) ([\d.]+)\)', drawn
        )
    }
    placed = {d.name: d.place for d in profile.devices.values() if d.name in found and d.place}
    assert len(placed) >= 3
    names = list(placed)
    scales = []
    for a, b in itertools.pairwise(names):
        (xa, ya), (xb, yb) = found[a], found[b]
        dx = placed[b].across - placed[a].across
        dy = placed[b].from_back - placed[a].from_back
        for drawn_by, real in ((xb - xa, dx), (yb - ya, dy)):
            if abs(real) > 0.2:
                scales.append(drawn_by / real)
    assert scales
    assert max(scales) == pytest.approx(min(scales), rel=2e-3)
    assert min(scales) > 0  # right of the room is right on paper, towards the camera is down


def test_labels_do_not_cover_each_other() -> None:
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    drawn = floor(profile, profile.looks["lesson"].presets)
    boxes = [
        tuple(float(v) for v in m.groups())
        for m in re.finditer(
            r'<rect class="behind" x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)"',
            drawn,
        )
    ]
    assert len(boxes) >= 8
    for i, (ax, ay, aw, ah) in enumerate(boxes):
        for bx, by, bw, bh in boxes[i + 1 :]:
            wide = min(ax + aw, bx + bw) - max(ax, bx)
            high = min(ay + ah, by + bh) - max(ay, by)
            assert wide <= 2 or high <= 2


def test_a_dark_light_throws_no_beam() -> None:
    from studiobridge.profile.model import Preset

    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    presets = {**profile.looks["lesson"].presets, "key": Preset(0.0, 4300.0)}
    drawn = floor(profile, presets)
    assert 'data-beam="key"' not in drawn
    assert 'data-beam="fill"' in drawn
    assert 'data-device="key"' in drawn

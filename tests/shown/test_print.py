"""The sheet in a real browser: one or two pages on A4 and Letter, nothing cut off, dark on light."""

from __future__ import annotations

import itertools
import math
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from studiobridge.profile import read_profile
from studiobridge.shown.floor import floor
from studiobridge.shown.sheet import page
from studiobridge.shown.side import side

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


def boxes_of(drawn: str) -> list[tuple[float, ...]]:
    return [
        tuple(float(v) for v in m.groups())
        for m in re.finditer(
            r'<rect class="behind" x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)"',
            drawn,
        )
    ]


@pytest.mark.parametrize("draw", [floor, side], ids=["above", "side"])
@pytest.mark.parametrize("name", ["wheel-corner", "two-person-table", "market-stall"])
def test_labels_do_not_cover_each_other(name: str, draw: Callable[..., str]) -> None:
    profile = read_profile(CONFIG / f"{name}.yaml").profile
    assert profile.default_look is not None
    boxes = boxes_of(draw(profile, profile.looks[profile.default_look].presets))
    assert len(boxes) >= 6
    for i, (ax, ay, aw, ah) in enumerate(boxes):
        for bx, by, bw, bh in boxes[i + 1 :]:
            wide = min(ax + aw, bx + bw) - max(ax, bx)
            high = min(ay + ah, by + bh) - max(ay, by)
            assert wide <= 2 or high <= 2


PLACED = r'data-device="([^"]+)" transform="translate\(([\d.]+) ([\d.]+)\) rotate\(([-\d.]+)\)'


@pytest.mark.parametrize("name", ["wheel-corner", "two-person-table", "market-stall"])
def test_from_the_side_all_hangs_as_high_and_tilted_as_it_is(name: str) -> None:
    """Out from the wall to the right and up, on the scale of the room from above; and a lamp is
    turned along the line to what it is aimed at, as that line looks from the side."""
    profile = read_profile(CONFIG / f"{name}.yaml").profile
    assert profile.default_look is not None and profile.room.mark is not None
    presets = profile.looks[profile.default_look].presets
    drawn = {
        m[1]: tuple(map(float, m.groups()[1:])) for m in re.finditer(PLACED, side(profile, presets))
    }
    above = {
        m[1]: tuple(map(float, m.groups()[1:]))
        for m in re.finditer(PLACED, floor(profile, presets))
    }
    placed = {n: profile.devices[n].place for n in drawn}
    first, last = (
        min(placed, key=lambda n: placed[n].from_back),
        max(placed, key=lambda n: placed[n].from_back),
    )  # type: ignore[union-attr]
    scale = (above[last][1] - above[first][1]) / (placed[last].from_back - placed[first].from_back)  # type: ignore[union-attr]
    for a, b in itertools.pairwise(placed):
        one, two = placed[a], placed[b]
        assert one is not None and two is not None
        assert drawn[b][0] - drawn[a][0] == pytest.approx(
            scale * (two.from_back - one.from_back), abs=0.2
        )
        assert drawn[a][1] - drawn[b][1] == pytest.approx(
            scale * (two.height - one.height), abs=0.2
        )
    for a, one in placed.items():
        if one is not None and one.aim == "mark":
            out, up = (
                profile.room.mark.from_back - one.from_back,
                profile.room.mark.height - one.height,
            )
            turn = math.degrees(math.atan2(-up, out))
            assert drawn[a][2] == pytest.approx(turn, abs=0.1)


def test_the_picture_from_the_side_ends_at_the_cloth_where_the_lens_sees_it() -> None:
    """Thin lens, focused at the mark: 15.6 mm high behind 24 mm, 1.47 m away; the cloth is 2.17 m
    from the lens. By similar triangles, level to within a degree."""
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    drawn = side(profile, profile.looks["lesson"].presets)
    lines = re.findall(r'class="view" d="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)"', drawn)
    (x0, _, x1, bottom), (*_, top) = [tuple(map(float, line)) for line in lines]
    behind = 24 * 1472 / (1472 - 24)
    assert (bottom - top) / (x0 - x1) == pytest.approx(15.6 / behind, rel=0.01)


def test_a_dark_light_throws_no_beam() -> None:
    from studiobridge.profile.model import Preset

    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    presets = {**profile.looks["lesson"].presets, "key": Preset(0.0, 4300.0)}
    drawn = floor(profile, presets)
    assert 'data-beam="key"' not in drawn
    assert 'data-beam="fill"' in drawn
    assert 'data-device="key"' in drawn


@pytest.mark.parametrize("name", ["wheel-corner", "market-stall"])
def test_a_load_and_its_bar_say_the_same(name: str) -> None:
    """Amperes over amperes: with a power factor, watts over watts would be another share."""
    profile = read_profile(CONFIG / f"{name}.yaml").profile
    look = profile.default_look
    assert look is not None
    text = page(profile, look, profile.looks[look].presets)
    found = re.findall(r" W, ([\d.]+) A of ([\d.]+) A</td>.*?</span></span> (\d+) %", text)
    assert len(found) == 2
    for amps, limit, share in found:
        low, high = ((float(amps) + off) / float(limit) * 100 for off in (-0.06, 0.06))
        assert low - 0.5 <= float(share) <= high + 0.5

"""The judge of the witness judged: its camera is what it says, its renders add, its whites are white."""

from __future__ import annotations

import json
import math
import platform
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from studiobridge.profile.build import read_profile
from studiobridge.witness import shipped
from tests.outside.witnessed import rooms, scenery
from tests.outside.witnessed.camera import Camera, Moved

colour = pytest.importorskip("colour")
CONFIG = Path(__file__).resolve().parents[2] / "config"
SHIPPED = CONFIG / "wheel-corner.pictures"


@pytest.mark.parametrize("kind", ["film", "srgb"])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_curve_rises_from_black_to_white(kind: str, seed: int) -> None:
    codes = Camera(kind, seed).codes_of(np.linspace(0.0, 1.0, 2000) ** 2)  # type: ignore[arg-type]
    assert (np.diff(codes, axis=1) > 0).all()
    assert codes[:, 0] == pytest.approx(0.0, abs=0.1) and codes[:, -1] == pytest.approx(255.0)


def test_the_curve_of_srgb_is_the_standards() -> None:
    """Against colour-science's own (IEC 61966-2-1)."""
    light = np.linspace(0.0, 1.0, 500)
    expected = 255.0 * colour.models.eotf_inverse_sRGB(light)
    assert np.abs(Camera("srgb").codes_of(light)[1] - expected).max() < 0.01


def test_a_curve_like_films_has_a_toe_and_a_shoulder() -> None:
    """Over stops it is steepest in the middle, and less steep towards both ends."""
    stops = np.arange(-10.0, 0.5, 0.5)
    steps = np.diff(Camera("film", 3).codes_of(2.0**stops)[1])
    steepest = int(np.argmax(steps))
    assert -4.0 < stops[steepest] < -1.0
    assert (np.diff(steps[: steepest + 1]) > 0).all() and (np.diff(steps[steepest:]) < 0).all()


@pytest.mark.parametrize("light", [0.02, 0.2, 0.6])
def test_noise_is_read_and_shot_noise(light: float) -> None:
    """Variance = read2 + shot x light, and what rounding to codes adds: a twelfth of a step's square."""
    camera = Camera("srgb", 5, quality=None)
    codes = camera.frame(np.full((540, 960, 3), light, np.float32))
    table = camera.light_of_codes()[1]
    seen = table[codes[..., 1]]
    step = float(np.gradient(table)[round(float(camera.codes_of(np.array([light]))[1, 0]))])
    expected = camera.read**2 + camera.shot * light + step**2 / 12.0
    assert seen.var() == pytest.approx(expected, rel=0.06)
    assert seen.mean() == pytest.approx(light, rel=0.003)


def test_a_frame_has_been_through_jpeg_at_85() -> None:
    """What is left of a block is whole steps of the standard's table (ITU-T T.81, annex K.1), by
    the scale of the Independent JPEG Group for quality 85: (200 - 2 x 85) / 100. From memory."""
    dice = np.random.default_rng(4)
    grey = np.repeat(dice.uniform(0.1, 0.5, (540, 960, 1)).astype(np.float32), 3, axis=2)
    codes = Camera("srgb", 1, read=0.0, shot=0.0).frame(grey)
    bare = Camera("srgb", 1, read=0.0, shot=0.0, quality=None).frame(grey)
    for row, column, standard in ((0, 1, 11), (4, 4, 68), (7, 7, 99)):
        step = math.floor(standard * 0.3 + 0.5)

        def off(of: np.ndarray, row: int = row, column: int = column, step: int = step) -> float:
            blocks = [
                cv2.dct(of[y : y + 8, x : x + 8, 1].astype(np.float32) - 128.0)[row, column]
                for y in range(0, 320, 8)
                for x in range(0, 320, 8)
            ]
            return float(np.abs(np.array(blocks) / step - np.rint(np.array(blocks) / step)).mean())

        # rounding back to codes leaves little; of other pictures a quarter of a step is usual
        assert off(codes) < 0.15 and off(bare) > 0.2


def test_what_is_moved_lies_where_it_was_put() -> None:
    light = np.full((540, 960, 3), 0.1, np.float32)
    light[260:281, 470:491] = 0.9
    codes = Camera("srgb", 2, moved=Moved(12.0, -7.0)).frame(light)
    rows, columns = np.nonzero(codes[..., 1] > 200)
    assert columns.mean() == pytest.approx(480 + 12.0, abs=0.3)
    assert rows.mean() == pytest.approx(270 - 7.0, abs=0.3)


def test_left_on_automatic_it_follows_the_picture() -> None:
    """Half the light is made up for within a few frames; warm light turns to grey."""
    dice = np.random.default_rng(1)
    light = dice.uniform(0.05, 0.4, (54, 96, 3)).astype(np.float32)
    light = np.kron(light, np.ones((10, 10, 1), np.float32))
    auto = Camera("film", 1, auto_exposure=True)
    before = auto.frame(light).mean()
    after = [auto.frame(light * np.float32(0.5)).mean() for _ in range(8)]
    by_hand = Camera("film", 1).frame(light).mean() - Camera("film", 1).frame(light * 0.5).mean()
    assert abs(after[-1] - before) < 0.1 * by_hand < by_hand < 2 * (before - after[0]) + by_hand
    warm = Camera("srgb", 1, auto_white=True)
    codes = warm.frame(light * np.array([0.6, 1.0, 1.4], np.float32))
    means = codes.reshape(-1, 3).mean(axis=0)
    assert means.max() - means.min() < 4


@pytest.mark.parametrize(
    ("cct", "u", "v"),
    [(3200, 0.24399, 0.34488), (4000, 0.22511, 0.33439), (5600, 0.20610, 0.31746)],
)
def test_whites_are_those_of_a_black_body(cct: float, u: float, v: float) -> None:
    """CIE 1960 u, v computed with colour-science, Ohno 2013."""
    assert rooms.uv_of(rooms.white_rgb(cct)) == pytest.approx((u, v), abs=4e-4)
    xyz = rooms.TO_XYZ @ rooms.white_rgb(cct)
    uv = colour.UCS_to_uv(colour.XYZ_to_UCS(xyz))
    found, _ = colour.temperature.uv_to_CCT_Ohno2013(uv)
    assert 1e6 / found == pytest.approx(1e6 / cct, abs=1.5)
    assert rooms.cct_of(rooms.white_rgb(cct)) == pytest.approx(cct, rel=1e-3)


ALONE_AND_TOGETHER = """
import json
from tests.outside.witnessed import rooms, scenery
room, lit = rooms.wheel_corner(), ("key", "edge-left")
alone = scenery.pictures(room, None, (32, 18), 3, lit)
both = scenery.pictures(room, None, (32, 18), 3, lit, together=True)
print(json.dumps({n: p.tolist() for n, p in {**alone, **both}.items()}))
"""


@pytest.mark.skipif(not scenery.here() or platform.machine() != "x86_64", reason=scenery.WHY_NOT)
def test_two_lamps_together_are_the_sum_of_each_alone() -> None:
    """Mitsuba's picture with both on against its pictures with one: light adds, to its noise.

    In a process of its own: two variants of the renderer in one do not get along.
    """
    done = subprocess.run(
        [sys.executable, "-c", ALONE_AND_TOGETHER],
        cwd=CONFIG.parent,
        capture_output=True,
        text=True,
        check=True,
    )
    pictures = {n: np.array(p) for n, p in json.loads(done.stdout.splitlines()[-1]).items()}
    both, total = pictures["together"], pictures["key"] + pictures["edge-left"]
    assert min(float(p.mean()) for p in pictures.values()) > 0.05 * float(both.mean())
    assert float(total.mean()) == pytest.approx(float(both.mean()), rel=0.03)
    assert float(np.abs(total - both).mean() / both.mean()) < 0.25


# ---- the small set that comes along --------------------------------------------------------------


def test_the_shipped_pictures_are_of_the_wheel_corners_lamps() -> None:
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    assert profile is not None
    found = shipped.shares(SHIPPED)
    lamps = {n for n, d in profile.devices.items() if d.kind in ("light", "backdrop")}
    assert set(found) == lamps
    for name, whites in found.items():
        ends = profile.devices[name].cct_range
        assert set(whites) == (set(ends) if ends else {None})
        for light in whites.values():
            assert light.shape == (540, 960, 3) and light.dtype == np.float32
            assert 0.005 < float(light.mean()) < 1.0 and np.isfinite(light).all()
    # the warm end of a lamp is redder than the cool one, the lamp on the left lights the left more
    warm, cool = found["key"][2700.0].mean(axis=(0, 1)), found["key"][6500.0].mean(axis=(0, 1))
    assert warm[2] / warm[0] > 2.5 * cool[2] / cool[0]
    left = found["edge-left"][None]
    assert left[:, :480].mean() > 1.2 * left[:, 480:].mean()
    assert sum(f.stat().st_size for f in SHIPPED.iterdir()) < 2_800_000


def test_somebody_hides_the_cloth_in_the_shipped_poses() -> None:
    nobody = shipped.shares(SHIPPED)["cloth"][2703.0]
    assert shipped.poses(SHIPPED) >= 1
    for pose in range(shipped.poses(SHIPPED)):
        light = shipped.shares(SHIPPED, pose)["cloth"][2703.0]
        # who stands before a lit cloth is dark against it; the shelf at the left is as it was
        assert light[300:500, 420:540].mean() < 0.3 * nobody[300:500, 420:540].mean()
        assert light[:100, :200].mean() == pytest.approx(nobody[:100, :200].mean(), rel=0.05)


def test_a_folder_without_pictures_says_so(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"pictures\.json cannot be read"):
        shipped.shares(tmp_path)
    with pytest.raises(ValueError, match="pose 7"):
        shipped.shares(SHIPPED, 7)
    (tmp_path / "pictures.json").write_text((SHIPPED / "pictures.json").read_text())
    with pytest.raises(ValueError, match=r"cloth|dark|key.*cannot be read"):
        shipped.shares(tmp_path)
    (tmp_path / "dark.png").write_bytes(b"no picture")
    with pytest.raises(ValueError, match=r"dark\.png is no picture"):
        shipped.dark(tmp_path)

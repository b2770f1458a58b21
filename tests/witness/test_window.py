"""A window in the shipped pictures of a corner: told from the lamp of two whites that is beside it.

Learned as `rehearse --page --witness` has it, so that who types `blind open` there is told of it.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from studiobridge.cli import pictured
from studiobridge.profile import read_profile
from studiobridge.profile.sighting import Sighting
from studiobridge.rehearsal.eye import Eye
from studiobridge.shown import seen
from studiobridge.witness import keeping, shipped
from studiobridge.witness.reduced import COOL_WHITE, daylight, surfaces
from studiobridge.witness.seeing import Seeing

PROFILE = Path(__file__).parents[2] / "config" / "wheel-corner.yaml"


class Corner:
    def __init__(self, folder: Path) -> None:
        profile = read_profile(PROFILE).profile
        assert profile is not None and profile.default_look is not None
        copy = folder / PROFILE.name
        shutil.copyfile(PROFILE, copy)
        self.pictures, self.frame = pictured.pictures_of(PROFILE), folder / "frame.jpg"
        self.eyes: dict[int | None, Eye] = {}
        self.profile = pictured.with_file(profile, PROFILE, copy)
        pictured.learned_before(copy, PROFILE, self.profile, self.eye(None))
        kept_in = keeping.folder_of(copy)
        self.learned = keeping.load(kept_in)
        self.kept = keeping.kept_picture(profile.default_look, kept_in)
        assert self.learned is not None and self.kept is not None
        ccts = self.kept.ccts
        self.given = {n: (much, ccts[n]) for n, much in self.kept.amounts.items()}

    def eye(self, pose: int | None) -> Eye:
        """The camera, with somebody in this pose."""
        if pose not in self.eyes:
            room: Any = SimpleNamespace(devices={})
            shares, dark = shipped.shares(self.pictures, pose), shipped.dark(self.pictures)
            window = shipped.foreign(self.pictures)["window"]
            self.eyes[pose] = Eye(room, shares, dark, self.frame, window)
        return self.eyes[pose]

    def codes(
        self, blind: float = 0.0, pose: int | None = None, by: Mapping[str, float] | None = None
    ) -> Any:
        eye, given = self.eye(pose), dict(self.given)
        for name, much in (by or {}).items():
            given[name] = (given[name][0] * much, given[name][1])
        eye.given = lambda: given  # type: ignore[method-assign]
        eye.mishap.blind = blind
        eye.write()
        return cv2.imread(str(self.frame))

    def seen(self, *frames: Any) -> Sighting:
        """What the last of these frames comes to, after some of the look as it was kept."""
        assert self.learned is not None
        seeing = Seeing(self.learned, self.kept, self.profile)
        for number, codes in enumerate([self.codes(), self.codes(), *frames]):
            found = seeing.look(codes, 1000.0 + number, 0.1)
        return found


@pytest.fixture(scope="module")
def corner(tmp_path_factory: pytest.TempPathFactory) -> Corner:
    return Corner(tmp_path_factory.mktemp("corner"))


@pytest.mark.parametrize("blind", [0.03, 0.12, 0.3])
def test_an_open_blind_is_light_from_nowhere(corner: Corner, blind: float) -> None:
    """It was taken for the fill beside it, three quarters of a stop up and its white turned."""
    found = corner.seen(*(corner.codes(blind) for _ in range(3)))
    assert found.stray is not None and not found.hinders
    assert seen.surely_stray(asdict(found))
    assert found.stray.share.value == pytest.approx(blind, rel=0.3)
    assert found.stray.where in ("right", "")
    if blind > 0.1:
        assert not any(light.moved for light in found.lights.values())


@pytest.mark.parametrize("turned", ["key", "rim", "edge-left"])
def test_an_open_blind_beside_a_lamp_that_was_turned(corner: Corner, turned: str) -> None:
    found = corner.seen(*(corner.codes(0.12, by={turned: 1.5}) for _ in range(3)))
    assert found.stray is not None
    assert found.stray.share.low <= 0.12 <= found.stray.share.high
    assert {name for name, light in found.lights.items() if light.moved} <= {turned}


@pytest.mark.parametrize("pose", [0, 1])
def test_an_open_blind_behind_somebody(corner: Corner, pose: int) -> None:
    found = corner.seen(*(corner.codes(0.12, pose) for _ in range(3)))
    assert found.stray is not None
    assert found.stray.share.low <= 0.12 <= found.stray.share.high


@pytest.mark.parametrize("pose", [None, 0, 1])
@pytest.mark.parametrize(("lamp", "by"), [("cloth", 1.6), ("cloth", 1.4), ("fill", 1.4)])
def test_a_lamp_turned_up_is_no_window_whoever_stands_there(
    corner: Corner, pose: int | None, lamp: str, by: float
) -> None:
    """The cloth's own light is as blue against all others' there as daylight is."""
    found = corner.seen(*(corner.codes(0.0, pose, {lamp: by}) for _ in range(3)))
    # of the fill with nobody there it says perhaps
    assert found.stray is None or not seen.surely_stray(asdict(found))


# ---- the colour that daylight has ----------------------------------------------------------------


def lit(colours: Mapping[str, tuple[float, float, float]], on: Mapping[str, Any]) -> Any:
    """Blocks of grey and blue things under lamps of these colours (BGR), blocks × lamps."""
    dice = np.random.default_rng(3)
    surface = dice.uniform(0.3, 0.7, (200, 1)) * np.ones(3)
    surface[100:] *= np.array([2.0, 1.0, 0.5])
    lamps = [
        (surface * np.array(colour) * np.asarray(on.get(name, 1.0)).reshape(-1, 1)).reshape(-1)
        for name, colour in colours.items()
    ]
    return np.stack(lamps, axis=1).astype(np.float32)


def test_a_cool_lamp_on_a_blue_cloth_makes_daylight_no_bluer() -> None:
    warm, cool = (0.6, 1.0, 1.4), (1.3, 1.0, 0.8)
    on_blue = np.where(np.arange(200) < 100, 0.05, 1.0)
    light = lit({"a": warm, "b": cool, "c": warm, "d": cool}, {"c": on_blue, "d": on_blue})
    whites = [2700.0, COOL_WHITE + 500, 2700.0, COOL_WHITE + 500]
    found = daylight(light, whites) / surfaces(light).mean(axis=0)
    # against what the lamps make of all things together, which is half way between the two whites
    half = np.sqrt(np.array(cool) / np.array(warm))
    assert found[0] / found[2] == pytest.approx(half[0] / half[2], rel=0.1)
    # d's own picture is nearly all blue things
    own = light[:, 3].reshape(-1, 3).mean(axis=0) / surfaces(light).mean(axis=0)
    assert own[0] / own[2] > 1.2 * half[0] / half[2]


def test_one_lamp_of_another_colour_is_not_daylight() -> None:
    """A filter on it, or a cloth that glows: the others with such a white say what daylight is."""
    cool, blue = (1.3, 1.0, 0.8), (3.0, 1.0, 0.3)
    light = lit({"a": cool, "b": cool, "c": blue}, {})
    same = lit({"a": cool, "b": cool, "c": cool}, {})
    whites = [6500.0, 6500.0, 6500.0]
    found, expected = daylight(light, whites), daylight(same, whites)
    assert found[0] / found[2] == pytest.approx(expected[0] / expected[2], rel=0.25)

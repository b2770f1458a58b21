"""A small textured scene under three lamps: the curve, the lamps' levels and their pictures."""

from pathlib import Path

import numpy as np
import pytest

from studiobridge.profile.build import read_profile
from studiobridge.witness.learned import Curve
from studiobridge.witness.learning import LitFrames, learned_from
from studiobridge.witness.response import CannotFit, Lit, Response
from tests.outside.witnessed.camera import Camera

CONFIG = Path(__file__).resolve().parents[2] / "config"
SIZE = (160, 240)
Levels = dict[str, float]


def lamps() -> dict[str, np.ndarray]:
    dice = np.random.default_rng(7)
    y, x = np.mgrid[0 : SIZE[0], 0 : SIZE[1]] / SIZE[0]
    paint = np.kron(dice.uniform(0.1, 0.8, (10, 15, 3)), np.ones((16, 16, 1)))
    spots = {"key": (0.3, 0.2), "rim": (0.2, 1.2), "cloth": (0.8, 0.8)}
    return {
        n: (0.5 * paint / (1 + 6 * ((y - a) ** 2 + (x - b) ** 2))[..., None]).astype(np.float32)
        for n, (a, b) in spots.items()
    }


def taken(camera: Camera, levels: Levels, lies: Levels | None = None) -> LitFrames:
    shares = lamps()
    light = np.zeros((*SIZE, 3), np.float32)
    for name, level in levels.items():
        light += shares[name] * np.float32((lies or {}).get(f"{name} {level:g}", level) / 100)
    big = np.zeros((540, 960, 3), np.float32)
    big[: SIZE[0], : SIZE[1]] = light
    frames = [np.ascontiguousarray(camera.frame(big)[: SIZE[0], : SIZE[1]]) for _ in range(2)]
    lit = {
        (n, None): Lit(n, n, level, level / 100, 0.0 if level == 100 else 0.3)
        for n, level in levels.items()
    }
    return LitFrames(lit, frames)


def session(camera: Camera, lies: Levels | None = None) -> list[LitFrames]:
    alone: list[Levels] = [{n: v} for n in lamps() for v in (100.0, 50.0, 25.0)]
    together: list[Levels] = [{"key": 100, "rim": 100}, {"key": 100, "rim": 100, "cloth": 100}]
    return [taken(camera, levels, lies) for levels in [{}, *alone, *together]]


@pytest.mark.parametrize("kind", ["film", "srgb"])
def test_a_lamp_that_lies_of_its_level_is_found_out(kind: str) -> None:
    camera = Camera(kind, 3)  # type: ignore[arg-type]
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    learned = learned_from(profile, "2026-11-27", session(camera, {"rim 50": 42.0}))
    assert abs(np.log2(dict(learned.dimmers["rim"])[50.0] / 0.42)) < 0.05
    assert abs(np.log2(dict(learned.dimmers["key"])[50.0] / 0.50)) < 0.05
    assert learned.error < 0.05
    truth = camera.light_of_codes()
    off = np.log2(learned.curve.light / np.maximum(truth, 1e-9))[:, 40:180]
    assert np.abs(off - np.median(off, axis=1, keepdims=True)).max() < 0.08


def test_frames_of_two_sizes_are_refused() -> None:
    states = session(Camera("srgb", 3))
    states[2] = LitFrames(states[2].lit, [frame[:80] for frame in states[2].frames])
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    with pytest.raises(CannotFit, match="one size"):
        learned_from(profile, "2026-11-27", states)


@pytest.mark.parametrize("kind", ["film", "srgb"])
def test_shadows_are_known_as_well_where_nothing_but_black_is_beside_them(kind: str) -> None:
    # a shut room: without a word of how black black is, any light might be added to the curve
    camera = Camera(kind, 5)  # type: ignore[arg-type]
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    states: list[Levels] = [{}, *({n: v} for n in lamps() for v in (100.0, 50.0, 25.0, 10.0))]
    states += [dict.fromkeys(lamps(), v) for v in (100.0, 50.0)]
    learned = learned_from(profile, "2026-11-27", [taken(camera, s) for s in states])
    off = np.log2(learned.curve.light / np.maximum(camera.light_of_codes(), 1e-9))
    off -= np.median(off[:, 90:180], axis=1, keepdims=True)
    shadows = np.abs(off[:, 15:60])
    assert shadows.max() < 0.12
    assert (shadows <= learned.curve.sure[:, 15:60]).mean() > 0.9


def test_noise_cut_off_at_black_dims_no_lamp() -> None:
    # nothing is lit with all lamps off: what is read there is noise, and no light of the room
    camera, states = (
        Camera("film", 5),
        [{}, *({n: v} for n in lamps() for v in (100.0, 50.0, 25.0))],
    )
    states += [dict.fromkeys(lamps(), v) for v in (100.0, 50.0)]
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    learned = learned_from(profile, "2026-11-27", [taken(camera, levels) for levels in states])
    assert learned.dark.mean() < 0.1 * camera.read
    for share in learned.shares:
        true = lamps()[share.device][..., 1]
        dim = (true > 0.004) & (true < 0.015)
        # as the learned curve reads what the camera would write of it without noise
        code = camera.codes_of(true[dim].astype(float))[1]
        read = np.interp(code, np.arange(256), learned.curve.light[1])
        off = np.log2(share.light[..., 1][dim].mean() / read.mean())
        assert dim.sum() > 500
        assert off > -0.02, share.device


def test_light_is_found_under_noise_that_is_cut_off() -> None:
    # against dice: normal noise about so much light, nothing below black
    noise = np.random.default_rng(1).normal(0, 0.001, 200_000)
    curve = Curve(np.ones((3, 256), np.float32), np.ones((3, 256), np.float32))
    black = float(np.maximum(noise, 0).mean())
    found = Response(curve, {}, 1.0, (black, black, 0.0))
    for true in (0.0, 0.0005, 0.001, 0.002, 0.01):
        read = np.array([np.maximum(true + noise, 0).mean()])
        assert abs(found.uncut(read, 0)[0] - true) < 3e-5


def test_where_no_two_lamps_were_seen_together_nothing_was_held_to_account() -> None:
    camera, states = Camera("srgb", 3), [{}, *({n: v} for n in lamps() for v in (100.0, 50.0))]
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    alone = learned_from(profile, "2026-11-27", [taken(camera, levels) for levels in states])
    assert alone.error is None

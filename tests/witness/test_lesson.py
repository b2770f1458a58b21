"""A lesson without I/O: lamps of a small set, a simulated camera, people and gear that misbehave."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest

from studiobridge.profile.model import SetProfile
from studiobridge.witness.learned import Codes
from studiobridge.witness.lesson import ByHand, Done, Lesson, Look, Refused, Tell
from tests.outside.witnessed.camera import Camera
from tests.witness.dimmed import WITH_RIM, read_corner

ROWS, COLUMNS = 192, 320
SPOTS = {"key": (0.3, 0.3), "wash": (0.7, 1.3), "rim": (0.2, 0.9)}


@pytest.fixture(scope="module")
def profile(tmp_path_factory: pytest.TempPathFactory) -> SetProfile:
    return read_corner(tmp_path_factory.mktemp("lesson"), WITH_RIM)


def pictures() -> dict[str, np.ndarray]:
    dice = np.random.default_rng(7)
    y, x = np.mgrid[0:ROWS, 0:COLUMNS] / ROWS
    paint = np.kron(dice.uniform(0.15, 0.8, (12, 20, 3)), np.ones((16, 16, 1)))
    return {
        name: (0.8 * paint / (1 + 6 * ((y - a) ** 2 + (x - b) ** 2))[..., None]).astype(np.float32)
        for name, (a, b) in SPOTS.items()
    }


@dataclass
class Room:
    """What each lamp gives, and a camera before it. The rest is what goes wrong."""

    camera: Camera = field(default_factory=lambda: Camera("srgb", 3))
    shares: Mapping[str, np.ndarray] = field(default_factory=pictures)
    levels: dict[str, float] = field(default_factory=dict)
    # what a lamp truly gives for what it was told
    gives: Callable[[str, float], float] = lambda name, level: level / 100
    dark: float = 0.002
    looks: int = 0
    before: Callable[[Room, np.ndarray], np.ndarray] = lambda room, light: light
    frozen: bool = False
    refuses: str = ""
    skips: str = ""

    def frame(self) -> Codes:
        self.looks += 1
        light = np.full((ROWS, COLUMNS, 3), self.dark, np.float32)
        for name, level in self.levels.items():
            light += self.shares[name] * np.float32(self.gives(name, level))
        # the simulated camera has one size, and a corner of its picture is enough
        whole = np.zeros((540, 960, 3), np.float32)
        whole[:ROWS, :COLUMNS] = self.before(self, light)
        return np.ascontiguousarray(self.camera.frame(whole)[:ROWS, :COLUMNS])

    def play(self, profile: SetProfile, **more: object) -> Done | Refused:
        lesson = Lesson(profile, "2026-01-01T00:00:00+00:00", **more)  # type: ignore[arg-type]
        for _ in range(400):
            wish = lesson.wish
            if isinstance(wish, Done | Refused):
                return wish
            if isinstance(wish, Tell):
                ok = wish.device != self.refuses
                for point, value in wish.values if ok else ():
                    self.levels[wish.device] = (
                        float(value) if point == "level" else 100.0 * bool(value)  # type: ignore[arg-type]
                    )
                lesson.told(ok, "" if ok else "it does not answer")
            elif isinstance(wish, ByHand):
                done = wish.device != self.skips or wish.device is None
                if done:
                    self.levels["rim"] = wish.level
                lesson.by_hand(done)
            else:
                assert isinstance(wish, Look)
                frames = [self.frame() for _ in range(wish.count)]
                lesson.frames([frames[0]] * wish.count if self.frozen else frames)
        raise AssertionError("a lesson without an end")


@pytest.mark.parametrize("kind", ["film", "srgb"])
def test_what_is_learned_adds_up(profile: SetProfile, kind: str) -> None:
    done = Room(Camera(kind, 3)).play(profile)  # type: ignore[arg-type]
    assert isinstance(done, Done), done
    assert {share.device for share in done.learned.shares} == {"key", "wash", "rim"}
    assert done.left_out == {}
    assert done.learned.error < 0.05
    # a lamp at half is one stop below full, by what was learned of it
    assert abs(np.log2(dict(done.learned.dimmers["key"])[50.0] / 0.5)) < 0.06
    # ... and its picture is the lamp's own, but for one common factor
    truth = pictures()["key"]
    mine = next(s.light for s in done.learned.shares if s.device == "key")
    lit = truth > 0.05
    off = np.log2(np.maximum(mine[lit], 1e-6) / truth[lit])
    assert float(np.median(np.abs(off - np.median(off)))) < 0.06


def test_a_dimmer_that_is_not_what_it_says_is_found_out(profile: SetProfile) -> None:
    room = Room(
        gives=lambda name, level: (
            (level / 100) * (0.8 if 0 < level < 100 and name == "wash" else 1.0)
        )
    )
    done = room.play(profile)
    assert isinstance(done, Done), done
    assert abs(np.log2(dict(done.learned.dimmers["wash"])[50.0] / 0.4)) < 0.08


def test_a_lamp_that_does_not_follow_is_left_out_and_named(profile: SetProfile) -> None:
    done = Room(gives=lambda name, level: float(level > 0) if name == "wash" else level / 100).play(
        profile
    )
    assert isinstance(done, Done), done
    assert "does not follow" in done.left_out["wash"]
    assert {share.device for share in done.learned.shares} == {"key", "rim"}


def test_a_lamp_that_nobody_sees_or_that_does_not_answer_is_left_out(profile: SetProfile) -> None:
    done = Room(gives=lambda name, level: 0.0 if name == "wash" else level / 100).play(profile)
    assert isinstance(done, Done), done
    assert "in the picture" in done.left_out["wash"]
    refused = Room(refuses="wash").play(profile)
    assert isinstance(refused, Refused)
    assert "dark" in refused.why  # it may be lit: nothing is alone beside it


def test_what_a_person_leaves_out_and_what_is_locked_out(profile: SetProfile) -> None:
    done = Room(skips="rim").play(profile, without={"wash": "it is locked out"})
    assert isinstance(done, Done), done
    assert set(done.left_out) == {"rim", "wash"}
    assert "locked out" in done.left_out["wash"]


def walker(room: Room, light: np.ndarray) -> np.ndarray:
    at = (40 * room.looks) % COLUMNS
    light = light.copy()
    light[40:, at : at + 50] *= 0.2
    return light


def automatic(room: Room, light: np.ndarray) -> np.ndarray:
    return light * np.float32(0.18 / max(float(light.mean()), 1e-4))


def window(room: Room, light: np.ndarray) -> np.ndarray:
    return light + np.float32(0.004 * (room.looks > 30) * 10)


def kicked(room: Room, light: np.ndarray) -> np.ndarray:
    return np.roll(light, 12, axis=1) if room.looks > 24 else light


def drifting_white(room: Room, light: np.ndarray) -> np.ndarray:
    tint = 1.0 + 0.004 * room.looks
    return light * np.array([1 / tint, 1.0, tint], np.float32)


@pytest.mark.parametrize(
    ("before", "said"),
    [
        (walker, "moves"),
        (automatic, "by itself"),
        (window, "daylight"),
        (kicked, "moved"),
        (drifting_white, "by itself"),
    ],
)
def test_what_cannot_work_is_refused_with_its_reason(
    profile: SetProfile, before: Callable[[Room, np.ndarray], np.ndarray], said: str
) -> None:
    refused = Room(before=before).play(profile)
    assert isinstance(refused, Refused), refused
    assert said in refused.why
    assert refused.todo


def test_a_frozen_stream_and_a_dark_picture_are_refused(profile: SetProfile) -> None:
    frozen = Room(frozen=True).play(profile)
    assert isinstance(frozen, Refused)
    assert "stands still" in frozen.why
    dark = Room(shares={name: 0.003 * light for name, light in pictures().items()}).play(profile)
    assert isinstance(dark, Refused)
    assert "dark" in dark.why or "no lamp is seen" in dark.why


def test_without_hands_no_dial_is_learned_and_the_rest_is(profile: SetProfile) -> None:
    lesson = Lesson(profile, "2026-01-01T00:00:00+00:00")
    while not isinstance(lesson.wish, ByHand):
        lesson.told(True)
    lesson.by_hand(False)
    assert "nobody turned" in lesson.left_out["rim"]
    assert isinstance(lesson.wish, Look)


def test_it_refuses_where_there_is_nothing_to_learn(profile: SetProfile) -> None:
    all_locked = dict.fromkeys(("key", "wash", "rim"), "it is locked out")
    wish = Lesson(profile, "now", without=all_locked).wish
    assert isinstance(wish, Refused)


def test_what_is_kept_is_for_its_owner_alone(profile: SetProfile, tmp_path: Path) -> None:
    from studiobridge.witness import keeping

    done = Room().play(profile)
    assert isinstance(done, Done)
    keeping.save(done.learned, tmp_path / "corner.witness")
    again = keeping.load(tmp_path / "corner.witness")
    assert again.dimmers == done.learned.dimmers
    modes = {path.stat().st_mode & 0o077 for path in (tmp_path / "corner.witness").iterdir()}
    assert modes == {0}


def levels_seen(profile: SetProfile, room: Room) -> dict[str, list[float]]:
    """Of each lamp the levels it was told, when it was looked at alone."""
    lesson, told = Lesson(profile, "2026-01-01T00:00:00+00:00"), dict.fromkeys(SPOTS, 0.0)
    found: dict[str, list[float]] = {}
    for _ in range(400):
        wish = lesson.wish
        if isinstance(wish, Done | Refused):
            assert isinstance(wish, Done), wish
            return found
        if isinstance(wish, Tell):
            for point, value in wish.values:
                told[wish.device] = float(value) if point == "level" else 100.0 * bool(value)  # type: ignore[arg-type]
            lesson.told(True)
        elif isinstance(wish, ByHand):
            told["rim"] = wish.level
            lesson.by_hand(True)
        else:
            room.levels = told
            on = [n for n, level in told.items() if level > 0]
            if len(on) == 1:
                found.setdefault(on[0], []).append(told[on[0]])
            lesson.frames([room.frame() for _ in range(wish.count)])
    raise AssertionError("a lesson without an end")


def test_levels_are_chosen_for_what_is_weakly_known_and_no_more_than_time_allows(
    profile: SetProfile,
) -> None:
    bright = levels_seen(profile, Room())
    dim = levels_seen(
        profile, Room(shares={n: light / 12 for n, light in pictures().items()}, dark=0.0005)
    )
    for seen in (bright, dim):
        assert 3 <= len(set(seen["wash"])) <= 6 and {100.0, 50.0} <= set(seen["wash"])
    # lamps that are all shadow at full already are not turned down for more of it
    assert min(bright["wash"]) < min(dim["wash"])
    eight = replace(
        profile,
        devices={
            f"{n}-{k}": replace(profile.devices[n], name=f"{n}-{k}")
            for n in ("key", "wash")
            for k in range(4)
        },
    )
    assert 150 < Lesson(eight, "").lasts <= 180


def test_a_lamp_that_lights_a_small_bright_spot_follows_though_all_else_is_black(
    profile: SetProfile,
) -> None:
    shares = pictures()
    # turned down, only its bright spot is left above black, and that is brighter than all it lights
    shares["wash"] = shares["wash"] * 0.02
    shares["wash"][64:112, 128:192] += 0.3
    done = Room(shares=shares, dark=0.0).play(profile)
    assert isinstance(done, Done), done
    assert "wash" not in done.left_out

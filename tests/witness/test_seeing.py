"""One look at the picture: what hinders, which light moved, and words that never claim too much."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from studiobridge.craft.light import Dimmer
from studiobridge.profile.model import Device, Look, Preset, Region, SetProfile
from studiobridge.profile.sighting import Sighting
from studiobridge.witness.learned import Codes, Kept
from studiobridge.witness.seeing import Seeing, level_at
from tests.figures.sets import small
from tests.witness.synthetic import LAMPS, Floats, Lamp, Presenter, Set, frame, made

LOOK = dict.fromkeys(LAMPS, 0.5)
PRESETS = {name: Preset(50.0) for name in LAMPS}


@pytest.fixture(scope="module")
def corner() -> Set:
    return made(1)


def profile() -> SetProfile:
    devices = [Device(name, "light", tells=frozenset({"level"})) for name in LAMPS]
    return small(*devices, presets=PRESETS, looks={"look": Look("look", PRESETS)}, name="made-up")


def kept(corner: Set, dice: np.random.Generator) -> Kept:
    codes = frame(corner.light(LOOK), dice)
    return Kept("look", "2026-01-01T00:00:00+00:00", codes, np.ones(codes.shape[:2], bool))


def eye(corner: Set, dice: np.random.Generator) -> Seeing:
    return Seeing(corner.learned, kept(corner, dice), profile(), "run-1")


def finite(seen: Sighting) -> bool:
    bands = [light.amount for light in seen.lights.values()]
    bands += [light.stops for light in seen.lights.values() if light.stops]
    bands += [light.level for light in seen.lights.values() if light.level]
    return all(
        math.isfinite(v) for band in bands for v in (band.low, band.value, band.high)
    ) and all(band.low <= band.value <= band.high for band in bands)


def test_the_set_as_it_was_kept(corner: Set) -> None:
    dice = np.random.default_rng(1)
    seeing = eye(corner, dice)
    for number in range(3):
        seen = seeing.look(frame(corner.light(LOOK), dice), 100.0 + number, 0.1, PRESETS)
        assert not seen.hinders
        assert not any(light.moved for light in seen.lights.values())
    assert (seen.run, seen.frame, seen.frames, seen.kept) == ("run-1", 3, 3, "look")
    assert seen.taken == 102.0
    assert seen.stray is None
    assert seen.usable
    key = seen.lights["key"]
    assert key.level is not None and key.level.low <= 50.0 <= key.level.high
    assert key.stops is not None and abs(key.stops.value) < 0.05
    assert finite(seen)


def test_a_camera_set_otherwise_from_the_first_frame_on_is_no_lamps_turned(corner: Set) -> None:
    dice = np.random.default_rng(11)
    seen = eye(corner, dice).look(
        frame(corner.light(LOOK) * np.float32(2**-0.5), dice), 100.0, 0.1, PRESETS
    )
    assert seen.exposure is not None
    assert abs(seen.exposure.value + 0.5) < 0.06
    assert not any(light.moved for light in seen.lights.values())


def test_a_camera_whose_white_is_off_is_so_in_every_frame_and_no_lamps_are_turned(
    corner: Set,
) -> None:
    dice = np.random.default_rng(12)
    seeing = eye(corner, dice)
    gains = np.array([2**-0.3, 1.0, 2**0.2])
    for number in range(3):
        seen = seeing.look(frame(corner.light(LOOK) * gains, dice), 100.0 + number, 0.1, PRESETS)
        assert seen.exposure is not None and abs(seen.exposure.value) < 0.06
        assert not any(light.moved for light in seen.lights.values()), number
        assert abs(seen.lights["key"].amount.value - 0.5) < 0.03
        assert seen.white is not None and seen.white.mired.low > 10.0
        assert seen.by_hand == ()


def test_white_is_read_where_nobody_stands_now_whatever_was_seen_of_it_before(
    corner: Set,
) -> None:
    dice = np.random.default_rng(13)
    learned = replace(corner.learned, card=Region(0.42, 0.35, 0.52, 0.6))
    seeing = Seeing(learned, kept(corner, dice), profile(), "run-1")
    for number, x in enumerate((-1.2, 1.2, 0.0, 0.0)):
        light = corner.light(LOOK, Presenter(x, y=0.9, cloth=(0.5, 0.2, 0.1)))
        seen = seeing.look(frame(light, dice), 100.0 + number, 0.1, PRESETS)
        assert seen.white is not None
        assert seen.white.mired.low <= 0.0 <= seen.white.mired.high, (number, seen.white)
    assert seen.white.at != "card"  # somebody stands before it


@pytest.mark.parametrize("name", LAMPS)
def test_one_lamp_turned_is_named_and_no_other(corner: Set, name: str) -> None:
    dice = np.random.default_rng(2)
    seeing = eye(corner, dice)
    for by in (-0.3, 0.3):
        seeing.forget()
        light = corner.light({**LOOK, name: 0.5 * 2**by})
        seen = seeing.look(frame(light, dice), None, 0.1, PRESETS)
        assert [n for n, one in seen.lights.items() if one.moved] == [name]
        stops = seen.lights[name].stops
        assert stops is not None and stops.low <= by <= stops.high


def window(corner: Set, name: str, side: float, share: float) -> Floats:
    """Daylight through an opening near this lamp, so much of the light in the picture's middle."""
    near, day = LAMPS[name], np.array([1.35, 1.0, 0.75])
    beside = (near.at[0] + side * 0.1, near.at[1] - 0.2, near.at[2] - 0.2)
    light = corner.room.alone(Lamp(beside, near.aim, 1.0, near.focus, day))
    at = np.s_[82:163, 192:288]
    return np.asarray(light * (share * corner.light(LOOK)[at].mean() / light[at].mean()))


@pytest.mark.parametrize(
    ("name", "side", "share"),
    [("fill", -1.0, 0.05), ("fill", 1.0, 0.05), ("wall-left", -1.0, 0.12)],
)
def test_light_from_nowhere_is_not_said_to_be_the_lamp_it_looks_like(
    corner: Set, name: str, side: float, share: float
) -> None:
    """The lamp's own picture beside a window explains much of its light: no band may say so."""
    dice = np.random.default_rng(31)
    seeing = eye(corner, dice)
    light = corner.light(LOOK) + window(corner, name, side, share)
    seen = seeing.look(frame(light, dice), None, 0.1, PRESETS)
    assert seen.stray is not None
    assert finite(seen)
    for who, one in seen.lights.items():
        assert not one.moved
        assert one.stops is not None and one.level is not None
        # what is allowed is a tenth of a stop
        assert one.stops.low <= 0.1 and one.stops.high >= -0.1, who
        assert one.level.low <= 50.0 * 2**0.1 and one.level.high >= 50.0 * 2**-0.1, who
        assert one.amount.low <= 0.5 * 2**0.1 and one.amount.high >= 0.5 * 2**-0.1, who


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_a_lamp_turned_beside_light_from_nowhere_is_still_named(corner: Set, side: float) -> None:
    dice = np.random.default_rng(31)
    turned = corner.light({**LOOK, "key": 0.5 * 2**-0.5}) + window(corner, "fill", side, 0.05)
    seeing = eye(corner, dice)
    # so much is covered that somebody may be there: two frames have to agree
    for number in range(2):
        seen = seeing.look(frame(turned, dice), 100.0 + number, 0.1, PRESETS)
    key = seen.lights["key"]
    assert key.moved
    assert key.stops is not None and key.stops.high < -0.1


def test_a_presenter_moves_no_lamp(corner: Set) -> None:
    dice = np.random.default_rng(3)
    seeing = eye(corner, dice)
    for x in (-0.5, -0.25, 0.1, 0.4):
        light = corner.light(LOOK, Presenter(x, y=1.8))
        seen = seeing.look(frame(light, dice), None, 0.1, PRESETS)
        assert not any(one.moved for one in seen.lights.values())
        assert seen.stray is None


def test_the_same_frame_again_and_again_is_a_frozen_stream(corner: Set) -> None:
    dice = np.random.default_rng(4)
    seeing = eye(corner, dice)
    codes = frame(corner.light(LOOK), dice)
    said = [seeing.look(codes, None, 0.1).hinders for _ in range(4)]
    assert said[0] == ()
    assert said[3] == ("standing still",)
    assert seeing.look(frame(corner.light(LOOK), dice), None, 0.1).hinders == ()


def of_noise(dice: np.random.Generator, shape: tuple[int, ...]) -> Codes:
    return dice.integers(0, 256, shape).astype(np.uint8)


@pytest.mark.parametrize(
    ("what", "hindrance"),
    [("black", "too dark"), ("white", "too bright"), ("noise", None), ("upside down", None)],
)
def test_a_picture_of_something_else_says_so(corner: Set, what: str, hindrance: str | None) -> None:
    dice = np.random.default_rng(5)
    seeing = eye(corner, dice)
    codes = frame(corner.light(LOOK), dice)
    if what == "black":
        codes = np.zeros_like(codes)
    elif what == "white":
        codes = np.full_like(codes, 255)
    elif what == "noise":
        codes = of_noise(dice, codes.shape)
    else:
        codes = np.ascontiguousarray(codes[::-1, ::-1])
    seen = seeing.look(codes, None, 0.1, PRESETS)
    assert seen.hinders
    assert not seen.usable
    if hindrance:
        assert hindrance in seen.hinders
    assert finite(seen)


def test_somebody_before_the_lens_hides_it(corner: Set) -> None:
    dice = np.random.default_rng(6)
    seeing = eye(corner, dice)
    codes = frame(corner.light(LOOK), dice)
    codes[:, 60:420] = of_noise(dice, (codes.shape[0], 360, 3)) // 4 + 20
    seen = seeing.look(codes, None, 0.1, PRESETS)
    assert "hidden" in seen.hinders


def test_no_frame_of_this_camera_is_refused(corner: Set) -> None:
    seeing = eye(corner, np.random.default_rng(7))
    with pytest.raises(ValueError, match="480 × 272 px was learned"):
        seeing.look(np.zeros((540, 960, 3), np.uint8), None, 0.1)
    with pytest.raises(ValueError, match="bytes"):
        seeing.look(np.zeros((272, 480), np.uint8), None, 0.1)


def test_without_a_kept_picture_nothing_has_moved(corner: Set) -> None:
    dice = np.random.default_rng(8)
    seeing = Seeing(corner.learned, None, profile(), "run-1")
    seen = seeing.look(frame(corner.light({**LOOK, "key": 0.3}), dice), None, 0.1)
    assert seen.kept is None
    assert all(not one.moved and one.stops is None for one in seen.lights.values())
    assert abs(seen.lights["key"].amount.value - 0.3) < 0.03


def test_the_level_of_an_amount() -> None:
    learned = ((0.0, 0.0), (25.0, 0.06), (50.0, 0.25), (100.0, 1.0))
    assert level_at(learned, None, 0.25) == pytest.approx(50.0, abs=0.01)
    assert level_at(learned, None, 2.0) == 100.0
    # two points are no curve: the profile's says more
    assert level_at(((0.0, 0.0), (100.0, 1.0)), Dimmer("square"), 0.25) == pytest.approx(50.0)
    assert level_at((), None, 0.25) == 25.0


def test_frames_put_together_say_since_when(corner: Set) -> None:
    dice = np.random.default_rng(21)
    seeing = eye(corner, dice)
    for number in range(4):
        seen = seeing.look(frame(corner.light(LOOK), dice), 100.0 + number, 0.1, PRESETS)
    assert (seen.frames, seen.since, seen.taken) == (4, 100.0, 103.0)
    # one in which a lamp stands otherwise is said alone, of when it was taken
    turned = {**LOOK, "key": LOOK["key"] * 0.5}
    seen = seeing.look(frame(corner.light(turned), dice), 104.0, 0.1, PRESETS)
    assert (seen.frames, seen.since) == (1, 104.0)
    seen = seeing.look(frame(corner.light(turned), dice), 105.0, 0.1, PRESETS)
    assert (seen.frames, seen.since) == (2, 104.0)


def test_a_frame_from_before_a_command_is_never_put_together_with_one_from_after(
    corner: Set,
) -> None:
    """Also where the lamp looks no other after it: it may be a lamp that was told again."""
    dice = np.random.default_rng(22)
    seeing = eye(corner, dice)
    for number in range(4):
        seeing.look(frame(corner.light(LOOK), dice), 100.0 + number, 0.1, PRESETS)
    picture = frame(corner.light(LOOK), dice)
    seen = seeing.look(picture, 104.0, 0.1, PRESETS, counts_from=102.5)
    assert (seen.frames, seen.since) == (2, 103.0)
    seen = seeing.look(picture, 107.0, 0.1, PRESETS, counts_from=106.0)
    assert seen.since == 103.0, "the same picture again says nothing of after"


def test_lamps_that_go_down_on_purpose_are_no_automatic(corner: Set) -> None:
    """All of them together get darker frame by frame, as an automatic makes them."""
    dice = np.random.default_rng(31)

    def down(counts_from: float | None) -> set[str]:
        seeing = eye(corner, dice)
        for number in range(3):
            seeing.look(frame(corner.light(LOOK), dice), 100.0 + number, 0.1, PRESETS)
        found: set[str] = set()
        for number, share in enumerate((0.8, 0.6, 0.45, 0.3)):
            light = corner.light(dict.fromkeys(LAMPS, 0.5 * share))
            seen = seeing.look(frame(light, dice), 103.0 + number, 0.1, PRESETS, counts_from)
            found |= set(seen.hinders)
            assert seen.exposure is None or counts_from is None
        return found

    assert "auto exposure" in down(None), "else this shows nothing"
    assert "auto exposure" not in down(math.inf)
    assert "auto exposure" not in down(200.0)


def test_a_camera_on_automatic_is_named_again_once_the_light_stands(corner: Set) -> None:
    dice = np.random.default_rng(32)
    seeing = eye(corner, dice)
    said = []
    for number, stops in enumerate((0.0, 0.2, 0.35, 0.5, 0.4, 0.55, 0.7)):
        light = corner.light(LOOK) * np.float32(2**stops)
        counts = math.inf if number == 3 else 103.5 if number > 3 else None
        seen = seeing.look(frame(light, dice), 100.0 + number, 0.1, PRESETS, counts)
        said.append("auto exposure" in seen.hinders)
    assert said[2] and not said[3] and said[-1]


def test_a_clock_that_was_put_back_or_is_not_heard_begins_anew(corner: Set) -> None:
    dice = np.random.default_rng(23)
    seeing = eye(corner, dice)

    def look(taken: float | None) -> tuple[int, float | None]:
        seen = seeing.look(frame(corner.light(LOOK), dice), taken, 0.1, PRESETS)
        return seen.frames, seen.since

    assert [look(None), look(None)] == [(1, None), (2, None)]
    assert [look(500.0), look(501.0)] == [(1, 500.0), (2, 500.0)]
    assert [look(200.0), look(201.0)] == [(1, 200.0), (2, 200.0)]


def test_beside_somebody_a_lamp_is_named_by_two_frames_that_agree(corner: Set) -> None:
    dice = np.random.default_rng(12)
    seeing = eye(corner, dice)
    turned = corner.light({**LOOK, "key": 0.25}, Presenter(0.3, y=1.2))
    said = []
    for number in range(2):
        seen = seeing.look(frame(turned, dice), 100.0 + number, 0.1, PRESETS)
        said.append([n for n, one in seen.lights.items() if one.moved])
    assert said == [[], ["key"]]


def test_what_stood_there_in_the_kept_picture_too_is_nobody_who_came(corner: Set) -> None:
    """Put there since the lamps were learned, as a chair is: one frame names a lamp turned."""
    dice = np.random.default_rng(17)
    chair = Presenter(0.5, y=0.06, tall=0.9, wide=0.42, cloth=(0.45, 0.5, 0.55))
    codes = frame(corner.light(LOOK, chair), dice)
    was = Kept("look", "2026-01-01T00:00:00+00:00", codes, np.ones(codes.shape[:2], bool))
    seeing = Seeing(corner.learned, was, profile(), "run-1")
    for number, by in enumerate((-0.3, 0.3)):
        seeing.forget()
        light = corner.light({**LOOK, "key": 0.5 * 2**by}, chair)
        seen = seeing.look(frame(light, dice), 100.0 + number, 0.1, PRESETS)
        assert seeing.solved is not None and seeing.solved.somebody
        assert [n for n, one in seen.lights.items() if one.moved] == ["key"]

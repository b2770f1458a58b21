"""A take keeps what the picture said, of when it was taken, and says what differs from the good one."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from studiobridge.control.events import LinkUp, Sighted, WitnessHeard
from studiobridge.control.seen_apart import between, compare, difference
from studiobridge.control.seen_then import Looked, read
from studiobridge.control.taken import Happened
from studiobridge.profile.model import SetProfile, Witness
from studiobridge.profile.sighting import (
    Band,
    SeenFraming,
    SeenLight,
    SeenScreen,
    SeenWhite,
    Sighting,
    Stray,
)
from tests.control.play import corner
from tests.control.test_takes import Filmed, again

EVERY = 2.0
HOLDS = 3 * EVERY + 5.0


def near(value: float, by: float) -> Band:
    return Band(value - by, value, value + by)


def framed(right: float = 0.0, down: float = 0.0, wide: float = 960.0) -> SeenFraming:
    share = (right**2 + down**2) ** 0.5 / wide
    return SeenFraming(right, down, 0.0, 1.0, share, share > 0.005, 0.0)


def sighting(
    frame: int = 1, taken: float | None = 0.0, age: float = 0.0, **more: object
) -> Sighting:
    figures: dict[str, object] = {
        "learned": "2026-11-01T10:00:00+01:00",
        "kept": "day",
        "kept_at": "2026-11-20T10:00:00+01:00",
        "lights": {
            "key": SeenLight(near(0.3, 0.02), stops=near(0.0, 0.06)),
            "fill": SeenLight(near(0.2, 0.02), stops=near(0.0, 0.08)),
        },
        "screen": SeenScreen(near(0.4, 0.1), "upper left", -0.3, covered=0.2),
        "white": SeenWhite("card", near(0.0, 1.5), near(0.0, 0.001)),
        "exposure": near(0.0, 0.05),
        "framing": framed(),
    }
    return Sighting("one", frame, taken, age, **{**figures, **more})  # type: ignore[arg-type]


class Seen(Filmed):
    """A set that films, with somebody who looks at its picture."""

    frame = 0

    def look(self, ago: float = 0.2, oldest: float | None = None, **more: object) -> None:
        self.frame += 1
        taken = self.now - ago
        since = taken if oldest is None else self.now - oldest
        self.give(Sighted(self.now, sighting(self.frame, taken, ago, **more), taken, since))

    def looks(self, seconds: float, **more: object) -> None:
        for _ in range(max(1, round(seconds / EVERY))):
            self.run(EVERY)
            self.look(**more)

    def roll(self, on: bool = True) -> None:
        self.report("camera", "rolling", on)

    @property
    def stood(self) -> dict[str, object]:
        found = self.last.stood["seen"]
        assert isinstance(found, dict)
        return found

    @property
    def of_picture(self) -> list[Happened]:
        return [one for one in self.last.happened if one.what == "seen"]

    def seen(self) -> dict[str, object]:
        found = self.shown()["seen"]
        assert isinstance(found, dict)
        return found


def watched() -> SetProfile:
    return replace(corner(), witness=Witness("file", "still.jpg", EVERY))


def up(made: SetProfile | None = None) -> Seen:
    play = Seen(watched() if made is None else made)
    play.link_up()
    play.report("camera", "rolling", False)
    play.ask("up")
    play.run(60.0)
    assert play.state == "ready"
    return play


# ---- what is kept ----------------------------------------------------------------------------


def test_a_take_begins_with_the_picture_of_a_moment_ago_and_its_age() -> None:
    play = up()
    play.look(ago=0.3)
    play.run(1.5)
    play.roll()
    assert play.stood["age_s"] == pytest.approx(1.8, abs=0.01)
    looked = read(play.stood)
    assert isinstance(looked, Looked)
    assert (looked.kept, looked.mired) == (("day", "2026-11-20T10:00:00+01:00"), near(0.0, 1.5))
    json.dumps(play.stood, allow_nan=False)
    # no time of any clock is in it: the clock may be put before it is read
    kept = play.stood["sighting"]
    assert isinstance(kept, dict) and not {"taken", "since", "run", "frame"} & kept.keys()


def test_a_set_without_a_witness_keeps_nothing_of_a_picture() -> None:
    play = up(corner())
    play.roll()
    assert "seen" not in play.last.stood
    assert play.shown()["seen"] is None


def never(play: Seen) -> None:
    pass


def old(play: Seen) -> None:
    play.look()
    play.run(HOLDS)


def late(play: Seen) -> None:
    """It comes now, and was taken long ago."""
    play.look(ago=HOLDS + 0.1)


def left(play: Seen) -> None:
    play.look()
    play.give(WitnessHeard(play.now, False, "one"))


def hindered(play: Seen) -> None:
    play.look()
    play.run(1.0)
    play.look(hinders=("hidden",))


def no_clock(play: Seen) -> None:
    play.frame += 1
    play.give(Sighted(play.now, sighting(play.frame, None), None, None))


def before_it_stood(play: Seen) -> None:
    """From before the dial was put: the frame is fresh, and the set stood otherwise then."""
    play.ask("down")
    play.run(60.0)
    play.ask("up")
    play.run(0.5)
    while play.state != "ready":
        play.run(0.05)
    play.look(ago=0.5)


@pytest.mark.parametrize(
    ("what", "why"),
    [
        (never, "nobody has looked at the picture"),
        (old, "the picture was not looked at lately"),
        (late, "the picture was not looked at lately"),
        (left, "the witness had left"),
        (hindered, "too much of the picture is hidden"),
        (no_clock, "nobody knows when the picture was looked at"),
        (before_it_stood, "it was not looked at since the light was changed"),
    ],
)
def test_where_there_is_none_of_now_it_says_so_and_why(what: object, why: str) -> None:
    play = up()
    what(play)  # type: ignore[operator]
    play.roll()
    assert play.stood == {"why": why}


def test_a_set_that_is_dark_has_no_picture_of_a_look() -> None:
    play = Seen(watched())
    play.link_up()
    play.run(20.0)
    play.look()
    play.roll()
    assert play.stood == {"why": "the set did not stand in its look"}


def test_of_a_camera_that_moved_where_it_looks_is_kept_and_nothing_of_the_light() -> None:
    play = up()
    play.look(hinders=("moved",), framing=framed(-14.0))
    play.roll()
    looked = read(play.stood)
    assert isinstance(looked, Looked) and looked.framed is not None
    assert looked.framed.right == -14.0
    assert (looked.mired, looked.exposure, looked.even, looked.stray) == (None, None, None, None)
    assert looked.stops == {} and looked.amounts == {}


def test_a_take_that_began_with_none_has_the_first_that_was_taken_in_it() -> None:
    play = up()
    play.roll()
    assert "why" in play.stood
    play.run(7.0)
    play.look(ago=0.5)
    assert play.last.first_seen_s == pytest.approx(6.5)
    assert play.last.happened == ()  # nothing changed: it was only looked at
    looked = read(play.last.picture)
    assert isinstance(looked, Looked) and looked.mired == near(0.0, 1.5)
    play.roll(False)
    assert play.last.seconds == 7.0


def test_a_frame_from_before_the_take_that_comes_in_it_is_none_of_it() -> None:
    play = up()
    play.roll()
    play.run(1.0)
    play.look(ago=1.5)
    play.run(0.5)
    play.look(ago=1.6)
    assert play.last.first_seen_s is None
    play.roll(False)
    seen = play.last.ended_seen
    assert (seen["why"], seen["looks"]) == ("it was not looked at in this take", 0)


# ---- within it -------------------------------------------------------------------------------


def test_what_moves_in_a_take_has_the_second_of_the_frame_that_showed_it_first() -> None:
    play = up()
    play.look()
    play.roll()
    began = play.now
    play.looks(6.0)
    play.run(1.0)
    warm = SeenWhite("card", near(9.0, 1.5), near(0.0, 0.001))
    play.look(ago=0.4, white=warm)  # late by 0.4 s: it is of when it was taken
    first = play.now - 0.4 - began
    assert play.of_picture == []  # one look alone may be somebody who walks past
    play.run(2.0)
    play.look(white=warm)
    (moved,) = play.of_picture
    assert moved.seconds == pytest.approx(first, abs=0.01)
    # no earlier than the look before, which did not show it
    assert moved.off == pytest.approx(first - 5.8, abs=0.01)
    assert (moved.by, moved.detail["phase"]) == ("picture", "moved")
    differs = moved.detail["differs"]
    assert isinstance(differs, list) and [one["what"] for one in differs] == ["white"]
    assert (differs[0]["way"], differs[0]["by"]) == ("warmer", 9.0)
    assert play.last.changes == 1
    play.looks(10.0, white=warm)
    assert len(play.of_picture) == 1  # it stays so: that is said once
    play.looks(6.0)
    back = play.of_picture[-1].detail["differs"]
    assert isinstance(back, list) and back[0]["way"] == "cooler"
    play.roll(False)
    assert play.last.ended_seen["looks"] == 3 + 1 + 1 + 5 + 3


def test_one_look_that_differs_is_no_change() -> None:
    play = up()
    play.look()
    play.roll()
    for _ in range(5):
        play.looks(4.0)
        play.run(1.0)
        play.look(exposure=near(-1.0, 0.1))
        play.run(1.0)
        play.look(exposure=near(1.0, 0.1))  # and the next says another thing
    assert play.of_picture == []


def test_a_slow_drift_is_noted_when_it_is_surely_past_what_is_allowed() -> None:
    play = up()
    play.look()
    play.roll()
    for step in range(60):
        play.run(EVERY)
        play.look(exposure=near(-0.01 * step, 0.02))
    found = [one.detail["differs"][0]["by"] for one in play.of_picture]  # type: ignore[index]
    assert found and all(-0.2 < by < -0.1 for by in found)


def test_a_witness_that_dies_in_a_take_leaves_a_hole_that_is_said() -> None:
    play = up()
    play.look()
    play.roll()
    play.looks(10.0)
    play.run(1.0)
    play.give(WitnessHeard(play.now, False, "one"))
    play.run(30.0)
    (lost,) = play.of_picture
    assert (lost.detail["phase"], lost.text) == ("lost", "the witness had left")
    assert lost.seconds == pytest.approx(9.8, abs=0.01)  # of the last that was looked at
    assert play.last.changes == 0  # and no change of the light
    play.roll(False)
    seen = play.last.ended_seen
    assert seen["why"] == "the witness had left"
    assert (seen["looks"], seen["to_s"]) == (5, pytest.approx(9.8))
    assert seen["gap_s"] == pytest.approx(31.2, abs=0.1)


def test_a_witness_that_falls_silent_or_is_hindered_and_comes_back_is_said_too() -> None:
    play = up()
    play.look()
    play.roll()
    play.looks(4.0)
    play.run(HOLDS + 25.0)
    play.looks(2.0)
    for _ in range(3):
        play.run(EVERY)
        play.look(hinders=("standing still",))
    play.looks(4.0)
    phases = [(one.detail["phase"], one.text) for one in play.of_picture]
    assert phases == [
        ("lost", "the picture was not looked at lately"),
        ("back", ""),
        ("lost", "the camera's picture stands still"),
        ("back", ""),
    ]


def test_it_ends_with_the_picture_of_its_end() -> None:
    play = up()
    play.look()
    play.roll()
    play.looks(20.0)
    play.roll(False)
    seen = play.last.ended_seen
    assert isinstance(read(seen), Looked)
    assert seen["age_s"] == pytest.approx(0.2, abs=0.01)
    assert (seen["looks"], seen["from_s"], seen["to_s"]) == (10, 1.8, 19.8)
    assert seen["gap_s"] == pytest.approx(2.0, abs=0.1)


def test_a_picture_that_changes_all_the_time_fills_no_disk() -> None:
    play = up()
    play.look()
    play.roll()
    for n in range(400):
        play.run(1.0)
        play.look(exposure=near(1.0 if n // 2 % 2 else 0.0, 0.02))
    assert len(play.of_picture) == 60


def test_another_kept_picture_within_a_take_is_no_drift() -> None:
    play = up()
    play.look()
    play.roll()
    anew = {"kept_at": "2026-11-27T04:00:00+01:00", "white": SeenWhite("card", near(40.0, 1.0), near(0.0, 0.001))}  # fmt: skip
    play.looks(10.0, **anew)
    assert play.of_picture == []
    play.looks(4.0, **{**anew, "white": SeenWhite("card", near(60.0, 1.0), near(0.0, 0.001))})
    assert len(play.of_picture) == 1


# ---- the bridge stops in the middle ----------------------------------------------------------


def test_a_bridge_that_starts_again_holds_the_picture_against_what_is_in_the_record() -> None:
    play = up()
    play.look()
    play.roll()
    play.looks(10.0)
    new = again(play)
    new.__class__ = Seen
    assert isinstance(new, Seen)
    new.frame = 100
    new.roll()
    new.run(5.0)
    assert new.state in ("ready", "adrift")
    left = {"framing": framed(-30.0), "hinders": ("moved",)}
    new.looks(4.0, **left)
    moved = [one for one in new.last.happened if one.detail.get("phase") == "moved"]
    assert len(moved) == 1
    differs = moved[0].detail["differs"]
    assert isinstance(differs, list) and (differs[0]["what"], differs[0]["right"]) == (
        "framing",
        -30.0,
    )
    # while no bridge was there nobody looked: that it began anew is said once, and is no hole here
    assert not [one for one in new.last.happened if one.detail.get("phase") == "lost"]
    # between the picture it began with and now: nobody knows when, and that is said
    assert moved[0].off == pytest.approx(moved[0].seconds, abs=0.5)


def test_what_nobody_looked_at_after_a_restart_is_a_hole_from_there() -> None:
    play = up()
    play.look()
    play.roll()
    began = play.now
    play.looks(20.0)
    new = again(play)
    started = play.now + 3.0
    new.report("camera", "rolling", True)
    new.run(20.0)
    (lost,) = [one for one in new.last.happened if one.detail.get("phase") == "lost"]
    assert lost.seconds == pytest.approx(started - began, abs=0.1)
    new.report("camera", "rolling", False)
    assert (new.last.ended_seen["looks"], new.last.ended_seen["anew"]) == (0, True)


def test_a_late_first_look_makes_no_take_shorter_for_the_next_bridge() -> None:
    play = up()
    play.roll()
    began = play.now
    play.run(10.0)
    play.look(ago=6.0)
    assert play.last.first_seen_s == pytest.approx(4.0)
    new = again(play)
    new.report("camera", "rolling", True)
    new.run(1.0)
    new.report("camera", "rolling", False)
    assert new.last.seconds == pytest.approx(new.now - began, abs=0.01)


def test_a_look_from_before_it_was_known_that_the_set_stands_is_none_of_a_take() -> None:
    made = watched()
    play = up(replace(made, patience=replace(made.patience, listen=8.0)))
    play.link_down()
    play.deaf.add("fill")
    play.give(LinkUp(play.now))
    play.run(3.0)
    assert play.state == "unheard"
    play.look(ago=0.1)
    while play.state == "unheard":
        play.run(0.1)
    assert play.state in ("ready", "adrift")
    play.roll()
    assert play.stood == {"why": "it was not looked at since the light was changed"}


# ---- against the last good one ---------------------------------------------------------------


def good(play: Seen, **more: object) -> None:
    play.look(**more)
    play.roll()
    play.run(1.0)
    play.roll(False)
    play.run(6.0)
    play.ask("mark", mark="good")


def test_the_state_answers_from_the_picture_whether_it_is_as_in_the_last_good_take() -> None:
    play = up()
    good(play)
    play.look()
    assert play.seen()["verdict"] == "same"
    assert play.seen()["differs"] == []
    play.look(
        white=SeenWhite("card", near(6.0, 1.5), near(0.0, 0.001)),
        exposure=near(-0.2, 0.05),
        framing=framed(-14.0),
    )
    found = play.seen()
    assert found["verdict"] == "differs"
    differs = found["differs"]
    assert isinstance(differs, list)
    by = {one["what"]: one for one in differs}
    assert set(by) == {"white", "exposure", "framing"}
    assert (by["white"]["way"], by["white"]["by"]) == ("warmer", 6.0)
    assert (by["exposure"]["way"], by["exposure"]["by"]) == ("darker", -0.2)
    assert (by["framing"]["way"], by["framing"]["right"]) == ("left", -14.0)
    # and when nobody has looked for a while nothing is said of now
    play.run(HOLDS)
    assert play.seen()["verdict"] == "not known" and play.seen()["differs"] == []
    assert play.seen()["now"] == {"why": "the picture was not looked at lately"}


def test_going_back_to_a_take_says_what_no_light_sets() -> None:
    play = up()
    good(play)
    play.look(framing=framed(-14.0))
    play.ask("match", take=1)
    answer = [a for a in play.answers(final=False) if a.text.startswith("as in")][-1]
    assert answer.text.endswith(
        "No light sets what the picture shows: the camera looks 14 px further left. No picture is"
        " kept of take-1: `look save` makes it a look of the set and keeps one"
    )
    seen = answer.detail["seen"]
    assert isinstance(seen, dict) and seen["verdict"] == "differs"


def test_going_back_to_a_take_with_no_picture_says_that_of_the_camera_nothing_is_known() -> None:
    play = up()
    play.take(2.0)
    play.look()
    play.ask("match", take=1)
    answer = [a for a in play.answers(final=False) if a.text.startswith("as in")][-1]
    assert (
        "where the camera looks is not known (then nobody has looked at the picture)" in answer.text
    )


# ---- two pictures ----------------------------------------------------------------------------


def looked(**more: object) -> dict[str, object]:
    from studiobridge.control.seen_then import kept_of

    return {"age_s": 1.0, "oldest_s": 1.0, "sighting": kept_of(sighting(**more))}  # type: ignore[arg-type]


ALLOWED = {"key": 0.1, "fill": 0.1}


def verdict(then: object, now: object) -> dict[str, object]:
    return between(then, now, ALLOWED)


def test_within_the_band_is_the_same_as_far_as_the_picture_can_tell() -> None:
    found = verdict(
        looked(),
        looked(
            exposure=near(0.05, 0.05),
            white=SeenWhite("card", near(1.5, 1.5), near(0.0005, 0.001)),
            framing=framed(1.0, -1.0),
            stray=Stray(near(0.01, 0.015), "left"),
        ),
    )
    assert (found["verdict"], found["differs"], found["unknown"]) == ("same", [], [])
    assert set(found["alike"]) == {  # type: ignore[arg-type]
        *("white", "tint", "exposure", "evenness", "stray", "framing", "focus", "lights")
    }


def test_a_difference_that_may_be_within_what_is_allowed_is_said_and_is_not_past_it() -> None:
    found = verdict(looked(), looked(white=SeenWhite("card", near(3.0, 1.5), near(0.0, 0.001))))
    assert found["verdict"] == "nearly"
    (one,) = found["differs"]  # type: ignore[misc]
    assert one["past"] is False
    # by the root of squares (JCGM 100): 1.5 and 1.5 make 2.12
    assert one["band"] == [pytest.approx(0.8787, abs=1e-3), pytest.approx(5.1213, abs=1e-3)]


def test_the_band_of_a_difference_is_worked_out_from_both_its_ends() -> None:
    assert difference(Band(0.0, 1.0, 5.0), Band(9.0, 10.0, 10.0)) == Band(
        pytest.approx(9.0 - 17**0.5), 9.0, pytest.approx(10.0)
    )


@pytest.mark.parametrize(
    ("then", "now", "unknown"),
    [
        ({"white": None}, {}, [("white", "then")]),
        ({}, {"white": None, "exposure": None}, [("white", "now"), ("exposure", "now")]),
        ({"white": None}, {"white": None}, []),
        ({}, {"screen": None}, [("evenness", "now")]),
        (
            {},
            {"kept": "dusk"},
            [("white", "both"), ("exposure", "both"), ("framing", "both")],
        ),
        (
            {"kept": None},
            {},
            [("white", "then"), ("exposure", "then"), ("framing", "then")],
        ),
        ({}, {"white": SeenWhite("face", near(9, 1), near(0, 0.001))}, [("white", "both")]),
    ],
)
def test_what_one_of_the_two_does_not_know_is_said(
    then: dict[str, object], now: dict[str, object], unknown: list[tuple[str, str]]
) -> None:
    found = verdict(looked(**then), looked(**now))
    said = [(one["what"], one["of"]) for one in found["unknown"]]  # type: ignore[attr-defined]
    assert said == unknown
    assert found["differs"] == []
    assert found["verdict"] == ("not known" if unknown else "same")


def test_lights_held_against_another_picture_are_compared_by_what_they_gave_when_learned() -> None:
    less = {"key": SeenLight(near(0.2, 0.01)), "fill": SeenLight(near(0.2, 0.02))}
    found = verdict(looked(), looked(kept="dusk", lights=less))
    (one,) = found["differs"]  # type: ignore[misc]
    assert (one["what"], one["device"], one["way"]) == ("light", "key", "less")
    assert one["by"] == pytest.approx(-0.585, abs=1e-3)  # 0.3 to 0.2: log2
    anew = verdict(looked(), looked(kept="dusk", learned="2026-11-26T10:00:00+01:00", lights=less))
    assert anew["differs"] == []
    assert {"what": "lights", "of": "both"} in anew["unknown"]  # type: ignore[operator]


def test_a_window_that_was_opened_since_is_a_difference() -> None:
    found = verdict(looked(), looked(stray=Stray(near(0.09, 0.02), "left")))
    (one,) = found["differs"]  # type: ignore[misc]
    assert (one["what"], one["way"], one["past"]) == ("stray", "more", True)


@pytest.mark.parametrize("wide", [960.0, 1920.0])
def test_a_camera_that_went_by_less_than_can_be_measured_has_not_moved(wide: float) -> None:
    def of(then: float, now: float) -> object:
        found = verdict(
            looked(framing=framed(then, wide=wide)), looked(framing=framed(now, wide=wide))
        )
        return [(one["what"], one["past"]) for one in found["differs"]]  # type: ignore[attr-defined]

    far = 0.05 * wide
    assert of(far, far + 0.002 * wide) == []
    assert of(far, far - 0.006 * wide) == [("framing", False)]
    assert of(far, far - 0.02 * wide) == [("framing", True)]
    assert of(0.0, -0.02 * wide) == [("framing", True)]


NONSENSE: list[object] = [
    *(None, "", 3, [], {}, {"why": 3}, {"sighting": 3}, {"sighting": {}}),
    {"sighting": {"lights": 3, "white": [], "screen": "x", "framing": {"right": "a"}}},
    {"sighting": {"white": {"at": 3, "mired": {"low": 1, "value": 0, "high": 2}, "duv": 7}}},
    {"sighting": {"exposure": {"low": float("nan"), "value": float("inf"), "high": 1e999}}},
    {"sighting": {"lights": {"key": {"stops": {"low": True, "value": 1, "high": 2}}, "x": 3}}},
    {
        "sighting": {
            "kept": "day",
            "kept_at": "2026-11-20T10:00:00+01:00",
            "framing": {"right": 1e300, "down": 0, "turn": 0, "zoom": 0, "share": -1, "softer": 1},
        }
    },
    {"sighting": {"kept": "x" * 10**6, "lights": {str(n): {} for n in range(10**4)}}},
    {"sighting": {"exposure": {"low": 10**400, "value": 10**400, "high": 10**400}}},
]


@pytest.mark.parametrize("value", NONSENSE)
def test_nonsense_for_a_picture_is_no_picture_and_nothing_fails(value: object) -> None:
    for pair in ((value, looked()), (looked(), value), (value, value)):
        found = verdict(*pair)
        assert found["verdict"] == "not known" and found["differs"] == []
        json.dumps(found, allow_nan=False)


def test_what_is_compared_with_itself_never_differs() -> None:
    for one in (sighting(), sighting(framing=framed(300.0, 4.0)), sighting(kept=None)):
        told = read({"sighting": json.loads(json.dumps(looked_of(one)))})
        assert isinstance(told, Looked)
        assert compare(told, told, ALLOWED).differs == ()


def looked_of(one: Sighting) -> dict[str, object]:
    from studiobridge.control.seen_then import kept_of

    return kept_of(one)

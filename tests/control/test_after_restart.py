"""A set that was up when the bridge stopped: what is proven anew, and what is said of the rest."""

from __future__ import annotations

from dataclasses import replace

from studiobridge.control.effects import Memory
from studiobridge.control.events import LinkUp
from studiobridge.control.views import state_view
from studiobridge.profile.model import Preset, SetProfile
from tests.control.play import Play, fixture, on_plug, plug, profile
from tests.control.test_gauged import METERED, dial, gauge

LOOK = {"key": Preset(64.0, 4300.0), "fill": Preset(32.0, 4300.0)}
ONLINE = [("online", True)]
UP = Memory(state="ready", look="day", session=3, next_session=4, next_run=9)


def two_lamps(**more: object) -> SetProfile:
    """`fill` says only what changes, and nobody can ask it."""
    return profile(
        plug("lamp-plug"),
        fixture("key", "lamp-plug"),
        fixture("fill", "lamp-plug", can_ask=False, **more),
        looks={"day": LOOK, "bare": {"key": Preset(64.0, 4300.0)}},
    )


def link_up(
    play: Play, kept: tuple[str, ...] = ("fill",), online: bool = False, key: float = 64.0
) -> None:
    """The link comes: of these the broker has a word, the others are asked and answer."""
    play.on.update(dict.fromkeys(play.profile.devices, True))
    play.give(LinkUp(play.now))
    for name in kept:
        for point, value in ONLINE if online else points(name):
            play.report(name, point, value, retained=True)
    if "key" in play.profile.devices:
        for point, value in points("key", key):
            play.report("key", point, value)
    play.run(play.profile.patience.listen + 0.1)


def points(name: str, level: float | None = None) -> list[tuple[str, object]]:
    preset = LOOK[name]
    level = preset.level if level is None else level
    return [("online", True), ("switch", True), ("level", level), ("cct", preset.cct)]


def started(made: SetProfile, kept: tuple[str, ...] = ("fill",)) -> Play:
    """The bridge starts again: the gear stands as it stood."""
    play = Play(made, UP)
    link_up(play, kept)
    return play


def whole(play: Play) -> dict[str, object]:
    return state_view(play.controller, play.now, lambda at: at)


def test_what_nobody_can_ask_is_not_silent_for_that_and_the_way_out_is_said() -> None:
    play = started(two_lamps())
    assert play.state == "adrift"
    assert play.drifts("opened") == []
    assert whole(play)["silent"] == []
    assert whole(play)["why"] == (
        "fill has not spoken since, only the broker kept its word from before: `up` tells it again"
    )
    play.run(300.0)
    assert "ready" not in play.states()  # law 7: what was kept proves nothing
    play.ask("up")
    play.run(10.0)
    assert {name for _, name, _ in play.tells()} == {"fill"}
    assert (play.state, whole(play)["why"]) == ("ready", "")


def test_it_is_ready_by_itself_when_it_speaks() -> None:
    play = started(two_lamps())
    for point, value in points("fill"):
        play.report("fill", point, value)
    assert play.state == "ready"
    assert play.tells() == []


def test_of_which_nothing_is_kept_either_is_silent() -> None:
    play = started(two_lamps(), kept=())
    assert play.state == "adrift"
    assert [(note.device, note.point) for note in play.drifts("opened")] == [("fill", "online")]


def test_what_the_set_can_do_without_and_nobody_can_ask_is_no_drift() -> None:
    play = started(two_lamps(essential=False))
    play.run(300.0)
    assert play.state == "ready"
    assert play.drifts("opened") == []


def test_what_is_lacking_is_said_as_it_is_now() -> None:
    play = started(two_lamps())
    assert "fill has not spoken" in str(whole(play)["why"])
    play.report("fill", "switch", True)
    assert whole(play)["why"] == "fill has not confirmed its level"
    play.report("fill", "level", 32.0)
    assert whole(play)["why"] == "fill has not confirmed its cct"


def test_what_is_lacking_is_said_beside_what_has_drifted() -> None:
    play = Play(two_lamps(), UP)
    link_up(play, key=10.0)
    assert [note.device for note in play.drifts("opened")] == ["key"]
    assert "fill has not spoken" in str(whole(play)["why"])
    for point, value in points("fill"):
        play.report("fill", point, value)
    assert (play.state, whole(play)["why"]) == ("adrift", "")


def test_of_a_lamp_by_its_watts_it_says_what_they_leave_open() -> None:
    made = profile(
        plug("lamp-plug", hears=METERED),
        dial(),
        looks={"day": {"rim": Preset(30.0)}},
    )
    play = Play(made, UP, meters_itself=True)
    link_up(play, ())
    assert play.state == "adrift"
    assert whole(play)["why"] == "rim is not confirmed by its watts yet"
    gauge(play, "rim", 10.0, 90.0)
    assert "somewhere from 10 to 90 %" in str(whole(play)["why"])
    gauge(play, "rim", 29.0, 31.0)
    assert (play.state, whole(play)["why"]) == ("ready", "")


def test_a_look_that_leaves_it_alone_names_one_that_does_not() -> None:
    made = two_lamps(hears=frozenset({"level", "online"}), tells=frozenset({"level"}))
    play = Play(made, replace(UP, look="bare"))
    link_up(play, online=True)
    play.ask("up")
    play.run(60.0)
    assert play.state == "stalled"
    text = play.answers()[-1].text
    assert "turn it once by hand" in text and "(day)" in text
    play.ask("up", look="day")
    play.run(20.0)
    assert play.state == "ready"


def test_a_camera_that_cannot_be_asked_is_to_be_made_to_speak() -> None:
    made = profile(
        plug("desk-plug"),
        on_plug(
            "camera",
            "camera",
            "desk-plug",
            speaks="c",
            hears=frozenset({"online", "rolling"}),
        ),
    )
    play = Play(made, UP)
    link_up(play, ("camera",), online=True)
    assert play.state == "adrift"
    assert str(whole(play)["why"]).endswith("kept its word from before: make it speak")

"""The camera's picture as evidence: what it proves, what it never does, and what is said of it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from studiobridge.control.effects import LightNote, Says
from studiobridge.control.events import Sighted, WitnessHeard
from studiobridge.control.sight import LAGS
from studiobridge.control.views import device_view, drift_view, state_view
from studiobridge.profile.model import Device, Item, Preset, SetProfile, Tolerance, Witness
from studiobridge.profile.sighting import (
    Band,
    SeenFraming,
    SeenLight,
    SeenScreen,
    SeenWhite,
    Sighting,
    Stray,
)
from tests.control.play import Play, fixture, on_plug, plug, profile

LEVEL = frozenset({"level"})
WIDE = Tolerance(level=0.3)
EVERY = 2.0
HOLDS = 3 * EVERY + 5.0


def strip(name: str = "strip", **more: object) -> Device:
    """A lamp that is told its level and never says anything; the picture proves it."""
    figures = {"tells": LEVEL, "hears": frozenset(), "can_ask": False, "proof": "picture"}
    figures |= {"boots_in": 1.0, "fade": 0.0, "draws": 0.0, "tolerance": WIDE}
    return fixture(name, "lamp-plug", **{**figures, **more})


def dial(name: str = "rim", **more: object) -> Device:
    figures = {"hand_set": True, "proof": "picture", "tolerance": WIDE}
    return on_plug(name, "light", "lamp-plug", **{**figures, **more})


def dimmed(presets: dict[str, Preset]) -> dict[str, Preset]:
    """The same with the key darker."""
    return {n: replace(p, level=10.0) if n == "key" else p for n, p in presets.items()}


def scene(*lamps: Device, **more: object) -> SetProfile:
    presets = {lamp.name: Preset(40.0, 4300.0 if "cct" in lamp.tells else None) for lamp in lamps}
    made = profile(plug("lamp-plug"), *lamps, looks={"day": presets, "dusk": dimmed(presets)})
    figures = {"witness": Witness("file", "still.jpg", EVERY)}
    return replace(made, **{**figures, **more})  # type: ignore[arg-type]


def near(value: float, by: float) -> Band:
    return Band(value - by, value, value + by)


def seen(
    level: float | None = 40.0, stops: float = 0.0, by: float = 0.05, **more: object
) -> SeenLight:
    """A light at this level, so many stops from the kept picture."""
    figures: dict[str, object] = {"amount": near((level or 40.0) / 100.0, 0.01)}
    if level is not None:
        figures["level"] = Band(level * 2**-by, level, min(100.0, level * 2**by))
    figures["stops"] = near(stops, by)
    return SeenLight(**{**figures, **more})  # type: ignore[arg-type]


class Looking(Play):
    """A set that comes up with somebody who looks at it."""

    frame = 0

    def look(self, ago: float = 0.0, **more: object) -> None:
        """One look, at a frame of so long ago; `lights` as they stand."""
        Looking.frame += 1
        since = more.pop("since", None)
        figures: dict[str, object] = {"kept": "day", "lights": {}}
        figures |= more
        taken = self.now - ago
        sighting = Sighting("one", Looking.frame, taken, ago, **figures)  # type: ignore[arg-type]
        oldest = taken if since is None else float(since)  # type: ignore[arg-type]
        self.give(Sighted(self.now, sighting, taken, oldest))

    def looks(self, seconds: float, **more: object) -> None:
        for _ in range(max(1, round(seconds / EVERY))):
            self.run(EVERY)
            self.look(**more)
        self.run(0.1)

    @property
    def whole(self) -> dict[str, object]:
        return state_view(self.controller, self.now, lambda at: at)

    @property
    def picture(self) -> dict[str, object]:
        found = self.whole["picture_seen"]
        assert isinstance(found, dict)
        return found

    def device(self, name: str) -> dict[str, object]:
        return device_view(self.controller, name, self.now, lambda at: at)

    def said(self) -> list[tuple[str, str]]:
        return [(e.what, e.text) for _, e in self.effects if isinstance(e, Says)]

    def lights(self) -> list[tuple[str, str]]:
        return [(e.device, e.phase) for _, e in self.effects if isinstance(e, LightNote)]


def rising(*lamps: Device, **more: object) -> Looking:
    play = Looking(scene(*lamps, **more))
    play.link_up()
    play.ask("up", look="day")
    play.run(3.0)
    return play


def ready(*lamps: Device, lights: dict[str, SeenLight], **more: object) -> Looking:
    play = rising(*lamps, **more)
    play.looks(10.0, lights=lights)
    assert play.state == "ready"
    return play


# ---- what is proven ----------------------------------------------------------------------------


@pytest.mark.parametrize("lamp", [strip(), dial()], ids=["told", "on a dial"])
def test_a_run_up_waits_for_the_picture_and_is_ready_by_it(lamp: Device) -> None:
    play = rising(lamp)
    assert play.state == "rising"
    waits = play.whole["waiting_for"]
    assert waits == [
        {
            "device": lamp.name,
            "what": "picture",
            "why": "it has not been seen in the picture yet",
        }
    ]
    play.looks(4.0, lights={lamp.name: seen()})
    assert play.state == "ready"
    assert (play.device(lamp.name)["by"], play.device(lamp.name)["confirmed"]) == ("picture", True)


def test_a_frame_of_before_the_command_never_proves_it_however_late_it_comes() -> None:
    play = Looking(scene(strip()))
    play.link_up()
    before = play.now
    play.ask("up", look="day")
    play.run(5.0)
    told = max(at for at, _, _ in play.tells("strip"))
    for _ in range(20):
        play.look(ago=play.now - before, lights={"strip": seen()})
        play.run(0.5)
        # ... nor one that is stamped a moment after it: a stream hands on late
        play.look(ago=play.now - (told + 0.9 * LAGS), lights={"strip": seen()})
        play.run(0.5)
    assert play.state != "ready"
    assert play.device("strip")["by"] == "told"


def test_of_frames_put_together_the_oldest_has_to_be_of_after() -> None:
    play = rising(strip())
    told = max(at for at, _, _ in play.tells("strip"))
    play.run(6.0)
    play.look(since=told - 1.0, frames=20, lights={"strip": seen()})
    play.run(0.1)
    assert play.state == "rising"
    play.look(since=told + 5.0, frames=20, lights={"strip": seen()})
    play.run(0.1)
    assert play.state == "ready"


def test_nothing_is_concluded_of_any_light_while_another_fades() -> None:
    """The light of each was told apart from the other's, which changes."""
    lights = {"strip": seen(), "key": seen()}
    play = rising(strip(), fixture("key", "lamp-plug", fade=20.0))
    play.looks(40.0, lights=lights)
    assert play.state == "ready"
    play.ask("up", look="dusk")
    play.run(2.0)
    assert play.controller.desk.busy.keys() == {"key"}
    for _ in range(2):
        play.look(lights={"strip": seen(20.0, stops=-1.0), "key": seen()})
        play.run(4.0)
    assert play.drifts("opened") == []
    band = play.controller.beliefs.of["strip"].band("was it so", "level")
    assert band is not None
    assert band.low > 38.0, "as it was seen before"


@pytest.mark.parametrize(
    "look",
    [
        {"hinders": ("auto exposure",)},
        {"hinders": ("moved",)},
        {"lights": {"strip": seen(tells=False)}},
        {"lights": {}},
    ],
)
def test_a_picture_that_something_stands_in_the_way_of_proves_nothing(
    look: dict[str, object],
) -> None:
    play = rising(strip())
    play.looks(10.0, **{"lights": {"strip": seen()}, **look})
    assert play.state == "rising"


def test_a_band_wider_than_its_tolerance_proves_nothing_and_says_so() -> None:
    play = rising(strip())
    play.looks(40.0, lights={"strip": seen(by=0.6)})
    assert play.state == "adrift"
    assert "cannot be told by the picture" in str(play.whole["why"])
    # what it lacks is said of now: nobody looks any more
    play.run(30.0)
    assert "not confirmed by the picture yet" in str(play.whole["why"])


def test_looks_that_say_otherwise_and_say_nothing_by_turns_leave_nothing_ready_for_long() -> None:
    play = rising(strip())
    play.looks(10.0, lights={"strip": seen()})
    assert play.state == "ready"
    for _ in range(4):
        # one alone opens no drift, as somebody may have walked by
        play.looks(EVERY, lights={"strip": seen(level=80.0)})
        play.looks(EVERY, lights={"strip": seen(by=0.6)})
    assert play.state == "ready"
    for _ in range(12):
        play.looks(EVERY, lights={"strip": seen(level=80.0)})
        play.looks(EVERY, lights={"strip": seen(by=0.6)})
    assert play.state == "adrift"
    assert play.drifts("opened") == []
    assert "strip" in str(play.whole["why"]) and "by the picture" in str(play.whole["why"])
    play.looks(EVERY, lights={"strip": seen()})
    assert play.state == "ready"


def test_without_a_clock_nobody_knows_when_it_was_taken_and_nothing_follows() -> None:
    play = rising(strip())
    for n in range(10):
        sighting = Sighting("one", 1000 + n, None, 0.1, lights={"strip": seen()}, kept="day")
        play.give(Sighted(play.now, sighting, None, None))
        play.run(1.0)
    assert play.state == "rising"
    assert play.picture["trust"] == "no clock"


# ---- when it ends ------------------------------------------------------------------------------


def test_what_was_seen_ends_when_the_witness_falls_silent() -> None:
    play = ready(strip(), lights={"strip": seen()})
    play.run(HOLDS - 1.0)
    assert play.device("strip")["by"] == "picture"
    play.run(2.0)
    assert play.device("strip")["by"] == "told"
    assert play.picture["trust"] == "old"
    play.run(30.0)
    assert play.state == "adrift", "what nothing proves is not ready for ever"


def test_what_was_seen_ends_at_once_when_the_witness_leaves() -> None:
    play = ready(strip(), lights={"strip": seen()})
    play.give(WitnessHeard(play.now, False))
    assert play.device("strip")["by"] == "told"
    assert (play.picture["trust"], play.picture["witness"]) == ("gone", "gone")


def test_what_was_seen_before_the_link_was_lost_proves_nothing_after() -> None:
    play = ready(strip(), lights={"strip": seen()})
    play.link_down()
    play.link_up()
    assert play.device("strip")["confirmed"] is False
    assert play.picture["sighting"] is None


# ---- drift -------------------------------------------------------------------------------------


def test_one_frame_alone_takes_nothing_back() -> None:
    play = ready(dial(), lights={"rim": seen()})
    for _ in range(5):
        play.run(EVERY)
        play.look(lights={"rim": seen(20.0, stops=-1.0)})
        play.run(EVERY)
        play.look(lights={"rim": seen()})
    assert play.drifts("opened") == []
    assert play.state == "ready"


def test_a_dial_that_was_turned_is_drift_by_the_picture_in_stops() -> None:
    play = ready(dial(), lights={"rim": seen()})
    play.looks(6.0, lights={"rim": seen(20.0, stops=-1.0)})
    assert play.state == "adrift"
    (note,) = play.drifts("opened")
    assert "by the picture" in str(note.reported)
    (entry,) = drift_view(play.controller, play.now, lambda at: at)
    assert (entry["device"], entry["by"]) == ("rim", "picture")
    assert entry["stops"] == pytest.approx(-0.95, abs=0.01), "the end nearest to what is wanted"
    play.looks(4.0, lights={"rim": seen()})
    assert play.state == "ready"


def test_a_lamp_that_is_told_is_put_back_and_only_as_often_as_its_profile_says() -> None:
    """Law 12: whatever the picture says, for as long as it says it."""
    play = ready(strip(restores=2), lights={"strip": seen()})
    play.forget()
    for _ in range(6):
        play.looks(20.0, lights={"strip": seen(10.0, stops=-2.0)})
        play.looks(20.0, lights={"strip": seen()})
    play.looks(300.0, lights={"strip": seen(10.0, stops=-2.0)})
    assert len(play.tells("strip")) == 2
    assert play.whole["contested"] == ["strip"]


def test_who_asks_has_it_put_back_and_it_closes_by_what_is_seen() -> None:
    play = ready(strip(), lights={"strip": seen()})
    play.looks(6.0, lights={"strip": seen(20.0, stops=-1.0)})
    assert play.state == "adrift"
    play.ask("restore")
    play.looks(6.0, lights={"strip": seen()})
    assert play.state == "ready"
    assert [note.how for note in play.drifts("closed")] == ["restored"]


# ---- lamps that say themselves, and are not overruled --------------------------------------------


def key(**more: object) -> Device:
    return fixture("key", "lamp-plug", tolerance=WIDE, **more)


def test_a_lamp_that_reports_is_not_overruled_and_the_difference_is_said() -> None:
    play = ready(key(), lights={"key": seen()})
    play.looks(60.0, lights={"key": seen(28.0, stops=-0.5)})
    assert play.state == "ready"
    assert play.drifts("opened") == []
    assert play.device("key")["by"] == "report"
    (one,) = play.picture["differs"]  # type: ignore[misc]
    assert (one["device"], one["what"], one["way"], one["though"]) == (
        *("key", "level", "less"),
        "report",
    )
    assert one["text"] == "key gives 0.5 stop less than it did, though it reports its level"


@pytest.mark.parametrize("proof", ["hand", "none", "watts"])
def test_a_lamp_whose_profile_names_another_proof_drifts_by_no_picture(proof: str) -> None:
    lamp = strip("edge", proof=proof, essential=False)
    play = rising(lamp)
    play.looks(60.0, lights={"edge": seen(10.0, stops=-2.0)})
    assert play.drifts("opened") == []
    assert play.device("edge")["gauged"] is None


def test_a_word_about_a_dial_outlives_what_a_picture_says_of_it() -> None:
    play = rising(dial(proof="hand"))
    play.ask("set_by_hand", targets=("rim",), by="Ana")
    play.looks(30.0, lights={"rim": seen(10.0, stops=-2.0)})
    assert play.device("rim")["by"] == "hand"
    (one,) = play.picture["differs"]  # type: ignore[misc]
    assert one["though"] == "hand"


# ---- as kept -----------------------------------------------------------------------------------

KEPT = (Item("picture-as-kept", "picture as kept", "picture"),)


def line(play: Looking) -> tuple[object, str]:
    before = play.whole["before"]
    assert isinstance(before, dict)
    (item,) = before["items"]
    return item["state"], item["evidence"]


def test_the_picture_is_as_kept_only_by_a_look_of_a_moment_ago() -> None:
    play = rising(key(), before=KEPT)
    play.run(10.0)
    assert line(play) == (None, "the picture has not been looked at")
    play.look(lights={"key": seen()})
    assert line(play) == (True, "nothing in it differs")
    play.run(HOLDS + 1.0)
    assert line(play) == (None, "the picture was not looked at lately")


@pytest.mark.parametrize(
    ("look", "state", "says"),
    [
        ({"kept": None}, None, "no picture is kept"),
        ({"kept": "dusk"}, None, "is of the look dusk"),
        ({"hinders": ("auto white",)}, None, "white is left on automatic"),
        ({"hinders": ("hidden",)}, None, "hidden"),
        ({"lights": {"key": seen(tells=False)}}, None, "cannot be told"),
        ({"lights": {"key": seen(57.0, stops=0.5)}}, False, "key gives 0.5 stop more"),
        ({"stray": Stray(near(0.06, 0.01), "left")}, False, "light from nowhere (left)"),
        ({"stray": Stray(near(0.06, 0.01), "")}, False, "light from nowhere: 6 %"),
        ({"white": SeenWhite("card", near(14.0, 3.0), near(0, 0.001))}, False, "14 mired warmer"),
        ({"white": SeenWhite("face", near(0.0, 3.0), near(0.006, 0.001))}, False, "greener"),
        ({"exposure": near(-0.4, 0.1)}, False, "0.4 stop darker"),
        ({"screen": SeenScreen(near(1, 0.1), "upper left", -0.6, change=0.4)}, False, "0.4 stop"),
        ({"framing": SeenFraming(-14, 2, 1.2, 1.0, 0.015, True)}, False, "14 px further left"),
        ({"framing": SeenFraming(0, 0, 0.0, 1.0, 0, False, 0.5)}, False, "softer"),
        ({"hinders": ("moved",)}, False, "the camera has moved"),
        # within what is allowed, or not surely past it
        ({"stray": Stray(Band(0.0, 0.06, 0.12), "left")}, True, "nothing"),
        ({"white": SeenWhite("card", near(7.0, 3.0), near(0, 0.001))}, True, "nothing"),
        ({"lights": {"key": seen(44.0, stops=0.2)}}, True, "nothing"),
    ],
)
def test_as_kept_or_what_differs(look: dict[str, object], state: object, says: str) -> None:
    play = rising(key(), before=KEPT)
    play.run(10.0)
    play.look(**{"lights": {"key": seen()}, **look})
    found = line(play)
    assert found[0] is state
    assert says in found[1]
    assert play.picture["as_kept"] is state


def test_the_greatest_three_differences_come_first_by_how_much_is_allowed() -> None:
    play = ready(key(), strip(), lights={"key": seen(), "strip": seen()})
    play.run(1.0)
    play.look(
        lights={"key": seen(28.0, stops=-0.5), "strip": seen(10.0, stops=-2.0)},
        white=SeenWhite("card", near(80.0, 3.0), near(0.0, 0.001)),
        stray=Stray(near(0.04, 0.005), "left"),
    )
    found = play.picture["differs"]
    assert [one["what"] for one in found] == ["white", "level", "level"]  # type: ignore[attr-defined]
    assert [one["device"] for one in found][1:] == ["strip", "key"]  # type: ignore[attr-defined]


# ---- a hand on a dial --------------------------------------------------------------------------


def test_a_dial_is_guided_by_what_is_seen_until_it_rests() -> None:
    play = rising(dial(proof="hand"))
    assert play.device("rim")["dial"] is None
    for level in (80.0, 60.0):
        play.look(lights={"rim": seen(level)})
        play.run(0.5)
    found = play.device("rim")["dial"]
    assert isinstance(found, dict)
    assert (found["by"], found["unit"], found["value"], found["settled"]) == (
        *("picture", "%", 60.0),
        False,
    )
    assert found["stops"] == pytest.approx(math.log2(60 / 40), abs=0.01)
    for _ in range(2):
        play.look(lights={"rim": seen(41.0)})
        play.run(0.5)
    found = play.device("rim")["dial"]
    assert isinstance(found, dict)
    assert found["settled"] is True
    assert found["low"] <= found["value"] <= found["high"]
    play.run(HOLDS + 1.0)
    assert play.device("rim")["dial"] is None, "what was seen long ago guides nobody"


def test_a_dial_whose_level_nobody_learned_is_guided_in_stops() -> None:
    play = rising(dial(proof="hand"))
    for _ in range(2):
        play.look(lights={"rim": seen(stops=0.4, level=None)})
        play.run(0.5)
    found = play.device("rim")["dial"]
    assert isinstance(found, dict)
    assert (found["unit"], found["value"], found["target"]) == ("stop", 0.4, 0.0)


def test_a_dial_that_cannot_be_told_says_why() -> None:
    play = rising(dial(proof="hand"))
    play.look(lights={"rim": seen(tells=False)})
    found = play.device("rim")["dial"]
    assert isinstance(found, dict)
    assert (found["value"], found["why"]) == (None, "too little of it is in the picture")


# ---- said once ---------------------------------------------------------------------------------


def test_what_happens_is_said_once_and_again_only_when_it_was_over() -> None:
    play = ready(key(), lights={"key": seen()})
    play.forget()
    stray = Stray(near(0.06, 0.01), "left")
    for _ in range(2):
        play.looks(20.0, lights={"key": seen()}, stray=stray)
        assert play.lights()[-1] == ("the picture", "begun")
        play.looks(10.0, lights={"key": seen()})
        assert play.lights()[-1] == ("the picture", "over")
    assert [what for what, _ in play.said()] == ["stray", "stray"]
    play.forget()
    play.looks(20.0, hinders=("moved",), framing=SeenFraming(-14, 0, 0, 1, 0.015, True))
    play.looks(20.0, hinders=("auto exposure",))
    assert play.said() == [
        ("camera_moved", "the camera looks 14 px further left"),
        ("automatic", "the camera's exposure is left on automatic"),
    ]


def test_while_the_set_goes_down_nothing_is_said_of_the_cameras_automatics() -> None:
    """Lamps that go out on purpose look to a camera's picture as an automatic does."""
    play = ready(key(), lights={"key": seen()})
    play.forget()
    play.ask("down")
    play.run(0.1)
    for _ in range(3):
        assert play.state == "lowering"
        play.look(hinders=("auto exposure", "auto white"))
        shown = play.picture["sighting"]
        assert isinstance(shown, dict)
        assert list(shown["hinders"]) == []
        assert "automatic" not in str(play.picture["why"])
        play.run(0.1)
    play.look(hinders=("too dark", "auto exposure"))  # what else hinders is said
    shown = play.picture["sighting"]
    assert isinstance(shown, dict)
    assert list(shown["hinders"]) == ["too dark"]
    assert "automatic" not in [what for what, _ in play.said()]


def test_a_flicker_about_what_counts_is_no_entry_each_time() -> None:
    play = ready(key(), lights={"key": seen()})
    play.forget()
    for n in range(40):
        play.run(EVERY)
        share = 0.031 if n % 2 else 0.029
        play.look(lights={"key": seen()}, stray=Stray(near(share, 0.0), "left"))
    assert len(play.lights()) <= 1


def test_a_set_without_a_witness_hears_nobody_who_says_so() -> None:
    play = rising(strip(), witness=None)
    play.looks(20.0, lights={"strip": seen()})
    assert play.whole["picture_seen"] is None
    assert play.state == "rising"


def test_from_when_on_a_frame_counts_is_said() -> None:
    """Whoever puts frames together lets go of what was taken before."""
    play = rising(strip())
    counts = play.picture["counts_from"]
    assert isinstance(counts, float)
    play.run(counts - play.now + 1.0)
    play.look(since=counts - 0.01, frames=20, lights={"strip": seen()})
    play.run(0.1)
    assert play.state == "rising"
    play.look(since=counts + 0.01, frames=20, lights={"strip": seen()})
    play.run(0.1)
    assert play.state == "ready"


def test_of_a_look_that_stands_in_no_file_no_picture_can_have_been_kept_and_that_is_said() -> None:
    play = rising(key(), before=KEPT)
    play.run(10.0)
    play.controller.desk.looks["take-1"] = dict(play.controller.desk.looks["day"])
    play.ask("up", look="take-1")
    play.run(5.0)
    play.look(lights={"key": seen()}, kept=None)
    assert play.picture["as_kept"] is None
    assert play.picture["why"] == (
        "no picture is kept of take-1: `look save` makes it a look of the set and keeps one"
    )

"""Light sensors in a running set: references, what is unexplained, and the light that is named."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control import views
from studiobridge.control.effects import LightNote
from studiobridge.control.events import Gauge
from studiobridge.craft.chroma import of_hs
from studiobridge.profile.model import Device, Output, Place, Preset, Room, SetProfile
from tests.control.play import FIXTURE, Play, fixture, on_plug, plug, profile
from tests.figures.light_room import Truth

KEY, RIM = 64.0, 50.0


def lamp_at(side: float, lux: float) -> dict[str, object]:
    return {
        "place": Place(2.5, side, 1.2, "mark"),
        "output": Output(lux, 1.0),
        "beam": 110.0,
    }


def room(*more: Device, rim: str = "hand", looks: dict[str, Preset] | None = None) -> SetProfile:
    """A key that reports, a rim on a dial, a sensor at the mark; both lamps 1.5 m out of it."""
    dial = on_plug("rim", "light", "lamp-plug", hand_set=True, proof=rim, **lamp_at(1.0, 800.0))
    made = profile(
        plug("lamp-plug"),
        fixture("key", "lamp-plug", **lamp_at(-1.0, 800.0)),
        dial,
        *more,
        Device("rig", "camera", battery=True, place=Place(3.5, 0.0, 1.2)),
        Device(
            "cell",
            "sensor",
            battery=True,
            speaks="s",
            can_ask=True,
            essential=False,
            hears=frozenset({"lux", "cct", "online"}),
            place=Place(1.0, 0.0, 1.2, "rig"),
        ),
        looks={"day": {"key": Preset(KEY, 4300.0), "rim": Preset(RIM, 4300.0), **(looks or {})}},
    )
    return replace(made, room=Room(mark=Place(1.0, 0.0, 1.2)))


class Scene(Play):
    """The play, and a sensor that says every two seconds what it reads."""

    lux = 2.0

    def pass_by(self, seconds: float) -> None:
        for _ in range(round(seconds / 2)):
            self.report("cell", "lux", self.lux)
            self.run(2)

    def come_up(self, lux: float = 300.0, tick: bool = True) -> None:
        self.link_up()
        self.report("cell", "online", True)
        self.pass_by(20)
        self.ask("up")
        self.run(30)
        assert self.state == "ready"
        if tick:
            self.ask("set_by_hand")
        self.lux = lux
        self.pass_by(40)

    @property
    def shown(self) -> dict[str, object]:
        (found,) = views.state_view(self.controller, self.now, lambda at: at)["sensors"]  # type: ignore[misc]
        return found  # type: ignore[no-any-return]

    @property
    def band(self) -> object:
        return self.controller.beliefs.of["rim"].gauged.get("level")


def scene(made: SetProfile | None = None) -> Scene:
    return Scene(made or room())


def test_a_reading_stands_beside_its_prediction() -> None:
    """Both lamps 1.803 m away at 33.7 degrees: 800 / 3.25 * 0.832 = 204.8 lx at full, each."""
    play = scene()
    play.come_up(lux=240.0)
    play.report("cell", "cct", 4200.0)
    assert play.shown["predicted_lux"] == pytest.approx(204.8 * (0.64 + 0.5), abs=0.2)
    assert play.shown["stops"] == pytest.approx(0.04, abs=0.005)
    assert play.shown["predicted_cct"] == pytest.approx(4300, abs=2)
    assert play.shown["mired"] == pytest.approx(5.5, abs=0.3)
    assert play.shown["fresh"] is True
    assert (play.shown["since_ready"], play.shown["could"]) == (None, [])


def test_an_old_or_kept_word_is_no_reading() -> None:
    play = scene()
    play.come_up()
    play.run(90)
    assert (play.shown["fresh"], play.shown["stops"]) == (False, None)
    assert play.shown["lux"] == 300.0
    play.report("cell", "lux", 250.0, retained=True)
    assert (play.shown["fresh"], play.shown["stops"]) == (False, None)


def test_the_dial_that_must_have_moved_is_drift_until_it_is_back() -> None:
    play = scene()
    play.come_up()
    play.lux = 225.0  # a quarter of the light is gone, and the key says that it is as it was
    play.pass_by(40)
    assert play.shown["since_ready"] == pytest.approx(-0.42, abs=0.01)
    assert play.shown["could"] == ["rim"]
    band = play.band
    assert (band.by, band.high < RIM) == ("sensor", True)  # type: ignore[attr-defined]
    assert [(n.device, n.point) for n in play.drifts("opened")] == [("rim", "level")]
    assert play.state == "adrift"
    play.lux = 300.0
    play.pass_by(40)
    assert (play.band.low, play.band.high) == (0.0, 100.0)  # type: ignore[attr-defined]
    assert play.shown["since_ready"] is None
    assert play.state == "ready"


def test_a_sensor_that_falls_silent_takes_nothing_back() -> None:
    play = scene()
    play.come_up()
    play.lux = 225.0
    play.pass_by(40)
    play.run(600)
    assert play.shown["since_ready"] is None  # what is shown is of now
    assert play.drifts("closed") == []
    assert play.state == "adrift"


def test_what_a_report_explains_is_nobodys_fault() -> None:
    play = scene()
    play.come_up(lux=300.0)
    play.report("key", "level", 32.0)
    # half of the key's 64 % is half of its part: 300 * (0.32 + 0.5) / (0.64 + 0.5)
    play.lux = 300.0 * 0.82 / 1.14
    play.pass_by(40)
    assert play.shown["since_ready"] is None
    assert play.band is None
    assert [n.device for n in play.drifts("opened")] == ["key"]


def test_two_that_could_are_both_said_and_neither_named() -> None:
    other = on_plug("edge", "light", "lamp-plug", hand_set=True, proof="hand", **lamp_at(0.5, 800))
    play = scene(room(other, looks={"edge": Preset(50.0, 4300.0)}))
    play.come_up()
    play.lux = 225.0
    play.pass_by(40)
    assert play.shown["could"] == ["rim", "edge"]
    assert play.band is None
    assert play.drifts("opened") == []
    assert play.state == "ready"


def test_daylight_is_always_an_explanation_of_more_light() -> None:
    play = scene()
    play.come_up()
    play.lux = 400.0
    play.pass_by(40)
    assert play.shown["since_ready"] == pytest.approx(0.42, abs=0.01)
    assert play.shown["could"] == ["rim"]
    assert play.band is None


def test_nothing_is_named_without_a_word_about_the_dial() -> None:
    play = scene()
    play.come_up(tick=False)
    play.lux = 225.0
    play.pass_by(40)
    assert play.shown["could"] == ["rim"]
    assert play.band is None


def test_a_shadow_that_passes_says_nothing() -> None:
    play = scene()
    play.come_up()
    play.lux = 200.0
    play.pass_by(10)
    assert play.shown["since_ready"] is None
    play.lux = 300.0
    play.pass_by(40)
    assert play.drifts("opened") == []


def test_a_word_about_the_dial_begins_anew() -> None:
    play = scene()
    play.come_up()
    play.lux = 225.0
    play.pass_by(40)
    assert play.band is not None
    play.ask("set_by_hand")
    play.pass_by(40)
    assert (play.band.low, play.band.high) == (0.0, 100.0)  # type: ignore[attr-defined]
    assert play.shown["since_ready"] is None
    assert play.state == "ready"


def test_lamps_that_warm_up_are_allowed_a_little_and_then_stand_anew() -> None:
    """−0.3 stop while warming is neither more nor less than lamps do; afterwards it is."""
    play = scene(replace(room(), warm_up=600.0))
    play.come_up(lux=300.0)
    play.lux = 300.0 * 2**-0.3
    play.pass_by(100)
    assert play.shown["since_ready"] is None
    play.pass_by(600)
    play.lux *= 2**-0.3
    play.pass_by(40)
    assert play.shown["since_ready"] == pytest.approx(-0.3, abs=0.02)


def test_while_the_link_is_lost_nothing_is_fresh() -> None:
    play = scene()
    play.come_up()
    play.lux = 225.0
    play.pass_by(40)
    play.link_down()
    play.run(70)
    assert play.shown["fresh"] is False
    assert [n.device for n in play.drifts("closed")] == []
    play.link_up()
    # what was gauged before says nothing of now, until the sensor has read again
    assert play.controller.beliefs.of["rim"].band("is it so", "level") is None
    play.pass_by(40)
    assert play.controller.beliefs.of["rim"].band("is it so", "level") is not None


def test_nonsense_and_steps_of_the_clock_do_no_harm() -> None:
    play = scene()
    play.come_up()
    for lux in (0.0, 2e5, 1e-9, 300.0):
        play.report("cell", "lux", lux)
    play.now -= 5.0
    play.report("cell", "lux", 300.0)
    play.now += 5.0
    play.pass_by(40)
    assert play.state == "ready"
    assert not play.controller.failed


def test_a_light_that_is_only_told_is_not_taken_for_proven() -> None:
    """It hears its level and never says it: of it and a dial, either could have."""
    only_told = fixture("edge", "lamp-plug", proof="none", **lamp_at(0.5, 800.0))
    only_told = replace(only_told, tells=FIXTURE - {"switch"}, hears=frozenset({"online"}))
    play = scene(room(only_told, looks={"edge": Preset(50.0, 4300.0)}))
    play.come_up()
    play.lux = 225.0
    play.pass_by(40)
    assert play.shown["could"] == ["rim", "edge"]
    assert play.band is None


def test_an_old_white_is_not_compared_though_the_light_is_read_now() -> None:
    play = scene()
    play.come_up(lux=240.0)
    play.report("cell", "cct", 4200.0)
    play.pass_by(80)
    assert (play.shown["fresh"], play.shown["mired"]) == (True, None)


# ---- two sensors ----------------------------------------------------------------------------


def pair_of_sensors() -> SetProfile:
    made = room()
    near = replace(made.devices["cell"], name="near", place=Place(1.1, 0.1, 1.2, "rig"))
    return replace(made, devices={**made.devices, "near": near})


class Pair(Scene):
    near = 2.0

    def pass_by(self, seconds: float) -> None:
        for _ in range(round(seconds / 2)):
            self.report("cell", "lux", self.lux)
            self.report("near", "lux", self.near)
            self.run(2)


def test_two_sensors_that_agree_name_it_and_two_that_do_not_name_nobody() -> None:
    play = Pair(pair_of_sensors())
    play.near = 2.0
    play.link_up()
    play.pass_by(20)
    play.ask("up")
    play.run(30)
    play.ask("set_by_hand")
    play.lux = play.near = 300.0
    play.pass_by(40)
    play.lux = 190.0  # something stands before this one: the other sees all lamps as they were
    play.pass_by(40)
    assert play.band is None
    assert play.state == "ready"
    play.near = 190.0
    play.pass_by(40)
    band = play.band
    assert (band.by, band.high < RIM) == ("sensor", True)  # type: ignore[attr-defined]
    assert play.state == "adrift"
    play.near = 300.0
    play.pass_by(40)
    assert (play.band.low, play.band.high) == (0.0, 100.0)  # type: ignore[attr-defined]
    assert play.state == "ready"


# ---- whole evenings in rooms of known light ---------------------------------------------------

ROOMS = 150


def as_set(truth: Truth) -> SetProfile:
    """The lamps of a room of known light: some report, the others have dials."""
    found = truth.as_profile().devices
    lamps, presets = [], {}
    for name, lamp in truth.lamps.items():
        figures = {key: getattr(found[name], key) for key in ("place", "output", "beam")}
        if lamp.mute:
            made = on_plug(name, "light", "lamp-plug", hand_set=True, proof="hand", **figures)
        else:
            made = fixture(name, "lamp-plug", inrush=0.0, draws=9.0, **figures)
        lamps.append(made)
        presets[name] = Preset(lamp.ticked, 4000.0)
    cell = replace(found["cell"], speaks="s", battery=True, essential=False)
    made_set = profile(plug("lamp-plug"), *lamps, cell, found["camera"], looks={"day": presets})
    mark = Place(truth.mark[1], truth.mark[0], truth.mark[2])
    return replace(made_set, room=Room(mark=mark))


def evening(seed: int) -> tuple[set[str], set[str], set[str]]:
    """Up, a word about the dials, one or two hands at them: turned, drifted, and whom it could
    have been."""
    truth = Truth(seed)
    for lamp in truth.lamps.values():
        if not lamp.mute:
            lamp.level = lamp.ticked  # it is told, and reports
    play = Scene(as_set(truth))
    play.link_up()

    def pass_by(seconds: float, lamps: bool = True) -> None:
        for _ in range(round(seconds / 2)):
            play.report("cell", "lux", truth.reads(lamps))
            play.run(2)

    pass_by(20, lamps=False)
    play.ask("up")
    play.run(30)
    assert play.state == "ready", play.controller.why
    if any(lamp.mute for lamp in truth.lamps.values()):
        play.ask("set_by_hand")
    pass_by(40)
    truth.daylight *= truth.dice.uniform(0.7, 1.4)
    mute = [name for name, lamp in truth.lamps.items() if lamp.mute]
    turned = set(truth.dice.sample(mute, min(len(mute), truth.dice.choice([0, 1, 1, 2]))))
    for name in sorted(turned):
        truth.lamps[name].level = truth.dice.choice([0.0, truth.dice.uniform(0.0, 100.0)])
    pass_by(40)
    return turned, {n.device for n in play.drifts("opened")}, set(play.shown["could"])  # type: ignore[call-overload]


def test_in_a_hundred_and_fifty_evenings_nobody_is_blamed_who_was_not_touched() -> None:
    blamed = 0
    for seed in range(ROOMS):
        turned, drifted, could = evening(seed)
        assert drifted <= turned, seed
        if drifted:
            blamed += 1
            assert drifted <= could, seed
    assert blamed > 5


def test_a_reading_from_before_a_light_changed_says_nothing_of_after() -> None:
    play = scene()
    play.come_up()
    play.lux = 200.0  # somebody walks by, so that the reading is looked at again when it is steady
    play.pass_by(4)
    play.lux = 300.0
    play.pass_by(4)
    play.report("key", "level", 5.0)
    for _ in range(50):
        play.run(1)  # the sensor is silent, and its last word still fresh for most of it
        assert (play.shown["since_ready"], play.shown["could"]) == (None, [])
    assert play.band is None


@pytest.mark.parametrize("by", ["watts", "picture"])
def test_another_instrument_is_heard_before_a_sensor(by: str) -> None:
    """The plug, or the camera, says that the rim is as it was: then it was something else, and
    what they say of it stays."""
    play = scene()
    play.come_up()
    play.give(Gauge(play.now, "rim", "level", RIM - 1.0, RIM + 1.0, by))  # type: ignore[arg-type]
    play.lux = 225.0
    play.pass_by(40)
    assert play.shown["could"] == []
    assert play.shown["since_ready"] == pytest.approx(-0.42, abs=0.01)
    band = play.band
    assert (band.low, band.high, band.by) == (RIM - 1.0, RIM + 1.0, by)  # type: ignore[attr-defined]
    assert play.state == "ready"
    # and what a sensor concluded does not wipe out what they say later
    play.give(Gauge(play.now, "rim", "level", 20.0, 90.0, by))  # type: ignore[arg-type]
    play.pass_by(40)
    play.lux = 300.0
    play.pass_by(40)
    band = play.band
    assert (band.low, band.high, band.by) == (20.0, 90.0, by)  # type: ignore[attr-defined]


def lights(play: Scene) -> list[tuple[str, float | None, tuple[str, ...], str]]:
    notes = [e for _, e in play.effects if isinstance(e, LightNote)]
    assert {n.device for n in notes} <= {"cell"}
    return [(n.phase, n.stops and round(n.stops, 1), n.could, n.how) for n in notes]


def two_dials() -> Scene:
    other = on_plug("edge", "light", "lamp-plug", hand_set=True, proof="hand", **lamp_at(0.5, 800))
    return scene(room(other, looks={"edge": Preset(50.0, 4300.0)}))


def test_a_change_that_several_could_have_made_is_recorded_when_it_begins_and_ends() -> None:
    play = two_dials()
    play.come_up()
    assert lights(play) == []
    play.lux = 225.0
    play.pass_by(120)
    begun = ("begun", -0.4, ("rim", "edge"), "")
    assert lights(play) == [begun], "once, however long it lasts"
    play.lux = 300.0
    play.pass_by(120)
    assert lights(play) == [begun, ("over", None, (), "returned")]
    assert play.drifts("opened") == []


def test_a_change_that_ends_with_a_new_comparison_or_the_set_says_so() -> None:
    play = two_dials()
    play.come_up()
    play.lux = 225.0
    play.pass_by(40)
    play.ask("set_by_hand")
    play.pass_by(40)
    assert lights(play)[-1] == ("over", None, (), "compared anew")
    play.lux = 160.0
    play.pass_by(40)
    assert lights(play)[-1][0] == "begun"
    play.ask("down", yes=True)
    play.run(60)
    play.pass_by(4)
    assert play.state == "dark"
    assert lights(play)[-1] == ("over", None, (), "powered down")
    assert [phase for phase, *_ in lights(play)] == ["begun", "over"] * 2


def test_a_reading_on_the_edge_is_no_row_of_entries() -> None:
    play = two_dials()
    play.come_up()
    for n in range(30):
        play.lux = 300.0 * 2.0 ** -(0.24 if n % 2 else 0.26)  # what is allowed is 0.25 stop
        play.pass_by(20)
    assert [phase for phase, *_ in lights(play)] == ["begun"]


# ---- coloured lights ----------------------------------------------------------------------

GREEN, BLUE = of_hs(120, 0.9), of_hs(240, 0.9)


def with_a_wash() -> Scene:
    """A third lamp, coloured: its figures hold for its white, and nobody knows what it gives."""
    points = frozenset({"level", "cct", "colour"})
    wash = fixture(
        "wash",
        "lamp-plug",
        tells=points,
        hears=points | {"online"},
        either=True,
        **lamp_at(0.2, 800.0),
    )
    play = scene(room(wash, looks={"wash": Preset(60.0, None, GREEN)}))
    play.come_up()
    return play


def test_a_light_that_reports_another_colour_is_not_put_down_to_a_dial() -> None:
    """sRGB's blue has a tenth of its green's luminance (0.0722 to 0.7152, IEC 61966-2-1)."""
    play = with_a_wash()
    play.report("wash", "colour", BLUE)
    play.lux = 225.0
    play.pass_by(60)
    assert play.band is None or (play.band.low, play.band.high) == (0.0, 100.0)  # type: ignore[attr-defined]
    assert play.shown["could"] == []


def test_beside_a_coloured_light_that_stays_a_dial_that_must_have_moved_is_still_named() -> None:
    play = with_a_wash()
    play.lux = 225.0
    play.pass_by(60)
    assert play.shown["could"] == ["rim"]
    assert play.band.high < 100.0  # type: ignore[attr-defined]


def test_no_reading_is_predicted_of_what_is_partly_coloured() -> None:
    play = with_a_wash()
    assert (play.shown["predicted_lux"], play.shown["stops"]) == (None, None)

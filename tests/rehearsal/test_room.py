"""Simulated gear behaves like gear: mains, boots, fades, fans, takes, and what it reports."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from studiobridge.profile import read_profile
from studiobridge.profile.said import Report
from studiobridge.rehearsal import Room
from studiobridge.rehearsal.devices import Joined, Vanished
from studiobridge.speech import FarEnd, Speech
from studiobridge.speech.message import Message
from studiobridge.speech.slots import WHOLE, put

CONFIG = Path(__file__).parents[2] / "config"
PROFILE = read_profile(CONFIG / "wheel-corner.yaml").profile


class Played:
    """A room with a clock and the bridge's end of its speech."""

    def __init__(self, seed: int = 1) -> None:
        self.room = Room(PROFILE, seed)
        self.speech = Speech(PROFILE)
        self.now = 0.0
        self.out: list[tuple[str, object]] = []
        self.out += self.room.begin(0.0)
        self.learn()

    def learn(self) -> None:
        for message in FarEnd(PROFILE, "key").hello({"level": 1.0, "cct": 4300.0}):
            self.speech.hear(message, self.now)

    def run(self, seconds: float) -> list[Report]:
        """Let time pass; what was reported in it."""
        end, said = self.now + seconds, []
        while (at := self.room.next_wake()) is not None and at <= end:
            self.now = at
            said += self.room.tick(at)
        self.now = end
        self.out += said
        heard = []
        for _, what in said:
            if isinstance(what, Message):
                heard += [h for h in self.speech.hear(what, self.now) if isinstance(h, Report)]
        return heard

    def tell(self, name: str, *values: tuple[str, object], fade: float | None = None) -> None:
        for message in self.speech.tell(name, list(values), fade):  # type: ignore[arg-type]
            self.out += self.room.handle(name, message, self.now)

    def bring_up(self) -> None:
        for name in ("bench-plug", "wall-plug", "pc-plug", "desk-plug", "amp-plug"):
            self.tell(name, ("switch", True))
        self.run(20.0)


def test_mains_arrives_through_plugs_and_strips() -> None:
    played = Played()
    assert not played.room.devices["camera"].energised
    played.tell("desk-plug", ("switch", True))
    played.run(1.0)
    assert played.room.devices["camera"].energised  # through the strip
    assert not played.room.devices["key"].energised
    assert played.room.devices["router"].energised  # it stays on


def test_a_fixture_speaks_only_after_it_has_booted() -> None:
    played = Played()
    played.tell("bench-plug", ("switch", True))
    assert [h for h in played.run(2.0) if h.device in ("key", "fill")] == []
    assert {h.device for h in played.run(4.0)} >= {"key", "fill"}
    assert any(isinstance(what, Joined) and name == "key" for name, what in played.out)


def test_a_fade_is_a_ramp_of_reports() -> None:
    played = Played()
    played.bring_up()
    played.tell("fill", ("switch", True), ("level", 10.0))
    played.run(2.0)
    played.tell("fill", ("level", 80.0), fade=2.0)
    levels = [float(h.value) for h in played.run(4.0) if (h.device, h.point) == ("fill", "level")]
    assert levels == sorted(levels)
    assert len(levels) >= 5
    assert levels[-1] == pytest.approx(80.0, abs=0.3)


def test_losing_mains_is_silent_and_leaves_the_will_to_the_broker() -> None:
    played = Played()
    played.bring_up()
    played.tell("bench-plug", ("switch", False))
    played.out.clear()
    heard = played.run(5.0)
    assert [h for h in heard if h.device == "key"] == []
    assert any(isinstance(what, Vanished) and name == "key" for name, what in played.out)


def test_harm_is_written_down_whoever_does_it() -> None:
    played = Played()
    played.bring_up()
    played.room.roll("camera", played.now, True)
    played.tell("desk-plug", ("switch", False))
    played.tell("pc-plug", ("switch", False))
    played.run(2.0)
    assert {(h.device, h.what) for h in played.room.harms} >= {
        ("camera", "camera cut while rolling"),
        ("lesson-pc", "computer cut while running"),
        ("mixer", "pop in an amp"),
    }


def test_a_light_with_a_fan_is_hot_for_a_while() -> None:
    played = Played()
    played.bring_up()
    played.tell("fill", ("switch", True), ("level", 80.0))
    played.run(2.0)
    played.tell("bench-plug", ("switch", False))
    played.run(1.0)
    assert [h.what for h in played.room.harms if h.device == "fill"] == ["light cut while hot"]


def test_meters_add_up_what_hangs_on_them() -> None:
    played = Played()
    played.bring_up()
    played.tell("fill", ("switch", True), ("level", 100.0))
    heard = played.run(4.0)
    watts = [float(h.value) for h in heard if (h.device, h.point) == ("bench-plug", "watts")]
    key = played.room.devices["key"].watts()
    assert watts[-1] == pytest.approx(48.0 + key, abs=1.0)


def test_a_computer_takes_its_time_to_go_down() -> None:
    played = Played()
    played.bring_up()
    played.tell("lesson-pc", ("shut_down", True))
    assert not any(h.point == "down" and h.value is True for h in played.run(2.0))
    heard = played.run(10.0)
    assert any((h.device, h.point, h.value) == ("lesson-pc", "down", True) for h in heard)
    assert played.room.devices["lesson-pc"].watts() < 4.0


def test_the_same_seed_is_the_same_room() -> None:
    def once() -> list[str]:
        played = Played(7)
        played.bring_up()
        return [repr(what) for what in played.out]

    assert once() == once()


def test_a_welded_contact_says_off_and_passes_current() -> None:
    played = Played()
    played.bring_up()
    played.room.weld("bench-plug", played.now, True)
    played.tell("bench-plug", ("switch", False))
    heard = played.run(5.0)
    assert [h.value for h in heard if (h.device, h.point) == ("bench-plug", "switch")] == [False]
    plug = played.room.devices["bench-plug"]
    assert played.room.devices["key"].energised
    assert plug.metered_watts > 5.0
    played.room.weld("bench-plug", played.now, False)
    played.run(5.0)
    assert not played.room.devices["key"].energised
    assert plug.metered_watts == 0.0


def test_a_meter_may_repeat_itself_and_may_fall_silent() -> None:
    played = Played()
    plug = played.room.devices["bench-plug"]
    plug.meter_every = 3.0
    played.room.unplug("bench-plug", 0.0)
    played.room.plug_in("bench-plug", 0.0)
    played.bring_up()

    def samples(seconds: float) -> int:
        return len([h for h in played.run(seconds) if (h.device, h.point) == (plug.name, "watts")])

    assert samples(30.0) == 10
    plug.samples_left = 1
    assert samples(30.0) == 1
    assert samples(30.0) == 0
    plug.samples_left = None
    assert samples(30.0) == 10


def test_a_dial_turned_by_hand_shows_in_its_plug_s_meter_and_nowhere_else() -> None:
    played = Played()
    played.tell("rim-plug", ("switch", True))
    played.run(5.0)
    age = played.room.devices["rim"].age
    assert 0.95 < age <= 1.0
    for level, table in ((30.0, 5.1), (40.0, 6.55), (100.0, 15.0), (0.0, 0.6)):
        played.room.touch("rim", played.now, level=level)
        played.run(1.0)  # what was metered before
        heard = played.run(6.0)
        assert {h.device for h in heard if h.value} == {"rim-plug"}
        said = [float(h.value) for h in heard if h.device == "rim-plug"]
        assert len(said) >= 3 and set(said) == {round(table * age, 1)}


# ---- laptops, cameras by their watts, lights that come back ------------------------------------

TABLE = read_profile(CONFIG / "two-person-table.yaml").profile


def table(**lamp: object) -> Room:
    devices = {**TABLE.devices, "lamp": replace(TABLE.devices["lamp"], **lamp)}  # type: ignore[arg-type]
    room = Room(replace(TABLE, devices=devices), 1)
    room.begin(0.0)
    return room


def test_a_laptop_runs_on_when_its_plug_goes_and_nobody_is_harmed() -> None:
    room = table()
    assert room.devices["notes"].run == "up"
    room.touch("sound-socket", 1.0, switch=True)
    assert room.circuit_amps["door"] > (TABLE.devices["notes"].draws - 1.0) / 120
    room.touch("sound-socket", 5.0, switch=False)
    room.tick(6.0)
    assert room.devices["notes"].run == "up"
    assert room.devices["notes"].booted
    assert room.harms == []
    assert room.circuit_amps["door"] < 5.0 / 120
    room.press_power("notes", 7.0)
    room.tick(100.0)
    assert room.devices["notes"].run == "down"


def test_a_camera_takes_more_while_it_rolls_and_its_plug_says_so() -> None:
    room = table()
    room.touch("side-socket", 1.0, switch=True)
    room.tick(10.0)
    socket = room.devices["side-socket"]
    waiting = socket.metered_watts
    out = room.roll("side-camera", 11.0, True)
    out += room.tick(15.0)
    assert waiting < 6.0 <= socket.metered_watts
    said = [client for client, what in out if isinstance(what, Message)]
    assert said.count("side-socket") == 1
    room.roll("side-camera", 20.0, False)
    assert socket.metered_watts == pytest.approx(waiting)


@pytest.mark.parametrize(
    ("how", "level"),
    [("full", 100.0), ("dark", 0.0), ("last", 22.0), ("preset", 40.0), (None, 22.0)],
)
def test_a_light_on_a_dial_comes_back_as_its_profile_says(how: str | None, level: float) -> None:
    room = table(comes_back=how)
    room.touch("lamp", 1.0, level=22.0)
    room.touch("light-socket", 2.0, switch=True)
    room.tick(10.0)
    assert room.devices["lamp"].level == level
    assert room.devices["lamp"].lit is (level > 0)


# ---- fixtures that only listen ---------------------------------------------------------------


def a_hair_light(holds: bool = False) -> Room:
    """Its plug is on, and it has booted."""
    room = Room(TABLE, seed=1)
    room.devices["hair"].holds = holds
    room.begin(0.0)
    room.touch("light-socket", 1.0, switch=True)
    room.tick(10.0)
    return room


def frame_at(level: float) -> list[int]:
    frame = [0] * WHOLE
    slots = TABLE.devices["hair"].slots
    assert slots is not None
    put(slots, level, 3600.0, frame)
    return frame


def test_a_fixture_on_slots_is_dark_until_a_frame_comes() -> None:
    room = a_hair_light()
    hair = room.devices["hair"]
    assert not hair.lit
    room.frame(1, frame_at(45), False, 10.0)
    assert hair.lit and hair.level == pytest.approx(45, abs=0.01)
    assert hair.cct == pytest.approx(3600, abs=8)
    room.frame(2, frame_at(90), False, 10.1)
    assert hair.level == pytest.approx(45, abs=0.01), "that is another universe"


def test_without_frames_it_goes_dark_after_two_and_a_half_seconds() -> None:
    room = a_hair_light()
    hair = room.devices["hair"]
    for n in range(30):
        room.frame(1, frame_at(45), False, 10.0 + 0.9 * n)
        room.tick(10.0 + 0.9 * n)
    last = 10.0 + 0.9 * 29
    room.tick(last + 2.4)
    assert hair.lit
    room.tick(last + 2.6)
    assert not hair.lit
    room.frame(1, frame_at(45), False, last + 5.0)
    assert hair.lit


def test_told_that_the_stream_ends_it_goes_dark_at_once_and_one_that_holds_does_not() -> None:
    for holds in (False, True):
        room = a_hair_light(holds)
        room.frame(1, frame_at(45), False, 10.0)
        room.frame(1, frame_at(45), True, 10.1)
        assert room.devices["hair"].lit is holds
        room.tick(60.0)
        assert room.devices["hair"].lit is holds


def test_it_loses_what_it_had_with_its_mains() -> None:
    room = a_hair_light(holds=True)
    room.frame(1, frame_at(45), False, 10.0)
    room.touch("light-socket", 11.0, switch=False)
    room.touch("light-socket", 12.0, switch=True)
    room.tick(30.0)
    assert not room.devices["hair"].lit

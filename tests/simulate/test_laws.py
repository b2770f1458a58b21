"""The laws that watch what is heard, shown and answered: each can be broken, and only by a breach.

Driven by hand, without a bridge: what is heard, noted and shown is put in, breaches come out.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control.effects import (
    DriftNote,
    LockoutNote,
    Memory,
    Note,
    RequestNote,
    RunNote,
    StateNote,
    StepNote,
)
from studiobridge.profile.model import Circuit, Device, Look, Point, Preset, SetProfile
from tests.simulate.laws import Laws
from tests.simulate.sets import dialects

SWITCH: frozenset[Point] = frozenset({"switch"})
LEVEL: frozenset[Point] = frozenset({"level", "cct"})


def plug(name: str, *feeds: str, **more: object) -> Device:
    return Device(
        name,
        "plug",
        fed_by=feeds[0] if feeds else "wall",
        feeds=feeds,
        circuit="wall",
        speaks="relay",
        at=f"gear/{name}",
        tells=SWITCH,
        hears=SWITCH | {"watts", "online"},
        can_ask=True,
        meters=True,
        **more,  # type: ignore[arg-type]
    )


def below(name: str, kind: str, feed: str, **more: object) -> Device:
    return Device(name, kind, fed_by=feed, feeds=(feed,), circuit="wall", **more)  # type: ignore[arg-type]


DEVICES = [
    plug("bench"),
    below("key", "light", "bench", speaks="warm", tells=LEVEL, hears=LEVEL, can_ask=True),
    below("dial", "light", "bench", hand_set=True),
    below("camera", "camera", "bench"),
    plug("desk"),
    below("pc", "computer", "desk", idle_below=4.0, idle_for=3.0),
    plug("stays"),
    below("radio", "network", "stays", stays_on=True),
]
PROFILE = SetProfile(
    name="set",
    title="",
    voltage=230.0,
    circuits={"wall": Circuit("wall", 16.0, "B", 0.5)},
    dialects=dialects(),
    devices={device.name: device for device in DEVICES},
    looks={"day": Look("day", {"key": Preset(50.0, 4300.0), "dial": Preset(30.0)})},
    default_look="day",
)


def watching() -> Laws:
    """A bridge that has been linked for long, told everything on and heard that it is so."""
    laws = Laws(PROFILE, calm=False)
    laws.restarted(Memory())
    laws.link_up(0.0)
    laws.asked_up = True
    for name in ("bench", "desk", "stays"):
        laws.noted(RunNote(1.0, 1, "up", "day", "begun", ""))
        step = StepNote(1.0, 1, 1, name, "power on", "", "intended", "")
        laws.noted(step)
        laws.on_disk(step)
        laws.told(1.0, name, [("switch", True)], 2.0)
        laws.heard(1.2, name, "switch", True, False)
        laws.under_way = None
    laws.heard(2.0, "key", "level", 50.0, False)
    laws.heard(2.0, "key", "cct", 4300.0, False)
    laws.begun = None
    laws.state = "adrift"
    assert laws.breaches == []
    return laws


def shows(state: str, *still_on: str, session: int | None = None) -> dict[str, object]:
    named = [{"device": name, "watts": None} for name in still_on]
    return {"state": state, "look": "day", "session": session, "still_on": named}


def ready(at: float = 20.0) -> StateNote:
    return StateNote(at, "ready", "day", "")


def test_ready_by_a_drift_that_closes_needs_every_essential_device_as_asked() -> None:
    laws = watching()
    laws.noted(ready())
    assert laws.breaches == []
    laws = watching()
    laws.heard(10.0, "bench", "switch", False, False)
    laws.noted(ready())
    assert laws.breaches[0].startswith("law 7") and "bench reports off" in laws.breaches[0]
    laws = watching()
    laws.heard(10.0, "key", "level", 90.0, False)
    laws.noted(ready())
    assert "key reports 90.0 %, not 50.0" in laws.breaches[0]
    laws = watching()
    laws.heard(10.0, "key", "cct", 1800.0, False)
    laws.noted(ready())
    assert "key reports 1800 K, not 4300" in laws.breaches[0]


def test_ready_needs_a_word_of_every_device_since_its_mains_came() -> None:
    laws = watching()
    laws.heard(10.0, "bench", "switch", False, False)
    laws.heard(11.0, "bench", "switch", True, False)
    laws.noted(ready())
    assert "key has not spoken since its mains came" in laws.breaches[0]


def test_ready_after_a_start_needs_a_word_of_what_can_be_asked() -> None:
    laws = watching()
    laws.restarted(Memory(session=1, state="ready", look="day"))
    laws.link_up(30.0)
    for name in ("bench", "desk", "stays"):
        laws.heard(31.0, name, "switch", True, False)
    laws.heard(31.0, "key", "level", 50.0, True)
    laws.noted(ready(34.0))
    assert laws.breaches == [
        "law 7 at 34.00 s: ready from adrift, but key has not spoken since its link came"
    ]


def test_what_is_shown_as_ready_may_be_otherwise_only_until_it_is_looked_into() -> None:
    laws = watching()
    laws.shown(5.0, shows("ready", session=1))
    laws.heard(10.0, "key", "level", 90.0, False)
    laws.showing(15.0)
    assert laws.breaches == []
    laws.showing(30.0)
    assert laws.breaches == [
        "law 14 at 30.00 s: shown as ready, and key reports 90.0 %, not 50.0 for 20.0 s"
    ]


@pytest.mark.parametrize("state", ["dark", "stalled"])
def test_what_says_on_in_the_dark_is_named(state: str) -> None:
    laws = watching()
    for name in ("bench", "desk"):
        laws.heard(10.0, name, "switch", False, False)
    laws.shown(15.0, shows(state))
    assert laws.breaches == []  # what stays on is not left on
    laws.heard(20.0, "bench", "switch", True, False)
    laws.showing(21.0)
    assert laws.breaches == []
    laws.showing(30.0)
    assert laws.breaches == ["law 14 at 30.00 s: bench says on, and is not named as still on"]
    laws.breaches.clear()
    laws.shown(31.0, shows(state, "bench"))
    assert laws.breaches == []


def test_what_says_off_and_passes_current_is_named_after_two_samples() -> None:
    laws = watching()
    for name in ("bench", "desk"):
        laws.heard(10.0, name, "switch", False, False)
    laws.shown(15.0, shows("dark"))
    laws.heard(16.0, "bench", "watts", 60.0, False)
    laws.showing(20.0)
    assert laws.breaches == []  # one may be from before
    laws.heard(21.0, "bench", "watts", 60.0, False)
    laws.showing(25.0)
    assert laws.breaches == ["law 14 at 25.00 s: bench says off and passes 60 W: not named"]
    laws.breaches.clear()
    laws.heard(26.0, "bench", "watts", 0.0, False)
    laws.showing(30.0)
    assert laws.breaches == []


def lockout(laws: Laws, text: str, on: list[str], target: str, *notes: Note) -> list[str]:
    laws.locking["l1"] = target
    laws.noted(LockoutNote(20.0, target, "set", "Ana", "a bulb"))
    answer = {"id": "l1", "code": 0, "text": text, "detail": {"on": on}}
    laws.lockout_answered(20.0, answer, notes)
    return laws.breaches


def test_a_lockout_names_every_lamp_of_a_plug_that_is_on() -> None:
    kept = LockoutNote(20.0, "bench", "set", "Ana", "a bulb")
    assert lockout(watching(), "CAREFUL: on", ["bench", "key", "dial"], "bench", kept) == []
    found = lockout(watching(), "CAREFUL: bench, key on", [], "bench", kept)
    assert found == ["law 15 at 20.00 s: a lockout of bench does not name dial: is on"]
    laws = watching()
    laws.heard(10.0, "bench", "switch", False, False)
    assert lockout(laws, "it will not be energised", [], "bench", kept) == []


def test_a_lamp_on_a_dial_whose_plug_is_on_gets_no_plain_yes() -> None:
    kept = LockoutNote(20.0, "dial", "set", "Ana", "a bulb")
    found = lockout(watching(), "dial will not be energised", [], "dial", kept)
    assert found == ["law 15 at 20.00 s: a plain yes to a lockout of dial: dial is on"]
    assert lockout(watching(), "CAREFUL: dial is on", [], "dial", kept) == []


def test_a_lockout_that_is_not_on_disk_gets_no_plain_yes() -> None:
    laws = watching()
    laws.heard(10.0, "desk", "switch", False, False)
    found = lockout(laws, "desk will not be energised", [], "desk")
    assert found == ["law 15 at 20.00 s: a plain yes, and the lockout of desk is not on disk"]


def test_what_was_told_on_a_moment_ago_gets_no_plain_yes() -> None:
    laws = watching()
    laws.heard(10.0, "desk", "switch", False, False)
    laws.told(19.0, "desk", [("switch", True)], 2.0)
    kept = LockoutNote(20.0, "desk", "set", "Ana", "a bulb")
    found = lockout(laws, "desk will not be energised", [], "desk", kept)
    assert "desk was told on, and has not answered" in found[0]


def note_of(id_: str, phase: str, what: str = "up", at: float = 10.0) -> RequestNote:
    return RequestNote(at, id_, what, "", "mqtt", None, (), False, phase, "")  # type: ignore[arg-type]


def test_a_request_that_was_answered_is_not_taken_again() -> None:
    laws = watching()
    laws.noted(note_of("p1", "taken"))
    laws.noted(note_of("p1", "done"))
    laws.noted(note_of("p2", "taken"))
    assert laws.breaches == []
    laws.noted(note_of("p1", "taken", at=90.0))
    assert laws.breaches == ["law 8 at 90.00 s: request p1 was answered, and taken again"]


def told_off(laws: Laws, name: str, at: float) -> list[str]:
    laws.noted(RunNote(at, 2, "down", None, "begun", ""))
    step = StepNote(at, 2, 1, name, "power off", "", "intended", "")
    laws.noted(step)
    laws.on_disk(step)
    laws.told(at, name, [("switch", False)], 2.0)
    return laws.breaches


def test_idle_wants_two_samples_that_span_the_time() -> None:
    laws = watching()
    laws.heard(10.0, "desk", "watts", 2.0, False)
    assert "desk was cut and pc had not said it was down" in told_off(laws, "desk", 20.0)[0]
    laws = watching()
    laws.heard(10.0, "desk", "watts", 2.0, False)
    laws.heard(13.5, "desk", "watts", 2.0, False)
    assert told_off(laws, "desk", 20.0) == []


def test_a_camera_that_cannot_say_it_rolls_is_asked_after_before_its_mains_go() -> None:
    laws = watching()
    laws.truly_rolling = lambda name: True
    laws.noted(note_of("p0", "done", "rolling_off", 15.0))  # of a take before
    laws.noted(note_of("p1", "taken", "down", 20.0))
    assert told_off(laws, "bench", 21.0) == [
        "law 2 at 21.00 s: bench was cut; camera rolls, and nobody said it stopped"
    ]
    laws = watching()
    laws.truly_rolling = lambda name: True
    laws.noted(note_of("p1", "taken", "down", 20.0))
    laws.noted(note_of("p2", "done", "rolling_off", 20.5))  # whoever says so is believed
    assert told_off(laws, "bench", 21.0) == []


def stalls(laws: Laws, *failed: str) -> list[str]:
    laws.noted(RunNote(20.0, 3, "up", "day", "begun", ""))
    for name in failed:
        laws.noted(StepNote(25.0, 3, 1, name, "power on", "", "failed", "it is dead"))
    laws.noted(RunNote(30.0, 3, "up", "day", "stalled", "it is dead"))
    return laws.breaches


def test_a_run_up_that_stalls_has_tried_what_does_not_depend_on_what_failed() -> None:
    laws = watching()
    for name in ("bench", "desk"):
        laws.heard(10.0, name, "switch", False, False)
    assert stalls(laws, "desk") == [
        "ending at 30.00 s: run 3 stalled, bench needs no desk: not tried"
    ]
    laws = watching()
    laws.heard(10.0, "desk", "switch", False, False)
    assert stalls(laws, "desk") == []  # the bench is on
    laws = watching()
    for name in ("bench", "desk"):
        laws.heard(10.0, name, "switch", False, False)
    key = replace(PROFILE.devices["key"], after=("pc",))
    laws.profile = replace(PROFILE, devices={**PROFILE.devices, "key": key})
    assert stalls(laws, "desk") == []  # a lamp of the bench comes after the computer


def test_what_would_answer_is_asked_again() -> None:
    laws = watching()
    laws.heard_again(200.0, "key")
    assert laws.breaches == []
    laws.link_up(100.0)
    laws.heard_again(200.0, "key")
    assert laws.breaches == ["law 14 at 200.00 s: key would answer, and was not asked again"]


def drift_of_a_lamp_that_stands_as_it_should(reported: str) -> list[str]:
    """A lamp alone on its plug has stood at 30 % for long, as asked; and it is said to have drifted."""
    lamp = below(
        "lamp", "light", "bench", hand_set=True, proof="watts", draws_at=((0.0, 0.5), (100.0, 40.0))
    )
    devices = {"bench": plug("bench"), "lamp": lamp}
    looks = {"day": Look("day", {"lamp": Preset(30.0)})}
    laws = Laws(replace(PROFILE, devices=devices, looks=looks), calm=False)
    laws.mutes.truth = lambda name: 30.0
    laws.mutes.metered = lambda name: True
    laws.mutes.passing(0.0)
    laws.mutes.passing(200.0)
    laws.mutes.look_is({"session": 1, "look": "day"})
    note = DriftNote(200.0, 1, "opened", "lamp", "level", 30.0, reported, None, None, None, "")
    laws.noted(note)
    return laws.breaches


def test_a_meter_is_held_to_where_a_lamp_truly_stands_and_a_picture_that_lies_is_not() -> None:
    assert drift_of_a_lamp_that_stands_as_it_should("60 % by its watts") == [
        "law 11 at 200.00 s: drift of lamp, which stands at 30.0 % as it should"
    ]
    assert drift_of_a_lamp_that_stands_as_it_should("0 % by the picture") == []

"""A set as a Homie 5 device: what is set there is a request like any other, and what is shown is so."""

from __future__ import annotations

import json

import pytest

from studiobridge.bridge.core import Core
from studiobridge.bridge.outs import Present
from studiobridge.control.effects import FaultNote, Memory, RequestNote
from studiobridge.profile import read_profile_text
from studiobridge.speech.message import Message
from tests.outside.presented import SHELF, Presented, shelf

CAMERA = """  film-plug: {kind: plug, fed_by: wall, speaks: relay, at: shelf/film}
  film: {kind: camera, fed_by: film-plug, speaks: homie5, at: film/body, boots_in: 1 s, closes_in: 1 s}

looks:"""


@pytest.fixture
def stage() -> Presented:
    made = Presented(shelf())
    made.start()
    return made


def with_camera() -> Presented:
    text = SHELF.read_text(encoding="utf-8").replace("\nhomie: yes", "")
    text = text.replace("\nlooks:", "\n" + CAMERA, 1) + "\nhomie: yes\n"
    made = Presented(read_profile_text(text).profile)
    made.start()
    return made


def test_up_and_down_are_set_and_shown_only_when_they_are_so(stage: Presented) -> None:
    stage.set("switch", "true")
    stage.run(1.0)
    assert (stage.value("state"), stage.value("ready"), stage.value("look")) == (
        "rising",
        "false",
        "none",
    )
    assert stage.value("look/$target") == "day"
    stage.run(20.0)
    assert (stage.value("ready"), stage.value("look")) == ("true", "day")
    assert stage.core.controller.state == "ready"
    stage.set("switch", "false")
    stage.run(0.5)
    # on its way down it is in no look and not ready any more, and not dark before it is
    assert (stage.value("ready"), stage.value("look"), stage.value("switch")) == (
        "false",
        "none",
        "true",
    )
    assert stage.value("switch/$target") == "false"
    assert stage.alerts == {}  # what goes off now is not left on
    stage.run(20.0)
    assert (stage.value("switch"), stage.core.controller.state) == ("false", "dark")
    assert stage.asked() == [("up", "taken"), ("up", "done"), ("down", "taken"), ("down", "done")]


def test_what_was_kept_or_had_already_or_cannot_be_read_asks_for_nothing(stage: Presented) -> None:
    stage.set("switch", "true", retain=True)
    stage.set("look", "day", dup=True)
    stage.set("switch", b"")
    for payload in (b"TRUE", b"1", b" true", b"\xff\xfe", b"true" * 100, b"\x00"):
        stage.set("switch", payload)
        stage.run(1.0)
    stage.set("restore", "true")
    stage.set("look", b"d" * 5000)
    stage.run(3.0)
    stage.set("look", b"dusk")
    stage.run(30.0)
    assert stage.core.controller.last_run is None and not stage.commands
    # a kept one and an unknown look stand in the record as requests, and what is none as a fault
    assert stage.asked() == [("up", "ignored"), ("up", "refused")]
    faults = [note.text for note in stage.notes if isinstance(note, FaultNote)]
    assert any("switch is 'TRUE', neither 'true' nor 'false'" in text for text in faults)
    assert any("restore is 'true'" in text for text in faults)
    assert any(line.startswith("look dusk: ") for line in stage.log)


def test_a_flood_is_dropped_before_it_is_read(stage: Presented) -> None:
    for n in range(1500):
        stage.set("switch", ["x", "true", "false"][n % 3])
        stage.run(0.001)
    assert stage.core.channel.dropped > 1300
    assert len(stage.asked()) < 2 * 300
    assert len(stage.log) < 12
    # an operator's cut has a lane of its own all the while
    assert stage.core.channel.hears("studiobridge/shelf-corner/cut")
    stage.run(60.0)
    stage.set("switch", "true")
    stage.run(30.0)
    assert stage.value("ready") == "true"


def test_nothing_that_wants_an_answer_or_a_yes_can_be_set() -> None:
    """No cut, no lockout, no word on a camera: exactly three properties are listened to."""
    sets = [topic for topic, _ in shelf_core_filters() if topic.endswith("/set")]
    assert sorted(topic.split("/")[-2] for topic in sets) == ["look", "restore", "switch"]
    assert all(qos == 0 for topic, qos in shelf_core_filters() if topic.endswith("/set"))


def shelf_core_filters() -> list[tuple[str, int]]:
    return Presented(shelf()).core.subscriptions()


def test_while_a_camera_rolls_up_is_refused_and_down_waits() -> None:
    stage = with_camera()
    stage.set("switch", "true")
    stage.run(30.0)
    assert stage.value("ready") == "true"
    stage._gear(stage.room.roll("film", stage.now, True))
    stage.run(1.0)
    told = len(stage.commands)
    stage.set("look", "day")
    stage.set("restore", "restore")
    stage.run(5.0)
    assert [line.partition(":")[0] for line in stage.log] == ["look day", "restore restore"]
    stage.set("look", "none")
    stage.run(20.0)
    assert (stage.value("state"), stage.value("switch")) == ("lowering", "true")
    assert "rolling" in stage.value("waits-for")
    assert len(stage.commands) == told
    stage._gear(stage.room.roll("film", stage.now, False))
    stage.run(30.0)
    assert stage.value("switch") == "false"


def test_a_lockout_holds_here_too_and_is_shown(stage: Presented) -> None:
    stage.ask("lockout", targets=("shelf-plug",), by="Ana", why="a bulb")
    stage.set("switch", "true")
    stage.run(60.0)
    assert "shelf-plug (Ana: a bulb)" in stage.alerts["locked-out"]
    assert stage.value("ready") == "false" and not stage.room.devices["shelf-light"].lit
    stage.ask("release", targets=("shelf-plug",), by="Ana")
    stage.set("switch", "false")
    stage.run(30.0)
    assert stage.alerts == {}


def test_it_is_ready_only_when_it_is_surely_heard_and_knows_the_set() -> None:
    stage = Presented(shelf())
    stage.start()
    core = stage.core
    core.link_down(stage.now)
    # the connection is there, and its word does not come back over the other one
    outs = core.link_up(stage.now)
    outs += core.presence_up(stage.now)
    outs += core.record_fault("the disk is full", stage.now + 1.0)  # something to show
    said = {o.message.topic: o.message.payload for o in outs if isinstance(o, Present)}
    assert said.pop(f"{stage.root}/$state") == b"init"
    # what was kept from before is taken back: not dark, not ready, in no look
    claims = {"switch": b"true", "ready": b"false", "look": b"none"}
    assert said == {f"{stage.base}/{name}": payload for name, payload in claims.items()}
    # nor is it when nobody has said yet how the set stands
    heard = core.message(Message(f"{stage.root}/$state", b"init"), stage.now + 2.0)
    said = {o.message.topic: o.message.payload for o in heard if isinstance(o, Present)}
    assert said[f"{stage.base}/state"] == b"unheard"
    assert f"{stage.base}/ready" not in said
    assert f"{stage.root}/$state" not in said


def test_what_another_bridge_left_is_taken_back_as_soon_as_it_is_known(stage: Presented) -> None:
    """One that was started anew knows what was shown from the description that was kept."""
    description = stage.witness.kept[f"{stage.root}/$description"].encode()
    core = Core(shelf(), Memory(), "next", lambda at: at, 0.0)
    core.link_up(0.0)
    core.presence_up(0.0)
    outs = core.message(Message(f"{stage.root}/$description", description, retain=True), 0.1)
    said = {o.message.topic: o.message.payload for o in outs if isinstance(o, Present)}
    claims = {"switch": b"true", "ready": b"false", "look": b"none"}
    assert said == {f"{stage.base}/{name}": payload for name, payload in claims.items()}


@pytest.mark.parametrize("word", [b"lost", b"disconnected", b"init", b""])
def test_a_late_word_of_another_is_put_right_once_a_beat(stage: Presented, word: bytes) -> None:
    before = len(stage.shown)
    for _ in range(20):
        stage._outs(stage.core.message(Message(f"{stage.root}/$state", word), stage.now))
        stage.run(0.1)
    said = [text for _, topic, text in stage.shown[before:] if topic == f"{stage.root}/$state"]
    assert 2 <= len(said) <= 4 and set(said) == {"ready"}


def test_whatever_comes_of_it_who_set_it_is_told_the_target(stage: Presented) -> None:
    """That closes the loop of a controller, and says where the set goes if it was refused."""
    stage.set("switch", "true")
    stage.run(30.0)
    for name, payload in (("switch", "true"), ("look", "day"), ("look", "dusk")):
        stage.shown.clear()
        stage.set(name, payload)
        stage.run(1.0)
        target = "true" if name == "switch" else "day"
        assert stage.values(f"{name}/$target") == [target]


def test_dark_is_said_only_when_nothing_is_on_that_should_not_be(stage: Presented) -> None:
    stage._gear(stage.room.touch("shelf-plug", stage.now, switch=True))
    stage.run(10.0)
    assert (stage.value("state"), stage.value("switch")) == ("dark", "true")
    assert stage.value("switch/$target") == "false"
    assert "shelf-plug" in stage.alerts["still-on"]
    stage._gear(stage.room.touch("shelf-plug", stage.now, switch=False))
    stage.run(10.0)
    assert stage.value("switch") == "false" and stage.alerts == {}


def test_it_is_shown_from_the_start_and_stays_init_until_all_were_heard() -> None:
    stage = Presented(shelf())
    stage._outs(stage.core.link_up(stage.now))
    stage._outs(stage.core.presence_up(stage.now))
    stage.run(0.5)  # nobody has answered yet
    assert (stage.lifecycle, stage.value("state"), stage.value("switch")) == (
        "init",
        "unheard",
        "true",
    )
    stage._gear(stage.room.begin(stage.now))
    stage.run(20.0)
    assert (stage.lifecycle, stage.value("switch")) == ("ready", "false")
    assert stage.witness.breaches == []


def test_one_that_failed_proves_nothing_any_more(stage: Presented) -> None:
    stage.set("switch", "true")
    stage.run(30.0)
    stage._outs(stage.core.failed("RuntimeError: x", stage.now))
    assert (stage.lifecycle, stage.value("ready"), stage.value("look")) == ("init", "false", "none")
    assert "x" in stage.witness.kept[f"{stage.root}/$alert/failed"]
    assert stage.witness.breaches == []


def test_what_is_set_while_the_record_is_away_switches_nothing_on() -> None:
    stage = Presented(shelf())
    stage.core.without_memory("the record is away")
    stage.start()
    stage.set("switch", "true")
    stage.run(20.0)
    assert not stage.commands and stage.asked() == [("up", "refused")]
    assert "the record is away" in stage.log[0]


def test_ids_do_not_come_again_with_a_core_that_begins_anew(stage: Presented) -> None:
    """The same id is the same request: it would be answered, and not done."""
    stage.set("switch", "true")
    stage.run(30.0)
    stage.set("switch", "false")
    stage.run(30.0)
    done = [n for n in stage.notes if isinstance(n, RequestNote) and n.phase == "done"]
    stage.restart(Memory(answered=tuple((n.id, 0, n.text) for n in done)))
    stage.connect()
    stage.set("switch", "true")
    stage.run(30.0)
    assert stage.value("ready") == "true"


def test_a_look_that_was_saved_is_described_before_the_set_stands_in_it(stage: Presented) -> None:
    """An enum has no value that its `format` does not name ("Formats", enum)."""
    stage.set("switch", "true")
    stage.run(20.0)
    before = json.loads(stage.witness.kept[f"{stage.root}/$description"])
    stage.ask("save_look", look="evening")
    saving = stage.saves[-1]
    stage._outs(stage.core.saved(saving.request_id, None, stage.now))
    stage.run(1.0)
    assert stage.lifecycle == "ready"
    after = json.loads(stage.witness.kept[f"{stage.root}/$description"])
    look = after["nodes"]["studiobridge"]["properties"]["look"]
    assert look["format"].split(",") == ["none", *stage.profile.looks, "evening"]
    assert after["version"] > before["version"]
    assert stage.values("ready")[-1] == "true"
    stage.set("look", "evening")
    stage.run(20.0)
    assert (stage.value("look"), stage.value("ready")) == ("evening", "true")
    assert stage.witness.breaches == []

"""Takes: each stretch of rolling is one, how the set stood in it, and what was said of it."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import pytest

from studiobridge.control.effects import Effect, Memory, RollingNote, StateNote, TakeNote
from studiobridge.control.events import LinkUp
from studiobridge.control.known_rolling import GONE_LATE
from studiobridge.control.rolling import ASKED_AGAIN, WORD_HOLDS
from studiobridge.control.taken import LastGood, Taken, Tally
from studiobridge.control.takes import KEPT
from studiobridge.control.views import iso, state_view
from studiobridge.profile.model import Item, Preset, Rolls, SetProfile
from tests.control.play import Play, corner, fixture, on_plug, plug, profile


def wall(at: float) -> float:
    return 1_800_000_000.0 + at


class Filmed(Play):
    """A set with a record: what was noted so far, for whoever starts again."""

    @property
    def notes(self) -> list[TakeNote]:
        return [e for _, e in self.effects if isinstance(e, TakeNote)]

    @property
    def tally(self) -> Tally:
        return Tally([*(self.memory.takes if self.memory else ()), *self.notes])

    @property
    def last(self) -> Taken:
        last = self.tally.last
        assert last is not None
        return last

    def memory_now(self, **more: object) -> Memory:
        """What the record tells the next bridge; its clock goes on where this one stopped."""
        effects: list[Effect] = [e for _, e in self.effects]  # type: ignore[misc]
        rolling: dict[str, bool] = {}
        for effect in effects:
            if isinstance(effect, RollingNote):
                rolling[effect.device] = effect.rolling
        states = [e for e in effects if isinstance(e, StateNote)]
        takes = tuple(self.notes)
        found = Memory(
            state=states[-1].state,
            look=states[-1].look,
            session=self.controller.standing.session.number,
            rolling=frozenset(n for n, on in rolling.items() if on),
            stopped=frozenset(n for n, on in rolling.items() if not on),
            takes=takes,
            next_take=max((note.take for note in takes), default=0) + 1,
        )
        return replace(found, **more)  # type: ignore[arg-type]

    def shown(self) -> dict[str, object]:
        found = state_view(self.controller, self.now, wall)["takes"]
        assert isinstance(found, dict)
        return found

    def told_last(self) -> tuple[int, str]:
        answer = self.answers()[-1]
        return answer.code, answer.text

    def take(self, seconds: float = 10.0) -> None:
        self.report("camera", "rolling", True)
        self.run(seconds)
        self.report("camera", "rolling", False)
        self.run(6.0)


def brought_up(made: SetProfile | None = None, **more: object) -> Filmed:
    play = Filmed(corner() if made is None else made, **more)  # type: ignore[arg-type]
    play.link_up()
    if "camera" in play.profile.devices and "rolling" in play.profile.devices["camera"].hears:
        play.report("camera", "rolling", False)
    play.ask("up")
    play.run(60.0)
    return play


# ---- one stretch, one take -------------------------------------------------------------------


def test_a_stretch_of_rolling_is_a_take_with_its_length() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    began = play.now
    assert play.shown()["now"] == {
        "take": 1,
        "look": "day",
        "by": "report",
        "off_s": 0.0,
        "changes": 0,
        "mark": "",
        "note": "",
        "marked_by": "",
        "began": "2027-01-15T08:01:05.100Z",
        "cameras": ["camera"],
    }
    play.run(42.0)
    play.report("camera", "rolling", False)
    take = play.last
    assert (take.number, take.began, take.ended, take.seconds) == (1, began, began + 42.0, 42.0)
    assert (take.by, take.off, take.ended_by, take.ended_off) == ("report", 0.0, "report", 0.0)
    assert (take.session, take.look) == (1, "day")
    assert play.shown()["now"] is None
    last = play.shown()["last"]
    assert isinstance(last, dict)
    assert (last["take"], last["seconds"], last["ended_by"]) == (1, 42.0, "report")


def test_the_next_stretch_is_the_next_take_however_short_the_pause() -> None:
    play = brought_up()
    for _ in range(2):
        play.report("camera", "rolling", True)
        play.run(0.01)
        play.report("camera", "rolling", False)
        play.run(0.01)
    assert [t.number for t in play.tally.takes.values()] == [1, 2]


def test_the_same_report_again_begins_nothing() -> None:
    play = brought_up()
    for _ in range(3):
        play.report("camera", "rolling", True)
        play.run(1.0)
    assert [n.phase for n in play.notes] == ["begun", "rolls"]


def two_cameras() -> SetProfile:
    made = corner()
    second = replace(made.devices["camera"], name="top")
    return replace(made, devices={**made.devices, "top": second})


def test_two_cameras_make_one_take_with_who_rolled_when() -> None:
    play = brought_up(two_cameras())
    play.report("top", "rolling", False)
    play.report("camera", "rolling", True)
    play.run(5.0)
    play.report("top", "rolling", True)
    play.run(5.0)
    play.report("camera", "rolling", False)
    play.run(2.0)
    assert play.shown()["now"] is not None
    play.report("top", "rolling", False)
    assert list(play.tally.takes) == [1]
    spans = [(s.camera, s.began, s.ended) for s in play.last.cameras]
    assert spans == [("camera", 0.0, 10.0), ("top", 5.0, 12.0)]
    assert play.last.seconds == 12.0


# ---- on what evidence ------------------------------------------------------------------------


def test_a_person_s_word_says_how_far_off_it_may_be() -> None:
    made = corner()
    mute = replace(made.devices["camera"], hears=frozenset(), rolls=Rolls("hand"))
    play = brought_up(replace(made, devices={**made.devices, "camera": mute}))
    play.ask("rolling_on", by="Ana")
    play.run(30.0)
    play.ask("rolling_off", by="Bo")
    take = play.last
    assert (take.by, take.off, take.why) == ("hand", WORD_HOLDS, "Ana")
    assert (take.ended_by, take.ended_off, take.ended_why) == ("hand", WORD_HOLDS, "Bo")
    # of a long take nobody was asked for the rest: the camera may have ended it of itself
    play.ask("rolling_on", by="Ana")
    play.run(ASKED_AGAIN + 600.0)
    play.ask("rolling_off", by="Ana")
    assert play.last.ended_off == pytest.approx(600.0)


def test_somebody_called_watts_is_a_person() -> None:
    play = brought_up()
    play.ask("rolling_on", by="watts")
    assert (play.last.by, play.last.why) == ("hand", "watts")


def shelf() -> SetProfile:
    metered = frozenset({"switch", "watts", "online"})
    return profile(
        plug("lamp-plug"),
        plug("eye-plug", hears=metered),
        fixture("key", "lamp-plug"),
        on_plug(
            "eye", "camera", "eye-plug", closes_in=4.0, boots_in=1.0, rolls=Rolls("watts", 8.5)
        ),
        looks={"day": {"key": Preset(64.0, 4300.0)}},
    )


def test_by_watts_a_take_begins_and_ends_between_two_samples() -> None:
    play = brought_up(shelf())
    for watts in (7.0, 7.0, 9.2, 9.2, 9.2, 7.0, 7.0, 7.0):
        play.report("eye-plug", "watts", watts)
        play.run(3.0)
    take = play.last
    assert (take.by, take.off, take.why) == ("watts", 3.0, "")
    # two low samples end it; the last high one was six seconds before
    assert (take.ended_by, take.ended_off) == ("watts", 6.0)
    assert take.seconds == 12.0
    assert take.happened == ()


def test_a_meter_that_fell_silent_leaves_a_hole_that_is_said() -> None:
    play = brought_up(shelf())
    play.deaf.add("eye-plug")
    for watts in (7.0, 9.2):
        play.report("eye-plug", "watts", watts)
        play.run(2.0)
    play.run(200.0)
    play.report("eye-plug", "watts", 9.2)
    hole = play.last.happened[-1]
    assert (hole.what, hole.device, hole.off) == ("unsure", "eye", 202.0)
    assert hole.text == "its meter said nothing"
    assert play.last.ended is None


def test_a_slow_meter_leaves_no_hole() -> None:
    play = brought_up(shelf())
    play.deaf.add("eye-plug")
    for watts in (7.0, 7.0, 9.2, 9.2, 9.2, 9.2):
        play.report("eye-plug", "watts", watts)
        play.run(15.0)
    assert play.last.happened == ()
    assert (play.last.by, play.last.off) == ("watts", 15.0)


def test_what_the_broker_kept_of_a_camera_that_lost_its_mains_closes_no_hole() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.run(10.0)
    play.deaf.add("camera")
    for on in (False, True):
        play.report("desk-plug", "switch", on)
        play.run(2.0)
    play.report("camera", "rolling", True, retained=True)
    play.run(3.0)
    play.report("camera", "rolling", False)
    assert (play.last.ended_by, play.last.ended_off) == ("inferred", 7.0)
    assert play.last.ended_why == "its plug went off"


def test_a_plug_that_goes_off_ends_a_take_by_watts_as_inferred() -> None:
    play = brought_up(shelf())
    for watts in (7.0, 9.2):
        play.report("eye-plug", "watts", watts)
        play.run(2.0)
    play.report("eye-plug", "switch", False)
    assert play.last.ended_by == "inferred"
    assert "its plug went off" in play.last.ended_why


def test_a_link_that_was_away_leaves_a_hole_and_one_take() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.run(10.0)
    play.link_down()
    play.run(30.0)
    play.link_up()
    play.report("camera", "rolling", True)
    play.run(1.0)
    assert list(play.tally.takes) == [1]
    hole = play.last.happened[-1]
    assert (hole.what, hole.text) == ("unsure", "the link to the broker was away")
    assert hole.off is not None and 30.0 <= hole.off <= 36.0
    play.report("camera", "rolling", False)
    # it was heard to roll after the hole: its end is as good as its report
    assert (play.last.ended_by, play.last.ended_off) == ("report", 0.0)


def test_an_end_while_the_link_was_away_says_how_far_off_it_may_be() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.run(10.0)
    play.link_down()
    play.run(30.0)
    play.give(LinkUp(play.now))
    play.report("camera", "rolling", False)
    take = play.last
    assert (take.ended_by, take.ended_off) == ("inferred", 30.0)
    assert take.ended_why == "the link to the broker was away"
    assert take.seconds == 40.0


def test_a_camera_that_was_gone_may_have_stopped_before_that_was_known() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.run(1000.0)
    play.deaf.add("camera")
    play.report("camera", "online", False)
    play.run(20.0)
    # it comes back, and says only a moment later that it does not roll
    play.report("camera", "online", True)
    play.run(0.05)
    play.report("camera", "rolling", False)
    take = play.last
    assert take.ended_by == "inferred"
    assert take.ended_why == "it was gone"
    assert take.ended_off == pytest.approx(GONE_LATE + 20.05, abs=0.1)
    assert list(play.tally.takes) == [1]


# ---- the bridge stops in the middle ----------------------------------------------------------


def again(
    play: Filmed, made: SetProfile | None = None, after: float = 3.0, **more: object
) -> Filmed:
    """The next bridge, so long after the end of the one before; perhaps of another profile."""
    memory = play.memory_now(**more)
    new = Filmed(made or play.profile, memory, now=play.now + after)
    new.on, new.booted = dict(play.on), set(play.booted)
    new.link_up()
    return new


def test_what_rolls_when_the_bridge_dies_goes_on_as_the_same_take() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    began = play.now
    play.run(65.0)
    new = again(play)
    new.report("camera", "rolling", True)
    new.run(10.0)
    new.report("camera", "rolling", False)
    assert list(new.tally.takes) == [1]
    take = new.last
    assert take.seconds == pytest.approx(new.now - began, abs=0.01)
    holes = [h.text for h in take.happened if h.what == "unsure"]
    assert holes == ["the bridge began anew"]
    assert (take.ended_by, take.ended_off) == ("report", 0.0)


def test_a_light_that_is_touched_after_a_restart_is_noted_from_how_it_was_found() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.run(5.0)
    new = again(play)
    new.report("camera", "rolling", True)
    new.report("key", "level", 50.0)
    new.run(5.0)
    new.report("key", "level", 25.0)
    new.run(5.0)
    found = [h.detail["level"] for h in new.last.happened if h.what == "light"]
    assert found == [[50.0, 25.0]]


def test_what_has_stopped_when_the_next_bridge_hears_is_a_take_cut_short() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.run(65.0)
    new = again(play, after=30.0)
    new.report("camera", "rolling", False)
    take = new.last
    assert (take.ended_by, take.ended_why) == ("inferred", "the bridge began anew")
    # the last it was noted as going on was at most a minute before
    assert take.ended_off is not None and 30.0 <= take.ended_off <= 30.0 + 20.0 + 6.0
    assert new.shown()["now"] is None
    new.take()
    assert list(new.tally.takes) == [1, 2]


def test_a_clock_that_was_put_while_it_rolled_costs_a_restart_seconds_not_hours() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    began = play.now
    play.run(65.0)
    # as a record has it whose wall clock was an hour behind at the beginning of the take
    notes = [replace(n, at=n.at - 3600.0) if n.phase == "begun" else n for n in play.notes]
    new = again(play, takes=tuple(notes))
    new.report("camera", "rolling", True)
    new.run(1.0)
    new.report("camera", "rolling", False)
    assert new.last.seconds == pytest.approx(new.now - began, abs=0.01)


def test_there_is_one_beginning_of_a_take() -> None:
    """Whatever is shown of a take counts from the same moment, whoever rolls in it by then."""
    play = brought_up(two_cameras())
    play.report("camera", "rolling", True)
    began = play.now
    play.run(20.0)
    play.report("top", "rolling", True)
    play.run(5.0)
    play.report("camera", "rolling", False)
    play.run(5.0)
    view = state_view(play.controller, play.now, wall)
    takes, timer = view["takes"], view["timer"]
    assert isinstance(takes, dict) and isinstance(timer, dict)
    assert takes["now"]["began"] == timer["take_since"] == iso(began, wall)


def test_a_bridge_that_died_between_two_notes_ends_what_had_ended() -> None:
    play = brought_up()
    play.take(12.0)
    lost = tuple(n for n in play.notes if n.phase != "ended")
    new = again(play, takes=lost)
    take = new.last
    assert (take.ended_by, take.seconds) == ("report", 12.0)
    assert new.shown()["now"] is None
    # and begins what had begun
    play = brought_up()
    play.report("camera", "rolling", True)
    new = again(play, takes=(), next_take=5)
    assert (new.last.number, new.last.by, new.last.off) == (5, "inferred", None)


def test_numbers_go_on_for_ever() -> None:
    play = brought_up(memory=Memory(next_take=41))
    play.take()
    play.take()
    assert list(play.tally.takes) == [41, 42]


# ---- how the set stood -----------------------------------------------------------------------


def test_a_take_keeps_how_the_set_stood_with_its_evidence() -> None:
    play = brought_up()
    play.report("key", "level", 80.0)
    play.run(5.0)
    play.report("camera", "rolling", True)
    stood = play.last.stood
    lights = stood["lights"]
    assert isinstance(lights, dict)
    assert lights["key"] == {
        "level": 80.0,
        "cct": 4300.0,
        "colour": None,
        "by": "report",
        "told": False,
    }
    assert lights["fill"]["level"] == 32.0
    assert stood["drift"] == [{"device": "key", "point": "level", "stops": 0.322, "mired": None}]
    assert stood["picture"] == {"missing": ["no mark given in the room"]}
    assert (stood["supplies"], stood["before"], stood["state"]) == ([], None, "adrift")


def test_the_line_of_what_has_to_be_true_is_kept_as_it_was() -> None:
    made = corner(before=(Item("lens-wiped", "lens wiped"),))
    play = brought_up(made)
    play.report("camera", "rolling", True)
    assert "lens wiped" in str(play.last.stood["before"])
    play.report("camera", "rolling", False)
    play.run(6.0)
    play.ask("tick", items=("lens-wiped",), by="Ana")
    play.report("camera", "rolling", True)
    assert "lens wiped" not in str(play.last.stood["before"])
    assert play.last.stood["before"]


def test_a_light_that_says_nonsense_is_not_known_and_nothing_fails() -> None:
    for value in (1e300, -1e300, -1.0, 101.0, 5e-324):
        play = brought_up()
        play.report("key", "cct", value)
        play.report("fill", "level", value)
        play.report("camera", "rolling", True)
        lights = play.last.stood["lights"]
        assert isinstance(lights, dict)
        assert json.loads(json.dumps(lights, allow_nan=False)) == lights, value
        play.run(5.0)
        play.report("key", "cct", 4300.0)
        play.report("key", "cct", value)
        play.run(5.0)
        play.report("camera", "rolling", False)
        assert play.last.ended is not None


# ---- changes of light within it --------------------------------------------------------------


def test_a_touched_light_is_noted_with_its_second() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.run(7.0)
    play.report("key", "level", 32.0)
    play.run(10.0)
    play.report("camera", "rolling", False)
    (change,) = play.last.happened
    assert (change.seconds, change.what, change.device, change.by) == (
        7.0,
        "light",
        "key",
        "report",
    )
    assert change.detail["level"] == [64.0, 32.0]
    assert change.detail["stops"] == -1.0
    assert play.last.seconds == 17.0


def test_a_dial_being_turned_is_a_few_lines_and_says_where_it_came_to_rest() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.run(5.0)
    for level in range(63, 19, -1):
        play.report("key", "level", float(level))
        play.run(0.1)
    play.run(10.0)
    found = play.last.happened
    assert 2 <= len(found) <= 5
    last = found[-1].detail["level"]
    assert isinstance(last, list) and last[1] == 20.0


def test_a_slow_creep_is_noted_when_it_is_past_the_tolerance() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    level = 64.0
    for _ in range(20):
        play.run(5.0)
        level *= 0.99
        play.report("key", "level", level)
    found = [h.detail["stops"] for h in play.last.happened]
    assert found and all(isinstance(s, float) and -0.15 < s < -0.1 for s in found)


def test_mains_that_go_within_a_take_are_noted() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.run(3.0)
    play.report("lamp-plug", "switch", False)
    play.run(3.0)
    off = {(h.seconds, h.device, h.detail.get("off")) for h in play.last.happened}
    assert {(3.0, "key", True), (3.0, "fill", True)} <= off


def test_a_lamp_that_was_off_all_the_time_did_not_go_off_in_the_take() -> None:
    play = brought_up()
    play.on["key"] = False
    play.report("key", "switch", False)
    play.report("key", "online", True)
    play.report("camera", "rolling", True)
    play.run(5.0)
    play.link_down()
    play.run(5.0)
    play.deaf.add("key")
    play.link_up()
    play.report("camera", "rolling", True)
    play.run(5.0)
    # nobody has heard it since: that proves neither that it is off nor that it came back on
    assert [h.what for h in play.last.happened if h.device == "key" and h.what != "drift"] == []
    new = again(play)
    new.report("key", "switch", False)
    new.report("camera", "rolling", True)
    new.run(5.0)
    new.report("key", "level", 64.0)
    assert [h.what for h in new.last.happened if h.device == "key" and h.what != "drift"] == []


def test_a_lamp_that_flickers_fills_no_disk() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    for i in range(600):
        play.run(2.5)
        play.report("key", "level", 64.0 if i % 2 else 20.0)
    happened = play.last.happened
    assert len(happened) == 201
    assert happened[-1].what == "more"


def test_what_does_not_move_is_no_change() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    for level in (64.0, 64.4, 63.7, 64.0):
        play.run(2.0)
        play.report("key", "level", level)
        play.report("key", "cct", 4310.0)
    assert play.last.happened == ()


# ---- what is said of it ----------------------------------------------------------------------


def test_a_mark_and_a_note_stand_with_who_and_are_changed_later() -> None:
    play = brought_up()
    play.take()
    play.ask("mark", mark="good", by="Ana")
    assert play.told_last() == (0, "take 1: good")
    play.ask("mark", take=1, why="the wheel squeaks", by="Bo")
    take = play.last
    assert (take.mark, take.note, take.marked_by) == ("good", "the wheel squeaks", "Bo")
    play.ask("mark", take=1, mark="again", by="Bo")
    assert (play.last.mark, play.last.note) == ("again", "the wheel squeaks")
    play.ask("mark", take=1, mark="", by="Bo")
    assert (play.last.mark, play.last.note) == ("", "the wheel squeaks")
    play.ask("mark", take=1, why="-", by="Bo")
    assert play.last.note == ""


def test_a_mark_without_a_number_is_of_the_take_that_rolls_else_of_the_last() -> None:
    play = brought_up()
    play.ask("mark", mark="good")
    assert play.told_last() == (1, "there was no take yet")
    play.take()
    play.ask("mark", mark="good")
    play.report("camera", "rolling", True)
    play.ask("mark", mark="again")
    assert [t.mark for t in play.tally.takes.values()] == ["good", "again"]


@pytest.mark.parametrize("number", [0, -3, 2, 10**9])
def test_a_take_that_is_not_there_is_refused(number: int) -> None:
    play = brought_up()
    play.take()
    for what in ("mark", "match"):
        play.ask(what, take=number, mark="good")
        assert play.told_last() == (2, f"there is no take {number}; the last is 1")


# ---- what differs ----------------------------------------------------------------------------


def test_what_differs_from_the_last_good_take_is_said_in_stops_and_mired() -> None:
    play = brought_up()
    assert play.shown()["good"] is None
    play.take()
    play.ask("mark", mark="good")
    assert play.shown()["good"] == {"take": 1, "look": "day"}
    assert play.shown()["differs"] == []
    play.report("key", "level", 32.0)
    play.report("fill", "cct", 4000.0)
    play.run(6.0)
    shown = play.shown()
    assert shown["differs"] == [
        {"device": "key", "level": [64.0, 32.0], "stops": -1.0},
        {"device": "fill", "cct": [4300.0, 4000.0], "mired": 17.4},
    ]
    # a take that is to be done again is none to compare with
    play.ask("mark", mark="again")
    assert play.shown()["good"] is None


def test_what_is_not_known_on_one_side_is_said_and_is_no_difference() -> None:
    play = brought_up()
    play.take()
    play.ask("mark", mark="good")
    play.deaf.add("key")
    play.report("key", "online", False)
    play.run(6.0)
    assert play.shown()["differs"] == [{"device": "key", "unknown": "does not answer", "of": "now"}]


def test_what_is_only_told_proves_no_difference_and_goes_into_a_look() -> None:
    made = corner()
    mute = replace(made.devices["fill"], hears=frozenset(), can_ask=False)
    play = brought_up(replace(made, devices={**made.devices, "fill": mute}))
    play.take()
    play.ask("mark", mark="good")
    unknown = {"device": "fill", "unknown": "only told, nothing proves it", "of": "then"}
    assert play.shown()["differs"] == [unknown]
    play.ask("match")
    (first,) = [a for a in play.answers(final=False) if a.text.startswith("as in")]
    assert "Only told then, proven by nothing: fill" in first.text
    assert play.controller.desk.looks["take-1"]["fill"] == Preset(32.0, 4300.0)


def test_the_good_one_of_the_same_look_is_compared_before_any_other() -> None:
    play = brought_up()
    play.take()
    play.ask("mark", mark="good")
    play.ask("up", look="dusk")
    play.run(30.0)
    assert play.shown()["good"] == {"take": 1, "look": "day"}  # there is none in this look yet
    play.take()
    play.ask("mark", mark="good")
    play.take()
    assert play.shown()["good"] == {"take": 2, "look": "dusk"}
    play.ask("up", look="day")
    play.run(30.0)
    assert play.shown()["good"] == {"take": 1, "look": "day"}


# ---- go to that ------------------------------------------------------------------------------


def test_match_brings_the_set_to_how_it_stood_by_the_ordinary_path() -> None:
    play = brought_up()
    play.report("key", "level", 50.0)
    play.run(6.0)
    play.take()
    play.ask("restore")
    play.run(10.0)
    play.ask("match", take=1, by="Ana")
    (first,) = [a for a in play.answers(final=False) if a.text.startswith("as in")]
    assert first.text == "as in take 1: the look take-1"
    play.run(30.0)
    assert play.state == "ready"
    assert play.controller.look == "take-1"
    assert play.controller.desk.looks["take-1"]["key"] == Preset(50.0, 4300.0)
    assert play.controller.beliefs.of["key"].said("is it so", "level") == 50.0
    assert "take-1" not in play.profile.looks
    code, text = play.told_last()
    assert code == 0, text


def test_match_is_refused_while_it_rolls_or_closes_its_file() -> None:
    play = brought_up()
    play.take()
    play.report("camera", "rolling", True)
    play.ask("match", take=1, force=True)
    assert play.told_last()[0] == 1
    assert "camera is rolling or closing its file" in play.told_last()[1]
    assert "take-1" not in play.controller.desk.looks
    play.report("camera", "rolling", False)
    play.ask("match", take=1)
    assert play.told_last()[0] == 1


def test_match_says_what_is_left_out_and_why() -> None:
    play = brought_up()
    play.deaf.add("fill")
    play.report("fill", "online", False)
    play.run(6.0)
    play.take()
    play.deaf.clear()
    play.report("fill", "online", True)
    play.ask("match")
    (first,) = [a for a in play.answers(final=False) if a.text.startswith("as in")]
    assert first.text == "as in take 1: the look take-1. Left out: fill does not answer"
    assert set(play.controller.desk.looks["take-1"]) == {"key"}


def test_match_of_a_locked_out_light_tells_it_nothing() -> None:
    play = brought_up()
    play.take()
    play.ask("lockout", targets=("key",), by="Ana", why="a cable")
    play.report("key", "level", 10.0)
    play.run(6.0)
    before = len(play.tells("key"))
    play.ask("match", take=1)
    play.run(30.0)
    assert play.tells("key")[before:] == []


def test_the_look_of_a_take_outlives_the_bridge_while_it_is_in_force() -> None:
    play = brought_up()
    play.take()
    play.ask("match", take=1)
    play.run(30.0)
    new = again(play)
    new.run(30.0)
    assert new.controller.look == "take-1"
    assert new.controller.desk.presets["key"] == Preset(64.0, 4300.0)
    # it is held, not only named
    for level, drifts in ((64.0, False), (20.0, True)):
        new.report("key", "level", level)
        new.run(6.0)
        assert (("key", "level") in new.controller.watcher.drifts) is drifts


def test_the_look_of_a_take_is_known_until_the_set_is_taken_down() -> None:
    made = corner()
    without = {n: d for n, d in made.devices.items() if "pc" not in n}
    play = brought_up(replace(made, devices=without))
    play.take()
    play.ask("match", take=1)
    play.run(30.0)
    play.ask("down", yes=True)
    play.run(90.0)
    assert play.state == "dark"
    assert "take-1" not in play.controller.desk.looks
    play.ask("up", look="take-1")
    assert play.told_last()[0] == 2
    # and from the dark the set comes up as it stood
    play.ask("match", take=1)
    play.run(90.0)
    assert (play.state, play.controller.look) == ("ready", "take-1")


def test_a_look_of_the_profile_is_never_written_over() -> None:
    made = corner()
    own = {"take-1": {"key": Preset(5.0, 3200.0)}}
    looks = profile(*made.devices.values(), looks={"day": dict(made.looks["day"].presets), **own})
    play = brought_up(looks)
    play.take()
    play.ask("match", take=1)
    assert play.told_last()[0] == 1
    assert play.controller.desk.looks["take-1"] == {"key": Preset(5.0, 3200.0)}


def without(made: SetProfile, name: str) -> SetProfile:
    """The profile as it is when a light has been taken out of it, or was renamed."""
    looks = {
        n: replace(look, presets={k: p for k, p in look.presets.items() if k != name})
        for n, look in made.looks.items()
    }
    return replace(made, devices={n: d for n, d in made.devices.items() if n != name}, looks=looks)


def test_a_light_that_is_no_part_of_the_set_any_more_is_left_out_of_a_match() -> None:
    play = brought_up()
    play.take()
    new = again(play, without(play.profile, "key"))
    new.ask("match", take=1)
    (first,) = [a for a in new.answers(final=False) if a.text.startswith("as in")]
    assert "Left out: key is no light of this set any more" in first.text
    new.run(60.0)
    assert (new.state, new.controller.look) == ("ready", "take-1")
    assert set(new.controller.desk.presets) == {"fill"}


def test_a_light_taken_out_while_the_look_of_a_take_is_in_force_fails_nothing() -> None:
    play = brought_up()
    play.take()
    play.ask("match", take=1)
    play.run(30.0)
    new = again(play, without(play.profile, "key"))
    new.run(30.0)
    new.ask("up")
    new.run(60.0)
    new.take()
    assert (new.state, new.controller.look) == ("ready", "take-1")


@pytest.mark.parametrize(
    ("point", "value"),
    [
        *(("level", value) for value in (250.0, -5.0, 1e300, 5.0)),
        *(("cct", value) for value in (-5.0, 0.0, 2700.0, 1e300)),
    ],
)
def test_nothing_is_told_that_the_light_does_not_do_whatever_the_record_says(
    point: str, value: float
) -> None:
    play = brought_up()
    play.take()
    made = play.profile
    key = replace(made.devices["key"], level_range=(10.0, 100.0), cct_range=(3200.0, 5600.0))
    takes = []
    for note in play.memory_now().takes:
        if note.phase == "begun":
            lights = note.detail["lights"]
            assert isinstance(lights, dict)
            lights = {**lights, "key": {**lights["key"], point: value}}
            note = replace(note, detail={**note.detail, "lights": lights})
        takes.append(note)
    made = replace(made, devices={**made.devices, "key": key})
    new = again(play, made, takes=tuple(takes))
    new.forget()
    new.ask("match", take=1)
    new.run(60.0)
    assert not [values for _, _, values in new.tells("key") if dict(values).get(point) == value]
    (first,) = [a for a in new.answers(final=False) if a.text.startswith("as in")]
    assert "Left out: key" in first.text


def test_a_look_that_nobody_knows_any_more_is_never_ready() -> None:
    """The record has gone, or the profile was written anew, in the middle of a session."""
    play = brought_up()
    play.take()
    play.ask("match", take=1)
    play.run(30.0)
    new = again(play, takes=())
    new.run(60.0)
    assert new.state == "stalled"
    assert "take-1" in new.controller.why
    new.ask("up")
    new.run(60.0)
    assert (new.state, new.controller.look) == ("ready", "day")


def test_what_is_forgotten_is_said() -> None:
    play = brought_up()
    play.ask("down", yes=True)
    play.run(60.0)
    for _ in range(KEPT + 1):
        play.take(1.0)
    play.ask("match", take=1)
    assert play.told_last()[0] == 1
    assert "is not known any more" in play.told_last()[1]
    play.ask("mark", take=1, mark="good")
    assert play.told_last() == (0, "take 1: good")


def test_the_last_good_one_is_found_as_by_looking_at_all_of_them() -> None:
    """Of many it is asked for each: not by going through all of them each time."""
    dice = random.Random(4)
    for _ in range(60):
        takes = [
            Taken(n, 0.0, "report", 0.0, "", {"look": dice.choice(("a", "b", None))})
            for n in dice.sample(range(1, 40), dice.randrange(12))
        ]
        takes = [replace(one, mark=dice.choice(("good", "again", ""))) for one in takes]
        found = LastGood(takes)
        for look in ("a", "b", "c", None):
            for without in (None, *range(1, 40)):
                good = [t for t in takes if t.mark == "good" and t.number != without]
                same = [t for t in good if t.look == look]
                last = max(same or good, key=lambda t: t.number, default=None)
                assert found.of(look, without) is last

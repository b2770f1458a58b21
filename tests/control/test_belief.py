"""What is believed of one device, evidence by evidence, epoch by epoch."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control.belief import OUT_LEVEL, Belief
from studiobridge.control.beliefs import Beliefs
from studiobridge.control.effects import ByHand
from studiobridge.control.evidence import NEVER, Question
from studiobridge.control.feeds import Feeds
from studiobridge.craft.grid import Grid
from studiobridge.profile.model import Device, Preset, SetProfile, Tolerance
from tests.control.play import corner, fixture, on_plug, plug, profile
from tests.control.test_shown import METERED, changed


def lamp(**more: object) -> Belief:
    return Belief(fixture("key", "p", **more))


def of(made: SetProfile) -> Beliefs:
    beliefs = Beliefs(made, Feeds(made))
    beliefs.now = 0.0
    beliefs.link_up(0.0)
    return beliefs


def chain(**more: object) -> Beliefs:
    """Outer plug, inner plug that meters, and a lamp with a fan and a computer below it."""
    inner = plug("inner", fed_by="outer", feeds=("outer",), hears=METERED, answers_in=0.5)
    key = replace(fixture("key", "inner", cools_in=20.0), feeds=("inner", "outer"))
    return of(profile(plug("outer"), replace(inner, **more), key))  # type: ignore[arg-type]


EVIDENCE: list[tuple[str, dict[Question, bool]]] = [
    # what was heard, and which questions it answers; of a device that can be asked
    (
        "fresh, after the command",
        {
            "is it so": True,
            "is it there": True,
            "is it gone": True,
            "has it moved": True,
            "was it so": True,
        },
    ),
    (
        "fresh, before the command",
        {
            "is it so": False,
            "is it there": True,
            "is it gone": True,
            "has it moved": False,
            "was it so": True,
        },
    ),
    (
        "kept",
        {
            "is it so": False,
            "is it there": False,
            "is it gone": True,
            "has it moved": False,
            "was it so": True,
        },
    ),
    (
        "of an ended epoch",
        {
            "is it so": False,
            "is it there": False,
            "is it gone": False,
            "has it moved": False,
            "was it so": True,
        },
    ),
]


@pytest.mark.parametrize(("heard", "answers"), EVIDENCE, ids=[heard for heard, _ in EVIDENCE])
def test_which_evidence_answers_which_question(heard: str, answers: dict[Question, bool]) -> None:
    belief = lamp()
    belief.tell((("level", 40.0),), 1.0 if heard == "fresh, after the command" else 2.0, 3.0)
    belief.hear("level", 40.0, heard == "kept", 3.0 if heard == "kept" else 2.0)
    if heard == "of an ended epoch":
        belief.hear("level", 40.0, False, 4.0)
        belief.link_came(5.0)
    assert {q: belief.word(q, "level") is not None for q in answers} == answers
    assert belief.word("was it so", "cct") is None


def test_of_what_cannot_be_asked_what_was_kept_may_say_that_it_moved() -> None:
    belief = lamp(can_ask=False)
    belief.hear("level", 40.0, True, 2.0)
    assert belief.said("has it moved", "level") == 40.0
    assert belief.said("is it so", "level") is None


def test_a_kept_report_takes_no_fresh_ones_place_in_its_epoch_and_an_older_ones_at_once() -> None:
    belief = lamp()
    assert belief.hear("level", 40.0, False, 1.0)
    assert not belief.hear("level", 70.0, True, 2.0)
    assert belief.said("is it so", "level") == 40.0
    belief.link_came(3.0)
    assert belief.hear("level", 70.0, True, 4.0)
    assert belief.hear("level", 75.0, True, 5.0)
    assert belief.said("was it so", "level") == 75.0
    assert belief.hear("level", 50.0, False, 6.0)
    assert belief.said("is it so", "level") == 50.0


def test_it_has_spoken_when_something_fresh_was_heard_in_this_epoch() -> None:
    belief = lamp()
    belief.silent_since = 0.5
    belief.hear("online", True, True, 1.0)
    assert not belief.spoke
    assert belief.silent_since == 0.5
    belief.hear("online", True, False, 2.0)
    assert (belief.spoke, belief.spoke_at, belief.silent_since) == (True, 2.0, None)
    belief.silent_since = 2.5
    belief.mains_came(3.0)
    assert (belief.spoke, belief.epoch_since, belief.silent_since) == (False, 3.0, None)


def test_off_is_counted_from_the_first_time_it_was_said_in_a_row() -> None:
    belief = Belief(plug("p"))
    for at, on in ((1.0, True), (2.0, False), (3.0, False)):
        belief.hear("switch", on, False, at)
    assert (belief.off_since, belief.off_at) == (2.0, 3.0)
    belief.hear("switch", True, False, 4.0)
    assert (belief.off_since, belief.off_at) == (2.0, 3.0)
    belief.hear("switch", False, False, 5.0)
    assert (belief.off_since, belief.off_at) == (5.0, 5.0)


# ---- heat ------------------------------------------------------------------------------------


def test_a_lamp_is_out_since_it_first_said_so_and_lit_on_anything_but_a_clear_no() -> None:
    belief = lamp()
    belief.hear("online", True, False, 1.0)
    assert belief.out_since is None
    belief.hear("level", OUT_LEVEL + 0.1, False, 2.0)
    assert belief.out_since is None
    belief.hear("level", OUT_LEVEL, False, 3.0)
    belief.hear("level", 0.0, False, 4.0)
    assert belief.out_since == 3.0
    belief.hear("level", 60.0, False, 5.0)
    assert belief.out_since is None
    belief.hear("switch", False, False, 6.0)
    assert belief.out_since == 6.0
    belief.hear("switch", True, False, 7.0)  # its level is 60 %
    assert belief.out_since is None
    belief.hear("level", 0.0, True, 8.0)  # kept: says nothing about heat
    assert belief.out_since is None


def test_a_plug_has_no_heat_of_its_own() -> None:
    belief = Belief(plug("p"))
    belief.hear("switch", False, False, 1.0)
    assert belief.out_since is None


def test_how_long_a_lamp_has_been_out_is_carried_over_only_in_the_careful_direction() -> None:
    belief = lamp()
    belief.hear("level", 0.0, False, 1.0)
    belief.mains_went(2.0)
    assert belief.out_since == 1.0
    belief.link_came(3.0)
    assert belief.out_since == 1.0
    belief.mains_were_on()  # it came on while nobody listened, perhaps
    assert belief.out_since is None
    belief.mains_went(4.0)
    belief.mains_were_on()  # it went off in this epoch, and was heard to
    assert belief.out_since == 4.0
    belief.mains_came(5.0)
    assert belief.out_since is None
    assert belief.mains_since == 5.0
    belief.mains_still_off(6.0)
    belief.mains_still_off(7.0)
    assert belief.out_since == 6.0


def test_heat_is_carried_over_when_the_link_was_lost_and_the_plug_says_what_it_said() -> None:
    beliefs = chain()
    for name in ("outer", "inner"):
        beliefs.hear(name, "switch", True, False, 1.0)
    beliefs.hear("key", "level", 50.0, False, 2.0)
    beliefs.now = 2.0
    assert beliefs.still_hot("key") == 20.0
    beliefs.hear("key", "level", 0.0, False, 3.0)
    beliefs.now = 8.0
    assert beliefs.still_hot("key") == 15.0
    beliefs.hear("inner", "switch", False, False, 9.0)
    beliefs.now = 30.0
    assert beliefs.still_hot("key") == 0.0
    assert beliefs.still_hot("outer") == 0.0


def test_a_lamp_that_nobody_heard_below_a_plug_that_is_off_is_cold() -> None:
    beliefs = chain()
    assert beliefs.still_hot("key") == 20.0  # may be lit
    beliefs.hear("outer", "switch", False, True, 1.0)
    beliefs.of["key"].out_since = None
    beliefs.now = 1.0
    assert beliefs.still_hot("key") == 0.0


def test_which_switch_a_device_speaks_against() -> None:
    beliefs = chain()
    beliefs.hear("inner", "switch", True, False, 1.0)
    beliefs.hear("outer", "switch", False, False, 2.0)
    assert beliefs.against("key") is None
    beliefs.hear("key", "level", 50.0, False, 3.0)
    assert beliefs.against("key") == "outer"
    beliefs.hear("key", "online", False, False, 4.0)
    assert beliefs.against("key") is None  # it said that it left
    beliefs.hear("key", "online", True, False, 5.0)
    assert beliefs.against("key") == "outer"
    beliefs.hear("outer", "switch", False, False, 6.0)
    assert beliefs.against("key") is None  # the plug has the last word


# ---- mains -----------------------------------------------------------------------------------


def test_mains_that_come_or_go_end_the_epoch_of_everything_below_and_of_nothing_above() -> None:
    beliefs = chain()
    beliefs.hear("outer", "switch", True, False, 1.0)
    epochs = {name: belief.epoch for name, belief in beliefs.of.items()}
    assert beliefs.hear("inner", "switch", False, False, 2.0) == {"inner", "key"}
    assert beliefs.of["key"].epoch == epochs["key"] + 1
    assert beliefs.of["inner"].epoch == epochs["inner"]
    assert beliefs.of["outer"].epoch == epochs["outer"]
    assert beliefs.hear("inner", "switch", False, False, 3.0) == set()
    beliefs.hear("inner", "switch", True, False, 4.0)
    assert beliefs.of["key"].epoch == epochs["key"] + 2
    assert beliefs.of["key"].mains_since == 4.0


def test_what_was_told_on_has_its_epoch_then_and_what_it_reports_before_its_plug_is_so() -> None:
    beliefs = chain()
    beliefs.hear("outer", "switch", True, False, 0.5)
    beliefs.hear("inner", "switch", False, False, 1.0)
    assert beliefs.told("inner", (("switch", True),), 2.0, 4.0) == {"key"}
    beliefs.hear("key", "online", True, False, 3.0)
    beliefs.hear("inner", "switch", True, False, 3.5)
    assert beliefs.of["key"].spoke
    assert beliefs.of["key"].mains_since == 2.0
    # told again though it says on: its devices keep what is known of them
    assert beliefs.told("inner", (("switch", True),), 5.0, 6.0) == set()
    assert beliefs.told("inner", (("switch", False),), 5.0, 6.0) == set()
    assert beliefs.of["key"].spoke


def test_surely_and_perhaps() -> None:
    beliefs = chain()
    assert beliefs.may_be_on("key")
    assert not beliefs.surely_on("inner")
    assert not beliefs.surely_off("inner")
    beliefs.hear("inner", "switch", True, False, 1.0)
    assert not beliefs.surely_on("inner")  # nothing is heard of what feeds it
    beliefs.hear("outer", "switch", True, False, 2.0)
    # the mains came: what the inner one said before is outlived
    assert not beliefs.surely_energised("key")
    beliefs.hear("inner", "switch", True, False, 3.0)
    assert beliefs.surely_on("inner")
    beliefs.hear("key", "switch", True, False, 3.5)
    assert beliefs.surely_energised("key")
    beliefs.hear("outer", "online", False, False, 4.0)
    assert not beliefs.surely_on("inner")
    beliefs.hear("outer", "online", True, False, 5.0)
    beliefs.hear("outer", "switch", False, False, 6.0)
    assert not beliefs.powered("key")
    assert not beliefs.may_be_on("key")
    assert beliefs.surely_off("key")
    beliefs.told("outer", (("switch", True),), 7.0, 8.0)
    assert not beliefs.surely_off("key")
    assert beliefs.told_on_unanswered("key") == 7.0
    beliefs.hear("outer", "switch", False, False, 8.0)
    assert beliefs.told_on_unanswered("key") == 7.0  # may be from before it read the command
    beliefs.hear("outer", "switch", False, False, 12.0)
    assert beliefs.told_on_unanswered("key") is None
    beliefs.told("outer", (("switch", False),), 9.0, 10.0)
    assert beliefs.told_on_unanswered("key") is None


# ---- watts -----------------------------------------------------------------------------------


def test_two_idle_samples_that_span_the_time_and_nothing_less_are_a_computer_down() -> None:
    made = corner()  # idle under 4 W for 5 s
    beliefs = of(made)
    beliefs.hear("pc-plug", "switch", True, False, 0.5)
    beliefs.hear("pc-plug", "watts", 3.9, False, 1.0)
    assert not beliefs.is_down("lesson-pc")
    beliefs.hear("pc-plug", "watts", 3.9, False, 5.9)
    assert not beliefs.is_down("lesson-pc")
    beliefs.hear("pc-plug", "watts", 3.9, True, 7.0)  # kept: is no sample
    assert not beliefs.is_down("lesson-pc")
    beliefs.hear("pc-plug", "watts", 3.9, False, 6.0)
    assert beliefs.is_down("lesson-pc")
    beliefs.hear("pc-plug", "watts", 4.0, False, 8.0)
    assert not beliefs.is_down("lesson-pc")
    beliefs.hear("pc-plug", "watts", 2.0, False, 9.0)
    assert beliefs.of["lesson-pc"].idle_for == 0.0
    beliefs.link_up(20.0)
    beliefs.hear("pc-plug", "watts", 2.0, False, 21.0)
    assert not beliefs.is_down("lesson-pc")
    beliefs.hear("lesson-pc", "down", True, True, 22.0)
    assert not beliefs.is_down("lesson-pc")
    beliefs.hear("lesson-pc", "down", True, False, 23.0)
    assert beliefs.is_down("lesson-pc")
    beliefs.hear("pc-plug", "switch", False, False, 24.0)
    assert not beliefs.is_down("lesson-pc")  # it has to be heard anew


def test_without_an_idle_time_a_single_sample_is_no_proof() -> None:
    beliefs = of(changed(corner(), "lesson-pc", idle_for=0.0))
    beliefs.hear("pc-plug", "watts", 0.5, False, 1.0)
    assert not beliefs.is_down("lesson-pc")


def test_a_plug_speaks_for_its_computer_only_where_it_feeds_nothing_else() -> None:
    beliefs = of(corner())
    assert beliefs.meter_of("lesson-pc") == "pc-plug"
    beliefs.hear("pc-plug", "watts", 31.0, False, 1.0)
    assert beliefs.draws_now("lesson-pc") == 31.0
    made = corner()
    both = {**made.devices, "strip": on_plug("strip", "light", "pc-plug")}
    beliefs = of(replace(made, devices=both))
    beliefs.hear("pc-plug", "watts", 31.0, False, 1.0)
    assert beliefs.meter_of("lesson-pc") == "lesson-pc"
    assert beliefs.draws_now("lesson-pc") is None


def test_a_plug_that_says_off_and_draws_is_named_once_the_sample_is_of_its_being_off() -> None:
    beliefs = chain(residual=2.0)
    beliefs.hear("inner", "watts", 60.0, False, 1.0)
    assert beliefs.still_drawing("inner") is None
    beliefs.hear("inner", "switch", True, False, 2.0)
    assert beliefs.still_drawing("inner") is None
    beliefs.hear("inner", "switch", False, False, 3.0)
    beliefs.hear("inner", "watts", 60.0, False, 3.4)
    assert beliefs.still_drawing("inner") is None  # a sample of the moment it went off
    beliefs.hear("inner", "switch", False, False, 3.45)
    beliefs.hear("inner", "watts", 58.0, False, 3.5)
    assert beliefs.still_drawing("inner") == 58.0
    beliefs.hear("inner", "watts", 2.0, False, 4.0)
    assert beliefs.still_drawing("inner") is None


# ---- as wanted -------------------------------------------------------------------------------


def test_the_same_within_tolerance_and_no_further() -> None:
    belief = lamp(tolerance=Tolerance(level=0.1, cct=8.0))
    # 0.1 stop of 64 % is 68.59 % and 59.71 %; 8 mired of 4000 K (250 mired) are 3876 and 4132 K
    for said, same in ((68.5, True), (68.7, False), (59.8, True), (59.6, False), (0.0, False)):
        assert belief.same("level", 64.0, said) is same
    for said, same in ((3877.0, True), (3875.0, False), (4131.0, True), (4133.0, False)):
        assert belief.same("cct", 4000.0, said) is same
    assert not belief.same("cct", 4000.0, 0.0)
    assert belief.same("level", 0.0, 0.0)
    assert not belief.same("level", 0.0, 3.0)
    assert belief.same("switch", True, True)
    assert not belief.same("switch", True, False)


def test_what_the_device_cannot_tell_apart_is_the_same() -> None:
    belief = lamp(tolerance=Tolerance(level=0.001, cct=8.0))
    assert not belief.same("level", 64.0, 65.0)
    belief.grids["level"] = Grid(0.0, 100.0, 5.0, "percent")
    assert belief.same("level", 64.0, 65.0)
    assert not belief.same("level", 64.0, 70.0)


def test_every_point_has_to_be_as_wanted() -> None:
    belief = lamp()
    wanted = {"level": 64.0, "cct": 4000.0}
    assert not belief.is_so(wanted)  # type: ignore[arg-type]
    belief.hear("level", 64.0, False, 1.0)
    assert not belief.is_so(wanted)  # type: ignore[arg-type]
    belief.hear("cct", 2000.0, False, 2.0)
    assert not belief.is_so(wanted)  # type: ignore[arg-type]
    belief.hear("cct", 4000.0, False, 3.0)
    assert belief.is_so(wanted)  # type: ignore[arg-type]


def test_only_what_can_be_told_is_asked_of_it() -> None:
    belief = lamp(tells=frozenset({"level"}))
    assert belief.points_of(Preset(0.0, 4000.0)) == {"level": 0.0}
    assert belief.points_of(Preset(None, 4000.0)) == {}
    assert lamp().points_of(Preset(None, 4000.0)) == {"cct": 4000.0}
    assert lamp().lowest == 0.0
    assert lamp(level_range=(12.0, 100.0)).lowest == 12.0


# ---- cameras ---------------------------------------------------------------------------------


def camera() -> Belief:
    hears = frozenset({"rolling", "online"})
    return Belief(Device("camera", "camera", speaks="c", hears=hears))


def test_a_camera_rolls_when_it_or_a_person_says_so_and_a_person_may_take_both_back() -> None:
    belief = camera()
    assert not belief.rolls
    belief.hear("rolling", True, True, 1.0)
    assert belief.rolls  # also as kept: to be careful
    belief.say_rolling(False, 2.0)
    assert not belief.rolls
    belief.hear("rolling", True, False, 3.0)
    assert belief.rolls
    belief.hear("rolling", False, False, 4.0)
    assert not belief.rolls
    belief.say_rolling(True, 5.0)
    assert belief.rolls
    belief.hear("rolling", False, False, 6.0)
    assert belief.rolls  # the person has not taken it back
    assert belief.rolling.word == (True, 5.0)


def test_who_did_as_it_was_told_has_not_left() -> None:
    belief = lamp()
    belief.hear("online", False, False, 1.0)
    assert belief.gone
    belief.is_there(2.0)
    assert not belief.gone
    assert belief.said("is it there", "online") is True
    never = lamp()
    never.is_there(1.0)
    assert never.said("was it so", "online") is None
    assert never.mains_since == NEVER


def test_a_persons_word_holds_of_what_this_bridge_has_never_told() -> None:
    belief, preset = lamp(), Preset(level=40.0)
    belief.link_came(1.0)
    belief.ticked = ByHand(preset, "ann", 2.0)
    assert belief.by_hand(preset)
    belief.tell([("level", 40.0)], 3.0, 4.0)  # and it may have gone elsewhere with the command
    assert not belief.by_hand(preset)

"""What a set does when asked, told, left alone and lied to. Events in, effects out."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from studiobridge.control import views
from studiobridge.control.effects import Ask, Lockout, Memory, SessionNote, StepNote, Tell
from studiobridge.control.events import LinkUp, Noted, Report
from studiobridge.control.evidence import Word
from studiobridge.profile.model import LeftOn, Point, Preset, SetProfile, Tolerance, Value
from tests.control.play import Play, corner, fixture, on_plug, plug, profile


def brought_up(**more: object) -> Play:
    play = Play(corner(**more))
    play.link_up()
    play.ask("up")
    play.run(30)
    assert play.state == "ready"
    play.forget()
    return play


def before(play: Play, name: str, values: dict[Point, Value]) -> None:
    """What this device last said before the link came; the obedient gear says it when asked."""
    belief = play.controller.beliefs.of[name]
    for point, value in values.items():
        belief.last[point] = Word(value, play.now, True, belief.epoch)


def taken_down() -> Play:
    """It was up, and is dark again; its plugs meter what they really feed."""
    play = Play(corner(), meters_itself=True)
    play.link_up()
    play.ask("up")
    play.run(30)
    play.ask("down")
    play.run(120)
    assert play.state == "dark"
    return play


# ---- up ----------------------------------------------------------------------------------


def test_up_ends_ready_with_the_presets_told_and_amps_last() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("up")
    play.run(30)
    assert play.states() == ["dark", "rising", "ready"]
    (answer,) = play.answers()
    assert answer.code == 0
    assert "8 of 8 heard; 2 cannot speak" in answer.text
    told = {device: dict(values) for _, device, values in play.tells()}
    assert told["key"]["level"] == 64.0
    assert told["fill"]["cct"] == 4300.0
    amp_at = next(at for at, device, _ in play.tells() if device == "amp-plug")
    others = [at for at, device, _ in play.tells() if device.endswith("-plug")]
    assert amp_at == max(others)


def test_lights_are_energised_low_and_then_faded() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("up")
    play.run(30)
    first, second = (dict(values) for _, device, values in play.tells("key"))
    assert first["switch"] is True
    assert first["level"] < 5.0
    assert second["level"] == 64.0
    fades = [e.fade for _, e in play.effects if isinstance(e, Tell) and e.device == "key"]
    assert fades == [None, 1.0]


def test_a_fixture_that_cannot_fade_is_walked_there_at_a_bounded_rate() -> None:
    play = Play(
        profile(
            plug("p"),
            fixture("key", "p", knows_fade=False, fade=2.0),
            looks={"day": {"key": Preset(80.0, 4000.0)}},
        )
    )
    play.link_up()
    play.ask("up")
    play.run(30)
    assert play.state == "ready"
    walked = [(at, dict(v)["level"]) for at, _, v in play.tells("key") if "level" in dict(v)]
    levels = [level for _, level in walked]
    assert levels == sorted(levels)
    assert levels[-1] == 80.0
    gaps = [b - a for (a, _), (b, _) in itertools.pairwise(walked[1:])]
    assert min(gaps) >= 0.2499
    assert len(walked) > 4


@pytest.mark.parametrize("first", ["level", "switch"])
def test_it_is_walked_from_where_it_came_on_whichever_is_heard_first(first: str) -> None:
    """A message with both is read point by point: the switch may come before the level."""
    made = profile(
        plug("p"),
        fixture("key", "p", knows_fade=False, fade=2.0),
        looks={"day": {"key": Preset(80.0, 4000.0)}},
    )
    play = Play(made, obedient=False)
    play.link_up()
    play.report("p", "switch", True)
    play.report("key", "online", True)
    play.ask("up")
    play.run(0.1)
    play.forget()
    said = {"level": 1.0, "switch": True}
    for point in (first, *said.keys() - {first}):
        play.report("key", point, said[point])
    play.run(2.5)
    levels = [float(dict(v)["level"]) for _, _, v in play.tells("key") if "level" in dict(v)]  # type: ignore[arg-type,call-overload]
    assert len(levels) > 4
    assert max(b - a for a, b in itertools.pairwise([1.0, *levels])) < 15.0


def test_one_inrush_at_a_time_on_a_circuit_and_circuits_in_parallel() -> None:
    play = Play(
        profile(plug("a"), plug("b"), plug("c", circuit="bench"), plug("d", circuit="bench"))
    )
    play.link_up()
    play.ask("up")
    play.run(10)
    at = {device: when for when, device, _ in play.tells()}
    assert at["a"] == at["c"]
    # the report takes 0.05 s, the gap of these circuits is 0.5 s
    assert at["b"] - at["a"] == pytest.approx(0.55)
    assert at["d"] - at["c"] == pytest.approx(0.55)


def test_what_boots_slowest_starts_first() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("up")
    play.run(30)
    assert play.tells()[0][1] == "pc-plug"


def test_already_as_wanted_nothing_is_sent() -> None:
    play = brought_up()
    play.ask("up")
    play.run(5)
    assert play.tells() == []
    assert play.answers()[-1].code == 0
    assert "nothing to do" in play.answers()[-1].text


def test_another_look_changes_only_what_differs() -> None:
    play = brought_up()
    play.ask("up", look="dusk")
    play.run(5)
    assert {device for _, device, _ in play.tells()} == {"key"}
    assert play.state == "ready"
    assert play.controller.look == "dusk"


def test_an_unknown_look_is_refused_and_nothing_is_sent() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("up", look="noon")
    play.run(5)
    assert play.answers()[-1].code == 2
    assert "day" in play.answers()[-1].text
    assert play.tells() == []


def test_a_silent_essential_device_stalls_the_set_where_it_stands() -> None:
    play = Play(corner(), deaf={"key"})
    play.link_up()
    play.ask("up")
    play.run(60)
    assert play.state == "stalled"
    assert play.answers()[-1].code == 1
    assert "key" in play.answers()[-1].text
    assert not any(
        value is False for _, _, values in play.tells() for p, value in values if p == "switch"
    )
    # what does not depend on it came up all the same, amps last
    assert play.tells()[-1][1:] == ("amp-plug", (("switch", True),))


def test_a_dead_plug_costs_only_what_hangs_on_it() -> None:
    play = Play(corner(), deaf={"desk-plug"})
    play.link_up()
    play.ask("up")
    play.run(90)
    assert play.state == "stalled"
    assert play.controller.beliefs.surely_heard("lesson-pc")
    assert play.controller.beliefs.surely_set("key", Preset(64.0, 4300.0))
    # the mixer hangs on the dead plug: an amp after a source that is not on stays off (law 4)
    assert not play.tells("amp-plug")
    missing = play.answers()[-1].detail["missing"]
    assert set(missing) == {"desk-plug", "camera", "mixer", "amp-plug", "monitors"}  # type: ignore[call-overload]
    assert missing["camera"].startswith("not tried, it needs desk-plug: ")  # type: ignore[index]


def test_up_again_resumes_from_what_is_true() -> None:
    play = Play(corner(), deaf={"key"})
    play.link_up()
    play.ask("up")
    play.run(60)
    play.forget()
    play.deaf.clear()
    play.report("key", "online", True)
    play.ask("up")
    play.run(30)
    assert play.state == "ready"
    assert not play.tells("pc-plug")
    assert not play.tells("lamp-plug")


def test_an_optional_device_is_named_and_passed_over() -> None:
    made = corner()
    devices = dict(made.devices)
    devices["fill"] = replace(devices["fill"], essential=False)
    play = Play(replace(made, devices=devices), deaf={"fill"})
    play.link_up()
    play.ask("up")
    play.run(60)
    assert play.state == "ready"
    assert "fill" in play.answers()[-1].text


def test_a_missing_report_is_asked_for_then_told_again_then_given_up() -> None:
    play = Play(corner())
    play.link_up()
    play.deaf.add("lamp-plug")
    play.ask("up")
    play.run(60)
    assert len(play.tells("lamp-plug")) == play.profile.patience.tries
    times = [at for at, _, _ in play.tells("lamp-plug")]
    assert min(b - a for a, b in itertools.pairwise(times)) >= play.profile.patience.reply
    assert ("lamp-plug", "power on") in play.steps("failed")


@pytest.mark.parametrize("heard_before", [False, True])
def test_a_light_that_cannot_be_asked_and_does_not_answer_has_its_plug_asked(
    heard_before: bool,
) -> None:
    """The plug said on and is not: no answer of the light's can ever say so."""
    made = profile(
        plug("p"), fixture("key", "p", can_ask=False), looks={"day": {"key": Preset(64.0, 4300.0)}}
    )
    play = Play(made, obedient=False)
    play.link_up()
    play.report("p", "switch", True)
    if heard_before:
        play.report("key", "online", True)
    play.forget()
    play.ask("up")
    play.run(60)
    assert play.state == "stalled"
    assert any(isinstance(e, Ask) and e.device == "p" for _, e in play.effects)


def test_a_kept_report_confirms_nothing() -> None:
    play = Play(profile(plug("p", can_ask=False)), obedient=False)
    play.link_up()
    play.ask("up")
    play.report("p", "switch", True, retained=True)
    play.run(1)
    assert play.state == "rising"
    play.report("p", "switch", True)
    assert play.state == "ready"


def test_a_report_from_before_the_command_confirms_nothing() -> None:
    play = Play(profile(plug("p")), obedient=False)
    play.link_up()
    play.report("p", "switch", False)
    play.ask("up")
    assert play.state == "rising"
    play.run(0.5)
    play.report("p", "switch", False)
    assert play.state == "rising"
    play.report("p", "switch", True)
    assert play.state == "ready"


# ---- holding -----------------------------------------------------------------------------


def test_a_touched_light_is_noticed_measured_and_put_back() -> None:
    play = brought_up()
    play.report("key", "level", 80.0)
    play.run(0.5)
    assert play.state == "ready"
    play.run(3)
    assert play.state == "adrift"
    (entry,) = play.drifts("opened")
    assert entry.device == "key"
    assert entry.stops == pytest.approx(0.3219, abs=1e-4)  # log2(80/64), by definition
    assert entry.percent == pytest.approx(16.0)
    play.ask("restore")
    play.run(5)
    assert play.state == "ready"
    assert {device for _, device, _ in play.tells()} == {"key"}
    assert [e.how for e in play.drifts("closed")] == ["restored"]


def test_putting_back_one_of_two_that_drifted_names_the_other() -> None:
    play = brought_up()
    play.report("key", "level", 80.0)
    play.report("fill", "level", 80.0)
    play.run(3)
    play.forget()
    play.ask("restore", targets=("key",))
    play.run(5)
    assert play.state == "adrift"
    (answer,) = play.answers()
    assert answer.code == 0  # what was asked for
    assert "restored in" in answer.text and ": key; " in answer.text
    assert answer.text.endswith("the set is still adrift: fill")
    play.forget()
    play.ask("restore", targets=("key",))  # which is there already
    play.run(1)
    (answer,) = play.answers()
    assert (answer.code, answer.text) == (0, "nothing was sent; the set is still adrift: fill")
    play.forget()
    play.ask("restore")
    play.run(5)
    assert play.state == "ready"
    (answer,) = play.answers()
    assert answer.code == 0
    assert "still adrift" not in answer.text


def test_a_light_that_cannot_be_asked_drifts_too() -> None:
    made = corner()
    deaf = replace(made.devices["key"], can_ask=False)
    play = Play(replace(made, devices={**made.devices, "key": deaf}))
    play.link_up()
    play.ask("up")
    play.run(40)
    play.report("key", "level", 80.0)
    play.run(3)
    assert [(e.device, e.point) for e in play.drifts("opened")] == [("key", "level")]
    assert play.state == "adrift"


def test_drift_of_colour_is_in_mired() -> None:
    play = brought_up()
    play.report("key", "cct", 4000.0)
    play.run(3)
    (entry,) = play.drifts("opened")
    assert entry.mired == pytest.approx(1e6 / 4000 - 1e6 / 4300)


def test_a_short_blip_is_not_drift_and_one_put_back_by_hand_returns() -> None:
    play = brought_up()
    play.report("key", "level", 80.0)
    play.run(1.0)
    play.report("key", "level", 64.0)
    play.run(5)
    assert play.drifts("opened") == []
    play.report("key", "level", 80.0)
    play.run(5)
    play.report("key", "level", 64.0)
    assert [e.how for e in play.drifts("closed")] == ["returned"]
    assert play.state == "ready"


def test_within_tolerance_is_not_drift() -> None:
    play = brought_up()
    # 0.1 stop of 64 % is up to 68.6 %
    play.report("key", "level", 68.5)
    play.run(5)
    assert play.drifts("opened") == []
    play.report("key", "level", 68.7)
    play.run(5)
    assert len(play.drifts("opened")) == 1


def test_fade_reports_of_our_own_command_are_not_drift() -> None:
    play = brought_up()
    play.obedient = False
    play.ask("up", look="dusk")
    for i in range(10):
        play.run(0.1)
        play.report("key", "level", 64.0 - 4.4 * (i + 1))
    play.report("key", "cct", 3200.0)
    play.run(10)
    assert play.drifts("opened") == []
    assert play.state == "ready"


def test_worst_is_remembered() -> None:
    play = brought_up()
    play.report("key", "level", 80.0)
    play.run(3)
    play.report("key", "level", 100.0)
    play.report("key", "level", 72.0)
    entry = views.drift_view(play.controller, play.now, lambda t: t)[0]
    assert entry["reported"] == 72.0
    assert entry["worst"]["reported"] == 100.0  # type: ignore[index]


def test_a_light_that_goes_offline_drifts_and_comes_back_wrong() -> None:
    play = brought_up()
    play.report("key", "online", False)
    play.deaf.add("key")
    play.run(3)
    assert [(e.device, e.point) for e in play.drifts("opened")] == [("key", "online")]
    play.report("key", "online", True)
    play.report("key", "level", 100.0)
    play.run(3)
    assert ("key", "level") in [(e.device, e.point) for e in play.drifts("opened")]


def test_a_plug_switched_off_by_hand_is_one_drift_not_three() -> None:
    play = brought_up()
    play.report("lamp-plug", "switch", False)
    play.report("key", "online", False)
    play.report("fill", "online", False)
    play.run(5)
    assert [(e.device, e.point) for e in play.drifts("opened")] == [("lamp-plug", "switch")]
    play.on["lamp-plug"] = False
    play.ask("restore")
    play.run(30)
    assert play.state == "ready"


def test_silence_is_drift_once_asking_brought_nothing() -> None:
    made = corner()
    devices = dict(made.devices)
    devices["key"] = replace(devices["key"], silent_after=30.0)
    play = Play(replace(made, devices=devices))
    play.link_up()
    play.ask("up")
    play.run(30)
    play.forget()
    play.run(120)
    assert play.drifts("opened") == []  # it answers when asked
    play.deaf.add("key")
    play.run(60)
    assert [(e.device, e.point) for e in play.drifts("opened")] == [("key", "online")]
    assert play.state == "adrift"
    play.deaf.clear()
    play.report("key", "level", 64.0)
    assert play.state == "ready"


def test_a_fixture_that_restores_by_itself_does_so_a_bounded_number_of_times() -> None:
    made = corner()
    devices = dict(made.devices)
    devices["key"] = replace(devices["key"], restores=2)
    play = Play(replace(made, devices=devices))
    play.link_up()
    play.ask("up")
    play.run(30)
    for expected in (1, 2, 2):
        play.report("key", "level", 90.0)
        play.run(10)
        assert sum(1 for run in play.runs() if run == ("restore", "begun")) == expected
    assert play.state == "adrift"
    assert "key" in play.controller.standing.contested
    play.ask("restore")
    play.run(10)
    assert play.state == "ready"
    assert play.controller.standing.contested == {}


def test_keep_takes_what_is_reported() -> None:
    play = brought_up()
    play.report("key", "level", 71.26)
    play.run(3)
    play.ask("keep", id="k1")
    (keep,) = play.saves()
    assert keep.look == "day"
    assert keep.presets["key"] == Preset(71.3, 4300.0)
    from studiobridge.control.events import Saved

    play.give(Saved(play.now, "k1"))
    assert play.state == "ready"
    assert [e.how for e in play.drifts("closed")] == ["kept"]
    play.run(10)
    assert play.state == "ready"


def test_keep_that_could_not_be_written_keeps_nothing() -> None:
    play = brought_up()
    play.report("key", "level", 71.0)
    play.run(3)
    play.ask("keep", id="k1")
    from studiobridge.control.events import Saved

    play.give(Saved(play.now, "k1", "the folder is read-only"))
    assert play.answers()[-1].code == 1
    assert play.state == "adrift"
    assert play.controller.desk.presets["key"].level == 64.0


# ---- the camera --------------------------------------------------------------------------


def test_nothing_is_changed_while_the_camera_rolls_or_closes_its_file() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.report("key", "level", 90.0)
    play.run(5)
    play.ask("restore")
    assert play.answers()[-1].code == 1
    play.ask("down")
    play.run(30)
    assert play.state == "lowering"
    assert play.tells() == []
    play.report("camera", "rolling", False)
    play.run(3.5)
    assert play.tells() == []  # four seconds to close its file
    play.run(1)
    assert play.tells() != []


def test_a_forced_restore_while_rolling_is_done_and_recorded() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.report("key", "level", 90.0)
    play.run(5)
    play.ask("restore", force=True)
    play.run(5)
    assert {device for _, device, _ in play.tells()} == {"key"}
    from studiobridge.control.effects import RequestNote

    assert any(isinstance(e, RequestNote) and e.force for _, e in play.effects)


def test_a_walked_fade_stops_when_the_camera_starts() -> None:
    play = Play(
        profile(
            plug("p"),
            plug("q"),
            fixture("key", "p", knows_fade=False, fade=4.0),
            on_plug("camera", "camera", "q", speaks="c", hears=frozenset({"rolling"})),
            looks={"day": {"key": Preset(80.0, 4000.0)}},
        )
    )
    play.link_up()
    play.ask("up")
    play.run(6)
    play.report("camera", "rolling", True)
    play.forget()
    play.run(20)
    assert play.tells() == []
    play.report("camera", "rolling", False)
    play.run(30)
    assert play.state == "ready"


def test_of_two_cameras_the_one_that_closes_its_file_last_is_waited_for_and_no_longer() -> None:
    cameras = [
        on_plug(n, "camera", "q", speaks="c", hears=frozenset({"rolling"}), closes_in=closes)
        for n, closes in (("wide", 9.0), ("near", 2.0))
    ]
    play = Play(
        profile(
            plug("p"),
            plug("q"),
            fixture("key", "p"),
            *cameras,
            looks={"day": {"key": Preset(64.0, 4300.0)}},
        )
    )
    play.link_up()
    play.ask("up")
    for camera in ("wide", "near"):
        play.later(1.0, camera, "rolling", False)
    play.run(20)
    assert play.state == "ready"
    for rolling in (True, False):
        for camera in ("wide", "near"):
            play.report(camera, "rolling", rolling)
        play.run(0.0)
    play.forget()
    play.ask("down")
    play.run(8.9)
    assert play.tells() == []
    play.run(0.3)  # nobody says anything more
    assert play.tells() != []


def test_rolling_said_by_a_person_holds_too() -> None:
    play = brought_up()
    play.ask("rolling_on")
    play.ask("down")
    play.run(20)
    assert play.tells() == []
    play.ask("rolling_off")
    play.run(5)
    assert play.tells() != []


# ---- down --------------------------------------------------------------------------------


def test_down_amps_first_computer_proven_fans_cooled() -> None:
    play = brought_up()
    play.ask("down")
    for _ in range(80):
        play.run(0.5)
        if play.controller.beliefs.said_off("pc-plug"):
            play.report("pc-plug", "watts", 0.3)
    assert play.state == "dark"
    offs = {d: at for at, d, v in play.tells() if v == (("switch", False),)}
    assert offs["amp-plug"] == min(offs.values())
    confirmed = {
        (e.device, e.action): at
        for at, e in play.effects
        if isinstance(e, StepNote) and e.phase == "confirmed"
    }
    assert offs["pc-plug"] > confirmed[("lesson-pc", "shut down")]
    # its lamp was out a moment before the step was confirmed
    assert offs["lamp-plug"] >= confirmed[("fill", "fade out")] + 20.0 - 2 * play.delay
    closed = [e for _, e in play.effects if isinstance(e, SessionNote)]
    assert [e.phase for e in closed] == ["closed"]


def test_a_computer_that_never_says_it_is_down_keeps_its_power() -> None:
    play = brought_up()
    play.deaf.add("lesson-pc")
    play.report("pc-plug", "watts", 40.0)
    play.ask("down")
    play.run(200)
    assert play.state == "stalled"
    assert not any(v == (("switch", False),) for _, _, v in play.tells("pc-plug"))
    assert "lesson-pc" in play.answers()[-1].text
    # everything else went off all the same
    assert any(v == (("switch", False),) for _, _, v in play.tells("lamp-plug"))


def test_a_computer_that_idles_low_for_long_enough_may_be_cut() -> None:
    play = brought_up()
    play.deaf.add("lesson-pc")
    play.report("pc-plug", "watts", 40.0)
    play.ask("down")
    play.run(10)
    play.report("pc-plug", "watts", 1.0)
    play.run(3)
    play.report("pc-plug", "watts", 30.0)  # not idle yet: it wrote something
    play.run(6)
    assert not any(v == (("switch", False),) for _, _, v in play.tells("pc-plug"))
    play.report("pc-plug", "watts", 1.0)
    play.run(30)
    # one sample, and then a silent meter: nobody knows what it drew since (law 5)
    assert not any(v == (("switch", False),) for _, _, v in play.tells("pc-plug"))
    play.report("pc-plug", "watts", 1.2)
    play.run(1)
    assert any(v == (("switch", False),) for _, _, v in play.tells("pc-plug"))


def test_what_a_plug_metered_while_it_was_off_says_nothing_of_its_computer() -> None:
    play = taken_down()
    play.deaf.add("lesson-pc")
    play.report("pc-plug", "switch", True)  # pressed by hand: the computer boots, unheard
    play.run(30)
    play.forget()
    play.ask("down")
    play.run(20)
    assert not any(v == (("switch", False),) for _, _, v in play.tells("pc-plug"))


def test_what_still_draws_is_named() -> None:
    play = brought_up()
    play.ask("down")
    for _ in range(100):
        play.run(0.5)
        if play.controller.beliefs.said_off("pc-plug"):
            play.report("pc-plug", "watts", 38.0)
    assert play.state == "stalled"
    assert "38 W" in play.answers()[-1].text


def test_cut_takes_everything_off_at_once_even_while_rolling() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.ask("cut")
    assert play.answers()[-1].code == 2
    assert play.tells() == []
    play.ask("cut", yes=True)
    offs = {d for at, d, v in play.tells() if v == (("switch", False),)}
    assert {"lamp-plug", "pc-plug", "desk-plug", "amp-plug"} <= offs
    assert len({at for at, _, _ in play.tells()}) == 1


# ---- one request during another ----------------------------------------------------------


def test_down_during_a_run_up_turns_it_around() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("up", id="one")
    play.run(3)
    play.ask("down", id="two")
    play.run(60)
    first = next(a for a in play.answers() if a.request_id == "one")
    assert first.code == 1
    assert "turned" in first.text
    assert not play.tells("amp-plug") or play.tells("amp-plug")[-1][2] == (("switch", False),)
    assert play.tells("lamp-plug")[-1][2] == (("switch", False),)


def test_up_during_a_run_down_waits_for_the_computer_and_gives_it_mains_again() -> None:
    play = brought_up()
    play.deaf.add("lesson-pc")
    play.report("pc-plug", "watts", 40.0)
    play.ask("down")
    play.run(2)
    play.ask("up")
    play.run(10)
    assert play.state == "rising"
    assert not play.tells("pc-plug")
    play.deaf.clear()
    play.report("lesson-pc", "down", True)
    play.run(1)
    play.report("pc-plug", "watts", 0.2)
    play.run(30)
    values = [v for _, _, v in play.tells("pc-plug")]
    assert values == [(("switch", False),), (("switch", True),)]
    assert play.state == "ready"


def test_the_same_request_again_is_answered_not_repeated() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("up", id="one")
    play.ask("up", id="one")
    play.ask("up", id="two")
    play.run(30)
    assert [a.request_id for a in play.answers() if a.code == 0] == ["one", "two"]
    play.forget()
    play.ask("up", id="one")
    assert play.answers()[-1].final
    assert play.runs() == []


def test_kept_and_late_requests_ask_for_nothing() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("up", retained=True)
    play.ask("up", expired=True)
    play.run(30)
    assert play.tells() == []
    assert play.state == "dark"


# ---- lockouts ----------------------------------------------------------------------------


def test_a_locked_out_light_keeps_its_plug_off_and_the_rest_comes_up() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("lockout", targets=("key",), by="Ana", why="changing its cable")
    play.ask("up", force=True)
    play.run(40)
    assert not play.tells("lamp-plug")
    assert play.tells("pc-plug")
    assert play.state == "stalled"
    assert "Ana" in play.answers()[-1].text


def test_a_locked_out_circuit_is_never_energised() -> None:
    play = Play(profile(plug("a"), plug("b", circuit="bench", essential=False)))
    play.link_up()
    play.ask("lockout", targets=("bench",), by="Ana", why="new socket")
    play.ask("up")
    play.run(10)
    assert not play.tells("b")
    assert play.state == "ready"
    play.ask("release", targets=("bench",))
    play.run(10)
    assert not play.tells("b")  # a release switches nothing on
    play.ask("up")
    play.run(10)
    assert play.tells("b")


def test_a_lockout_needs_a_name_and_a_reason() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("lockout", targets=("key",), by="Ana")
    assert play.answers()[-1].code == 2
    assert play.controller.desk.lockouts == {}


def test_a_lockout_on_something_that_is_on_says_so() -> None:
    play = brought_up()
    play.ask("lockout", targets=("key",), by="Ana", why="cable")
    assert "is on now" in play.answers()[-1].text


# ---- restarts and the link ---------------------------------------------------------------


def test_after_a_restart_nothing_is_told_and_ready_needs_fresh_reports() -> None:
    memory = Memory(state="ready", look="day", session=3, next_session=4, next_run=9)
    play = Play(corner(), memory)
    play.on = {"lamp-plug": True, "pc-plug": True, "desk-plug": True, "amp-plug": True}
    for name in ("key", "fill"):
        before(
            play, name, {"switch": True, "level": 64.0 if name == "key" else 32.0, "cct": 4300.0}
        )
    play.link_up()
    assert play.tells() == []
    # camera and computer have not been heard: not ready, and it says which
    assert play.state == "adrift"
    assert {e.device for e in play.drifts("opened")} == {"lesson-pc", "camera"}
    play.report("lesson-pc", "online", True)
    play.report("camera", "online", True)
    play.run(3)
    assert play.state == "ready"
    assert play.tells() == []


def test_a_run_up_cut_short_by_a_restart_waits_for_a_new_up() -> None:
    memory = Memory(state="rising", look="day", session=3, next_session=4, run="up")
    play = Play(corner(), memory)
    play.link_up()
    play.run(60)
    assert play.tells() == []
    assert play.state == "stalled"


def test_a_run_down_cut_short_by_a_restart_goes_on() -> None:
    memory = Memory(state="lowering", look=None, session=3, next_session=4, run="down")
    play = Play(corner(), memory)
    play.on = {"lamp-plug": True}
    play.link_up()
    play.run(60)
    assert play.tells("lamp-plug")[-1][2] == (("switch", False),)


def test_lockouts_outlive_a_restart() -> None:
    memory = Memory(lockouts=(Lockout("key", "Ana", "cable", 0.0),))
    play = Play(corner(), memory)
    play.link_up()
    play.ask("up")
    play.run(40)
    assert not play.tells("lamp-plug")


def test_without_a_link_nothing_is_told_and_the_run_goes_on_after() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("up", id="one")
    play.run(1)
    play.link_down()
    assert play.state == "unheard"
    play.forget()
    play.run(20)
    assert play.tells() == []
    play.link_up()
    play.run(40)
    assert play.state == "ready"
    assert any(a.request_id == "one" and a.code == 0 for a in play.answers())


def test_a_plug_that_was_deaf_is_not_told_again_once_its_computer_runs_again() -> None:
    play = brought_up()
    play.deaf.add("pc-plug")
    play.ask("down")
    while not play.tells("pc-plug"):
        play.run(0.1)
    assert play.tells("pc-plug")[-1][2] == (("switch", False),)
    play.deaf.discard("pc-plug")
    play.report("lesson-pc", "down", False)  # somebody pressed its power button
    play.forget()
    play.run(60)
    assert not any(v == (("switch", False),) for _, _, v in play.tells("pc-plug"))
    assert play.state == "stalled"
    assert "lesson-pc has not said it is down" in play.answers()[-1].text


def test_a_kept_level_says_nothing_about_heat() -> None:
    play = brought_up()
    play.obedient = False
    play.link_down()
    play.give(LinkUp(play.now))
    play.report("fill", "level", 0.0, retained=True)
    play.report("fill", "online", True)
    assert play.controller.beliefs.of["fill"].out_since is None
    play.report("fill", "level", 0.0)
    assert play.controller.beliefs.of["fill"].out_since == play.now


# ---- mains -------------------------------------------------------------------------------


def test_a_plug_that_comes_back_on_with_its_feed_is_counted_with_it() -> None:
    """The inner plug was on when its mains went: its inrush comes on top of the outer's own."""
    made = profile(
        plug("outer"),
        plug("inner", fed_by="outer", feeds=("outer",)),
        on_plug("panel", "light", "outer", inrush=50.0),
        replace(on_plug("strip", "light", "inner", inrush=40.0), feeds=("inner", "outer")),
    )
    play = Play(made)  # B 16 A: from 48 A it may trip at once; the circuit is made for 80 A here
    made.circuits["wall"] = replace(made.circuits["wall"], curve="C")
    play.link_up()
    assert play.controller.gates.why_too_much("outer", {}) is None
    play.report("inner", "switch", True)
    play.report("outer", "switch", False)
    refused = play.controller.gates.why_too_much("outer", {})
    assert refused is not None
    assert "asks up to 90 A of circuit wall" in refused


def test_a_circuit_is_never_asked_for_more_than_it_carries() -> None:
    made = profile(
        plug("a"),
        plug("b"),
        on_plug("kettle-lamp", "light", "a", draws=2000.0),
        on_plug("heater-lamp", "light", "b", draws=1500.0),
    )
    play = Play(made)  # 16 A carries 12.8 A for long (80 %)
    play.link_up()
    play.ask("up")
    play.run(20)
    assert len([1 for _, _, v in play.tells() if v == (("switch", True),)]) == 1
    assert play.state == "stalled"
    assert "carries 12.8 A for long" in play.answers()[-1].text


# ---- left on -----------------------------------------------------------------------------


def test_left_on_powers_down_when_the_profile_says_so_but_not_while_rolling() -> None:
    play = brought_up(left_on=LeftOn(600.0, "down"))
    play.report("camera", "rolling", True)
    play.run(900)
    assert play.state == "ready"
    play.report("camera", "rolling", False)
    play.run(120)
    assert play.controller.state in ("lowering", "dark", "stalled")


def test_left_on_is_only_said_when_the_profile_says_no_more() -> None:
    play = brought_up(left_on=LeftOn(600.0, "say"))
    play.run(560)  # asked for 30 s ago
    assert not play.controller.standing.left_on
    play.run(30)
    assert play.controller.standing.left_on
    assert play.state == "ready"


def test_tolerance_may_be_a_devices_own() -> None:
    made = corner()
    devices = dict(made.devices)
    devices["key"] = replace(devices["key"], tolerance=Tolerance(level=0.5, cct=50, settle=1.0))
    play = Play(replace(made, devices=devices))
    play.link_up()
    play.ask("up")
    play.run(30)
    play.report("key", "level", 80.0)
    play.run(10)
    assert play.drifts("opened") == []


# ---- dials -------------------------------------------------------------------------------


def with_a_dial() -> SetProfile:
    made = corner()
    rim = on_plug("rim", "light", "lamp-plug", hand_set=True)
    looks = {
        name: replace(
            look, presets={**look.presets, "rim": Preset(30.0 if name == "day" else 50.0)}
        )
        for name, look in made.looks.items()
    }
    return replace(made, devices={**made.devices, "rim": rim}, looks=looks)


def dial(play: Play) -> tuple[object, object]:
    (entry,) = views.state_view(play.controller, play.now, lambda t: t)["hand_set"]  # type: ignore[misc]
    return entry["level"], entry["set_by"]


def test_a_dial_set_by_hand_is_noted_and_asked_for_again_when_the_look_changes() -> None:
    play = Play(with_a_dial(), meters_itself=True)
    play.link_up()
    play.ask("set_by_hand", by="Ana")
    assert play.answers()[-1].code == 2  # no look yet, nothing to be set
    play.ask("up")
    play.run(40)
    assert dial(play) == (30.0, None)
    play.ask("set_by_hand", by="Ana", targets=("rim",))
    assert play.answers()[-1].code == 0
    assert dial(play) == (30.0, "Ana")
    play.ask("up", look="dusk")
    play.run(20)
    assert dial(play) == (50.0, None)
    play.ask("set_by_hand", targets=("key",))
    assert play.answers()[-1].code == 2
    play.ask("down")
    play.run(120)
    assert (play.state, play.controller.beliefs.of["rim"].ticked) == ("dark", None), (
        play.controller.why
    )


# ---- the disk ----------------------------------------------------------------------------


def noted_now(play: Play) -> None:
    """The disk has taken everything that was intended."""
    for _, note in list(play.effects):
        if isinstance(note, StepNote) and note.phase == "intended":
            play.give(Noted(play.now, note.run, note.n))


def touched_and_asked() -> Play:
    """Somebody touched the key and asks for it to be put back; the disk has not taken it yet."""
    play = brought_up()
    play.report("key", "level", 90.0)
    play.run(5)
    play.forget()
    play.writes = False
    play.ask("restore", targets=("key",))
    assert play.steps("intended") == [("key", "set")]
    return play


def test_nothing_is_told_before_its_intention_is_on_disk() -> None:
    play = touched_and_asked()
    play.run(5)
    assert play.tells() == []
    noted_now(play)
    assert [device for _, device, _ in play.tells()] == ["key"]
    noted_now(play)  # said twice, it is told once
    assert len(play.tells()) == 1


def test_a_camera_that_rolls_while_the_disk_takes_its_time_holds_what_was_decided() -> None:
    play = touched_and_asked()
    play.report("camera", "rolling", True)
    noted_now(play)
    play.run(20)
    assert play.tells() == []
    play.report("camera", "rolling", False)
    play.run(20)
    assert [device for _, device, _ in play.tells()] == ["key"]


def test_a_lockout_taken_while_the_disk_takes_its_time_wins() -> None:
    play = Play(corner(), writes=False)
    play.link_up()
    play.ask("up")
    first, action = play.steps("intended")[0]
    assert action == "power on"
    play.ask("lockout", targets=(first,), by="Ana", why="cable")
    for _ in range(40):
        noted_now(play)
        play.run(1)
    assert (first, "power on") in play.steps("skipped")
    assert play.tells(first) == []


def test_a_report_that_came_before_the_command_left_confirms_nothing() -> None:
    play = touched_and_asked()
    for point, value in (("switch", True), ("level", 64.0), ("cct", 4300.0)):
        play.report("key", point, value)
    assert not play.steps("confirmed")
    noted_now(play)
    assert not play.steps("confirmed")
    play.run(5)
    assert play.steps("confirmed") == [("key", "set")]


def test_a_lamp_that_came_on_by_hand_and_was_not_heard_cools_down_all_the_same() -> None:
    play = taken_down()
    play.report("lamp-plug", "switch", True)  # pressed by hand: the lamps are lit as they were
    play.run(600)
    play.forget()
    play.ask("down")
    play.run(120)
    out = max(at for at, device, values in play.tells("fill") if device == "fill")
    off = next(at for at, _, values in play.tells("lamp-plug") if values == (("switch", False),))
    assert off - out >= play.profile.devices["fill"].cools_in


def test_what_is_put_back_with_nobody_asking_is_not_energised_after_a_lost_link() -> None:
    key = fixture("key", "p", restores=1)
    memory = Memory(state="ready", look="day", session=3, next_session=4, next_run=9)
    play = Play(profile(plug("p"), key, looks={"day": {"key": Preset(64.0, 4300.0)}}), memory)
    play.on = {"p": True, "key": True}
    play.booted.add("key")
    before(play, "p", {"switch": True})
    before(play, "key", {"switch": True, "level": 64.0, "cct": 4300.0})
    play.link_up()
    assert play.state == "ready"
    play.deaf.add("key")
    play.give(Report(play.now, "key", "level", 90.0))
    play.run(4)
    assert play.tells("key")  # it is being put back
    play.link_down()
    play.forget()
    play.link_up()
    play.run(60)
    assert play.tells() == []
    assert play.state == "adrift"

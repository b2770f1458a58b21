"""Trying one device: which gates it meets, what it means in each state of the set, what is said."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from studiobridge.control.effects import Answer, Memory, StepNote, Tell
from studiobridge.control.trial import BLINKS
from studiobridge.control.views import state_view
from studiobridge.profile.model import LeftOn, Preset, SetProfile
from tests.control.play import Play, corner, fixture, on_plug, plug, profile


def shelf(**more: object) -> SetProfile:
    made = profile(
        plug("lamp-plug"),
        fixture("key", "lamp-plug", boots_in=0.0),
        fixture("edge", "lamp-plug", boots_in=0.0, restores=3),
        on_plug("strip", "light", "lamp-plug"),
        looks={"day": {"key": Preset(64.0, 4300.0), "edge": Preset(30.0, 4300.0)}},
    )
    return replace(made, **more)  # type: ignore[arg-type]


def linked(made: SetProfile | None = None) -> Play:
    play = Play(made or shelf())
    play.link_up()
    play.forget()
    return play


def ready(made: SetProfile | None = None) -> Play:
    play = linked(made)
    play.ask("up")
    play.run(60.0)
    assert play.state == "ready"
    play.forget()
    return play


def tried(
    play: Play, device: str, wish: object = None, wait: float = 20.0, **more: object
) -> Answer:
    play.forget()
    play.ask("try", targets=(device,), wish=wish, **more)
    play.run(wait)
    answers = play.answers()
    assert len(answers) == 1
    return answers[0]


ON, OFF = ("switch", True), ("switch", False)
FORTY = ("level", 40.0)


def test_a_plug_in_a_dark_set_comes_on_alone_recorded_and_named_as_still_on() -> None:
    play = linked()
    answer = tried(play, "lamp-plug", ON)
    assert answer.code == 0
    assert "confirmed by its own report" in answer.text
    assert "stays on until `try lamp-plug off` or `down`" in answer.text
    assert [device for _, device, _ in play.tells()] == ["lamp-plug"]
    phases = [e.phase for _, e in play.effects if isinstance(e, StepNote)]
    assert phases == ["intended", "sent", "confirmed"]
    notes = [e for _, e in play.effects]
    intended = next(i for i, e in enumerate(notes) if isinstance(e, StepNote))
    assert intended < next(i for i, e in enumerate(notes) if isinstance(e, Tell))
    assert play.state == "dark"
    view = state_view(play.controller, play.now, lambda at: at)
    assert [on["device"] for on in view["still_on"]] == ["lamp-plug"]  # type: ignore[attr-defined]
    play.ask("down")
    play.run(30.0)
    assert play.tells("lamp-plug")[-1][2] == (OFF,)


def test_a_light_without_mains_is_not_switched_on_by_its_plug_in_silence() -> None:
    play = linked()
    answer = tried(play, "key", FORTY)
    assert (answer.code, play.tells()) == (1, [])
    assert "lamp-plug feeds key" in answer.text
    assert "`try lamp-plug on` first" in answer.text


def test_in_a_ready_set_it_is_adrift_at_once_and_nobody_fights_it() -> None:
    play = ready()
    play.ask("try", targets=("edge",), wish=FORTY)
    assert play.state == "adrift"  # told otherwise is not as asked any more
    play.run(120.0)
    answer = play.answers()[-1]
    assert answer.code == 0
    assert "the look has its level otherwise" in answer.text
    assert [(d.device, d.point) for d in play.drifts("opened")] == [("edge", "level")]
    assert ("restore", "begun") not in play.runs()  # though its profile restores three times
    assert play.state == "adrift"
    play.ask("restore")
    play.run(30.0)
    assert play.state == "ready"


def test_tried_to_where_it_is_wanted_the_set_is_ready_again_by_proof_alone() -> None:
    play = ready()
    answer = tried(play, "key", ("level", 64.0))
    assert answer.code == 0
    assert play.state == "ready"
    assert play.states() == ["adrift", "ready"]


def test_from_dark_no_try_leads_to_ready() -> None:
    play = linked()
    tried(play, "lamp-plug", ON)
    play.run(5.0)
    for name, level in (("key", 64.0), ("edge", 30.0)):
        assert tried(play, name, ("level", level)).code == 0
        assert tried(play, name, ("cct", 4300.0)).code == 0
    assert play.state == "dark"
    assert play.states() == []


def test_a_run_under_way_or_a_camera_that_rolls_refuses_it() -> None:
    play = linked(corner())
    play.ask("up")
    answer = tried(play, "key", FORTY, wait=0.0)
    assert "'up' is under way" in answer.text
    play.run(120.0)
    assert play.state == "ready"
    play.report("camera", "rolling", True)
    answer = tried(play, "key", FORTY, force=True)
    assert (answer.code, play.tells("key")) == (1, [])
    assert "camera is rolling" in answer.text


def test_a_camera_that_begins_to_roll_in_the_middle_ends_it() -> None:
    play = linked(corner())
    play.ask("up")
    play.run(120.0)
    play.forget()
    play.deaf.add("key")
    play.ask("try", targets=("key",), wish=FORTY)
    play.report("camera", "rolling", True)
    told = len(play.tells("key"))
    play.run(30.0)
    assert len(play.tells("key")) == told
    assert play.answers()[-1].code == 1
    assert "camera has begun to roll" in play.answers()[-1].text
    assert play.controller.run is None  # nobody waits there until the take is over


@pytest.mark.parametrize("target", ["key", "lamp-plug"])
def test_a_lockout_refuses_what_energises_and_not_what_switches_off(target: str) -> None:
    play = ready()
    play.ask("lockout", targets=(target,), by="Ana", why="a bulb")
    for device, wish in (("key", FORTY), ("key", ON), ("lamp-plug", ON)):
        answer = tried(play, device, wish)
        assert (answer.code, play.tells()) == (1, []), device
        assert "locked out by Ana" in answer.text
    assert tried(play, "lamp-plug", OFF).code == 0


def test_a_lockout_that_comes_while_the_disk_writes_is_met_before_it_is_told() -> None:
    play = linked()
    play.writes = False
    play.ask("try", targets=("lamp-plug",), wish=ON)
    play.ask("lockout", targets=("key",), by="Ana", why="a bulb")
    play.writes = True
    from studiobridge.control.events import Noted

    play.give(Noted(play.now, play.controller.run.number, 1))  # type: ignore[union-attr]
    play.run(10.0)
    assert play.tells() == []
    assert "locked out by Ana" in play.answers()[-1].text


def test_a_load_beyond_its_circuit_is_refused_by_what_is_tried_and_not_by_the_look() -> None:
    # 10 A carry 8 A for long; at 40 % of 3000 W the look asks for 7.2 A
    made = profile(
        plug("lamp-plug"),
        fixture("key", "lamp-plug", draws=3000.0, inrush=0.0, power_factor=0.99),
        looks={"day": {"key": Preset(40.0, 4300.0)}},
    )
    circuits = {n: replace(c, breaker=10.0) for n, c in made.circuits.items()}
    play = ready(replace(made, circuits=circuits))
    answer = tried(play, "key", ("level", 90.0))
    assert (answer.code, play.tells("key")) == (1, [])
    assert "carries 8.0 A for long" in answer.text
    assert tried(play, "key", ("level", 45.0)).code == 0


def test_an_inrush_the_breaker_may_not_bear_is_refused() -> None:
    made = profile(plug("lamp-plug"), fixture("key", "lamp-plug", inrush=80.0))
    answer = tried(linked(made), "lamp-plug", ON)
    assert answer.code == 1
    assert "may trip at once" in answer.text


def test_amps_come_after_their_sources_and_go_before_them() -> None:
    play = linked(corner())
    answer = tried(play, "amp-plug", ON)
    assert (answer.code, play.tells()) == (1, [])
    assert "monitors comes on after mixer: `try desk-plug on` first" in answer.text
    assert tried(play, "desk-plug", ON).code == 0
    assert tried(play, "amp-plug", ON).code == 0
    again = tried(play, "desk-plug", OFF)
    assert (again.code, play.tells()) == (1, [])
    assert tried(play, "amp-plug", OFF).code == 0


@pytest.mark.parametrize(
    ("device", "why"), [("pc-plug", "is a computer"), ("desk-plug", "is a camera")]
)
def test_the_mains_of_what_would_lose_something_are_not_taken(device: str, why: str) -> None:
    play = linked(corner())
    play.ask("up")
    play.run(120.0)
    answer = tried(play, device, OFF)
    assert (answer.code, play.tells(device)) == (1, [])
    assert why in answer.text


def test_a_lamp_that_cools_keeps_its_plug() -> None:
    play = linked(corner())
    play.ask("up")
    play.run(120.0)
    answer = tried(play, "lamp-plug", OFF)
    assert (answer.code, play.tells("lamp-plug")) == (1, [])
    assert "fill cools down" in answer.text


def test_one_that_does_not_answer_is_told_again_given_up_and_noted() -> None:
    play = linked()
    play.deaf.add("lamp-plug")
    answer = tried(play, "lamp-plug", ON, wait=60.0)
    assert answer.code == 1
    assert "did not confirm" in answer.text
    assert play.steps("failed") == [("lamp-plug", "power on")]
    assert len(play.tells("lamp-plug")) == play.profile.patience.tries


def test_what_never_says_so_is_told_and_not_called_confirmed() -> None:
    mute = fixture("rim", "lamp-plug", hears=frozenset(), can_ask=False, boots_in=0.0)
    made = profile(plug("lamp-plug"), mute, looks={"day": {"rim": Preset(50.0, 4300.0)}})
    play = linked(made)
    tried(play, "lamp-plug", ON)
    answer = tried(play, "rim", FORTY)
    assert answer.code == 0
    assert answer.detail["outcome"] == "waited out"
    assert "nothing confirms it" in answer.text


def test_what_went_off_with_its_plug_is_not_called_confirmed_by_its_own_report() -> None:
    play = ready()
    play.deaf.add("key")
    play.ask("try", targets=("key",), wish=OFF)
    play.run(0.5)
    play.report("lamp-plug", "switch", False)  # somebody's hand
    play.run(20.0)
    (answer,) = play.answers()
    assert "off at its feed" in answer.text
    assert "its own report" not in answer.text


def test_without_a_value_it_is_asked_and_only_a_fresh_word_counts() -> None:
    play = ready()
    answer = tried(play, "key")
    assert answer.code == 0
    assert answer.detail["outcome"] == "heard"
    assert play.tells() == []
    assert play.state == "ready"
    play.deaf.add("key")
    again = tried(play, "key", wait=60.0)  # it spoke a moment ago, and does not now
    assert again.code == 1
    assert "did not report" in again.text


def test_a_link_that_is_lost_in_the_middle_ends_it_and_nothing_goes_on_later() -> None:
    play = linked()
    play.deaf.add("lamp-plug")
    play.forget()
    play.ask("try", targets=("lamp-plug",), wish=ON)
    play.run(0.5)
    play.link_down()
    told = len(play.tells())
    play.deaf.clear()
    play.run(5.0)
    play.link_up()
    play.run(60.0)
    assert len(play.tells()) == told
    assert play.answers()[-1].code == 1
    assert "the link was lost" in play.answers()[-1].text
    assert ("try", "turned") in play.runs()
    assert play.state == "dark"


def test_the_same_device_is_not_told_faster_than_one_may_look_at() -> None:
    play = linked()
    assert tried(play, "lamp-plug", ON, wait=0.1).code == 0
    answer = tried(play, "lamp-plug", OFF, wait=0.0)
    assert (answer.code, play.tells()) == (1, [])
    assert "nothing here flashes" in answer.text
    play.run(0.6)
    assert tried(play, "lamp-plug", OFF).code == 0


def test_a_blink_dips_slowly_goes_back_and_leaves_the_set_as_it_was() -> None:
    play = ready()
    answer = tried(play, "key", blink=True, wait=60.0)
    assert answer.code == 0
    told = [(at, dict(values)["level"]) for at, _, values in play.tells("key")]  # type: ignore[call-overload]
    assert [level for _, level in told] == [32.0, 64.0] * BLINKS
    assert BLINKS <= 5
    # away and back again is one cycle: never two changes within half a second
    times = [at for at, _ in told]
    assert min(b - a for a, b in itertools.pairwise(times)) >= 0.5
    assert min(b - a for a, b in itertools.pairwise(times[::2])) >= 1.0
    assert ON not in [value for _, _, values in play.tells("key") for value in values]
    assert play.state == "ready"


def test_a_blink_gets_back_though_a_dip_was_not_confirmed() -> None:
    play = ready()
    play.deaf.add("key")
    play.forget()
    play.ask("try", targets=("key",), blink=True)
    play.run(100.0)
    assert play.tells("key")[-1][2] == (("level", 64.0),)
    assert play.answers()[-1].code == 1
    assert "look at it" in play.answers()[-1].text


def test_what_boots_cools_or_would_lose_something_never_blinks() -> None:
    play = linked(corner())
    play.ask("up")
    play.run(120.0)
    for device in ("lamp-plug", "pc-plug", "desk-plug", "amp-plug", "lesson-pc", "camera"):
        answer = tried(play, device, blink=True)
        assert answer.code in (1, 2), device
        assert play.tells() == [], device


def test_a_plug_of_a_bare_lamp_blinks_by_switching() -> None:
    made = profile(plug("strip-plug"), on_plug("strip", "light", "strip-plug"))
    play = linked(made)
    play.report("strip-plug", "switch", False)
    answer = tried(play, "strip-plug", blink=True, wait=60.0)
    assert answer.code == 0
    assert [values for _, _, values in play.tells()] == [(ON,), (OFF,)] * BLINKS


@pytest.mark.parametrize(
    ("targets", "wish", "blink"),
    [((), ON, False), (("key", "edge"), ON, False), (("key",), ON, True), (("strip",), ON, False)],
)
def test_what_is_no_try_is_refused_as_bad_input(
    targets: tuple[str, ...], wish: object, blink: bool
) -> None:
    play = ready()
    play.ask("try", targets=targets, wish=wish, blink=blink)
    assert play.answers()[-1].code == 2
    assert play.tells() == []


def test_a_try_waits_until_the_devices_were_heard() -> None:
    play = Play(shelf())
    play.obedient = False
    from studiobridge.control.events import LinkUp

    play.give(LinkUp(0.0))
    play.ask("try", targets=("lamp-plug",), wish=ON)
    assert play.tells() == []
    play.obedient = True
    play.run(20.0)
    assert [device for _, device, _ in play.tells()] == ["lamp-plug"]


def test_what_was_tried_and_left_on_in_a_dark_set_goes_down_with_the_left_on_guard() -> None:
    play = linked(shelf(left_on=LeftOn(600.0, "down")))
    tried(play, "lamp-plug", ON)
    play.run(700.0)
    assert play.tells("lamp-plug")[-1][2] == (OFF,)


@pytest.mark.parametrize("state", ["dark", "stalled", "ready"])
def test_a_try_that_was_cut_short_by_a_restart_is_not_taken_up_again(state: str) -> None:
    session = 3 if state == "ready" else None
    look = "day" if session else None
    play = Play(shelf(), Memory(state=state, look=look, session=session, next_session=4, run="try"))
    play.on["lamp-plug"] = True
    play.link_up()
    play.run(60.0)
    assert play.tells() == []
    assert play.runs() == []
    assert (
        play.state
        in {"dark": ["dark"], "stalled": ["stalled"], "ready": ["ready", "adrift"]}[state]
    )


def test_what_never_says_so_and_was_tried_otherwise_keeps_the_set_from_ready() -> None:
    mute = fixture("rim", "lamp-plug", hears=frozenset(), can_ask=False, proof="none", fade=0.0)
    made = profile(plug("lamp-plug"), mute, looks={"day": {"rim": Preset(50.0, 4300.0)}})
    play = ready(made)
    tried(play, "rim", FORTY, wait=60.0)
    assert play.state == "adrift"
    assert "rim was tried otherwise" in play.controller.why
    play.ask("restore")
    play.run(30.0)
    assert dict(play.tells("rim")[-1][2])["level"] == 50.0
    assert play.state == "ready"

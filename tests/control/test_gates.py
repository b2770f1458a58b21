"""The interlocks, each where it is the last thing that stands in the way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control.effects import Tell
from studiobridge.control.events import LinkUp, Unreadable
from studiobridge.control.rolling import WORD_HOLDS
from studiobridge.profile.model import Circuit, Preset, SetProfile
from tests.control.play import Play, corner, fixture, on_plug, plug, profile
from tests.control.test_people import locked_out, with_a_mute_camera
from tests.control.test_shown import METERED, brought_up, changed


def on_a_breaker(made: SetProfile, amps: float, curve: str = "B") -> SetProfile:
    return replace(made, circuits={"wall": Circuit("wall", amps, curve, 0.5)})  # type: ignore[arg-type]


def heard(play: Play, **switches: bool) -> Play:
    for name, on in switches.items():
        play.report(name, "switch", on)
    return play


def silent(made: SetProfile, **switches: bool) -> Play:
    """Nobody says anything but these plugs."""
    play = Play(made, obedient=False)
    play.link_up()
    return heard(play, **switches)


def later(play: Play, seconds: float) -> None:
    """Time passes, and something that does not matter happens then."""
    play.run(seconds)
    play.give(Unreadable(play.now, None, "a/b", "nonsense"))


# ---- lockouts (law 1) ------------------------------------------------------------------------


def test_a_locked_out_light_that_is_lit_is_not_changed() -> None:
    play = brought_up()
    locked_out(play, "key")
    play.ask("up", look="dusk")
    play.run(30)
    assert play.tells("key") == []
    assert "key is locked out by Ana: a cable" in play.answers()[-1].text


def test_a_light_locked_out_in_the_middle_of_its_fade_is_left_as_it_is() -> None:
    made = profile(
        plug("p"),
        fixture("key", "p", knows_fade=False, fade=6.0),
        looks={"day": {"key": Preset(80.0, 4000.0)}},
    )
    play = Play(made)
    play.link_up()
    play.ask("up")
    play.run(6.5)
    assert 5 < len(play.tells("key")) < 20
    locked_out(play, "key")
    play.forget()
    play.run(30)
    assert play.tells() == []
    assert ("key", "set") in play.steps("skipped")
    assert play.state == "stalled"


def test_who_locked_a_device_itself_is_named_before_who_locked_what_it_feeds() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("lockout", targets=("key",), by="Ben", why="a bulb")
    locked_out(play, "lamp-plug")
    assert play.controller.gates.why_locked("lamp-plug", energise=True) == (
        "lamp-plug is locked out by Ana: a cable"
    )
    play.ask("release", targets=("lamp-plug",))
    assert play.controller.gates.why_locked("lamp-plug", energise=True) == (
        "key is locked out by Ben: a bulb"
    )
    # it may go off: that is what a lockout is glad of
    assert play.controller.gates.why_locked("lamp-plug", energise=False) is None


# ---- cameras (law 2) -------------------------------------------------------------------------


def test_a_forced_restore_that_lost_its_link_waits_for_the_camera() -> None:
    """Who insisted did so before the link was lost; a camera has started since."""
    play = brought_up()
    play.report("key", "level", 90.0)
    play.run(5)
    play.deaf.add("key")
    play.ask("restore", force=True)
    play.run(0.2)
    assert play.tells("key")
    play.link_down()
    play.deaf.clear()
    play.forget()
    play.give(LinkUp(play.now))
    play.report("camera", "rolling", True)
    play.run(20)
    assert play.tells() == []
    play.report("camera", "rolling", False)
    play.run(20)
    assert {name for _, name, _ in play.tells()} <= {"key"}
    assert play.state == "ready"


def test_a_word_that_a_camera_stopped_holds_while_one_walks_to_the_switch() -> None:
    for walked, goes in ((WORD_HOLDS - 5.0, True), (WORD_HOLDS + 5.0, False)):
        play = brought_up(with_a_mute_camera(), meters_itself=True)
        play.run(1000)
        play.ask("rolling_off")
        play.run(walked)
        play.forget()
        play.ask("down")
        play.run(5)
        assert bool(play.tells()) is goes


def test_of_a_camera_with_a_battery_its_own_switch_says_that_it_is_off() -> None:
    made = with_a_mute_camera()
    hears = frozenset({"switch", "online"})
    play = brought_up(changed(made, "camera", battery=True, speaks="c", hears=hears))
    play.report("camera", "switch", True)
    assert play.controller.gates.unsure(play.now) == "camera"
    play.report("camera", "switch", False)
    assert play.controller.gates.unsure(play.now) is None


def test_a_camera_with_a_battery_may_roll_though_its_plug_is_off() -> None:
    play = silent(changed(with_a_mute_camera(), "camera", battery=True))
    for name in ("lamp-plug", "pc-plug", "amp-plug", "desk-plug"):
        play.report(name, "switch", False, retained=True)
    assert play.controller.gates.unsure(play.now) == "camera"


def test_a_camera_on_a_plug_that_was_last_heard_off_is_not_asked_about() -> None:
    play = silent(with_a_mute_camera())
    assert play.controller.gates.unsure(play.now) == "camera"
    play.report("desk-plug", "switch", False, retained=True)
    assert play.controller.gates.unsure(play.now) is None


# ---- circuits (law 3) ------------------------------------------------------------------------


def two_lamps(**more: object) -> SetProfile:
    return profile(
        plug("a", inrush=1.0),
        plug("b"),
        on_plug("one", "light", "a", draws=920.0, inrush=20.0, power_factor=1.0),
        on_plug("two", "light", "b", draws=690.0, inrush=20.0, power_factor=1.0),
    )


def test_what_a_plug_itself_feeds_does_not_run_when_it_is_switched_on() -> None:
    """B 8 A: at once from 24 A. 21 A of inrush are fine alone, not on top of 3 A (690 W)."""
    play = silent(on_a_breaker(two_lamps(), 8.0), b=False)
    assert play.controller.gates.why_refused("power on", "a", False) is None
    heard(play, b=True)
    refused = str(play.controller.gates.why_refused("power on", "a", False))
    assert "asks up to 21 A of circuit wall on top of 3.0 A" in refused
    assert "B 8 A breaker may trip at once from 24 A" in refused


def test_what_is_on_already_makes_no_inrush() -> None:
    made = changed(two_lamps(), "one", draws=690.0, inrush=20.0)
    play = silent(on_a_breaker(made, 8.0), a=True, b=True)
    assert play.controller.gates.why_refused("power on", "a", False) is None


def test_what_cannot_be_switched_makes_no_inrush_when_it_is_set() -> None:
    level = frozenset({"level"})
    made = on_a_breaker(
        profile(plug("p"), fixture("strip", "p", tells=level, hears=level, inrush=400.0)), 8.0
    )
    play = silent(made, p=True)
    assert play.controller.gates.why_refused("set", "strip", False) is None


def test_the_load_for_long_is_four_fifths_of_the_breaker_and_no_watt_more() -> None:
    """8 A at 230 V carry 1472 W for long (80 %): 920 W and 552 W, and not 553."""
    for watts, fits in ((552.0, True), (553.0, False)):
        made = changed(changed(two_lamps(), "two", draws=watts, inrush=0.0), "one", inrush=0.0)
        play = silent(on_a_breaker(made, 8.0, "D"), a=False, b=True)
        refused = play.controller.gates.why_refused("power on", "a", False)
        assert (refused is None) is fits
        if not fits:
            assert "would be asked for 6.4 A" in str(refused)
            assert "8 A breaker carries 6.4 A" in str(refused)


def test_a_light_counts_by_the_higher_of_where_it_is_and_where_it_goes() -> None:
    dial = on_plug("dial", "light", "p", hand_set=True, draws=200.0)
    made = profile(
        plug("p"),
        fixture("key", "p", draws=100.0),
        dial,
        looks={"day": {"key": Preset(40.0, 4000.0), "dial": Preset(50.0, None)}},
    )
    play = silent(made, p=True)
    gates, day = play.controller.gates, made.looks["day"].presets
    # their share of full, and 4 x (1 - x) of a tenth of it as drivers take when dimmed
    assert gates.draw("key", day) == pytest.approx(49.6)
    play.report("key", "level", 70.0)
    assert gates.draw("key", day) == pytest.approx(78.4)
    play.report("key", "level", 10.0)
    assert gates.draw("key", day) == pytest.approx(49.6)
    assert gates.draw("key", {}) == 100.0  # no preset: anything may be asked of it
    assert gates.draw("dial", day) == 120.0
    # volt-amperes: lights of more than 25 W have a power factor of 0.9 where nothing else is said
    assert gates.asked_of("wall", day) == pytest.approx((49.6 + 120.0) / 0.9)
    play.report("p", "switch", False)
    assert gates.asked_of("wall", day) == 0.0


def test_a_light_with_a_table_counts_by_what_was_metered_and_the_most_it_may_take() -> None:
    """60 W at 50 %, by hand: not half of 100, and with age and the meter's last digit above it."""
    table = ((0.0, 4.0), (50.0, 60.0), (100.0, 100.0))
    of_key: dict[str, object] = {"draws": 100.0, "draws_at": table, "standby": 4.0}
    made = profile(
        plug("p"),
        fixture("key", "p", **of_key),
        looks={"day": {"key": Preset(50.0, 4000.0)}},
    )
    play = silent(made, p=True)
    gates, day = play.controller.gates, made.looks["day"].presets
    assert 60.0 <= gates.draw("key", day) <= 60.0 * 1.05
    play.report("key", "level", 100.0)
    assert 100.0 <= gates.draw("key", day) <= 105.0
    assert 100.0 <= gates.draw("key", {}) <= 105.0  # no preset: anything may be asked of it
    full = replace(made.devices["key"], comes_back="full")
    gates = silent(replace(made, devices={**made.devices, "key": full}), p=True).controller.gates
    assert 100.0 <= gates.draw("key", day) <= 105.0


# ---- amps (law 4) ----------------------------------------------------------------------------


def test_a_source_is_not_cut_while_its_amp_may_be_on_and_one_that_stays_on_is_let_be() -> None:
    play = brought_up()
    refused = str(play.controller.gates.why_refused("power off", "desk-plug", False))
    assert refused.startswith("monitors may still be on")
    assert "switch monitors off first" in refused
    assert play.controller.gates.why_refused("power off", "desk-plug", True) is None  # a cut
    assert play.controller.gates.why_refused("switch off", "mixer", False) == refused
    assert play.controller.gates.why_refused("power off", "lamp-plug", False) is not None  # hot
    play.report("amp-plug", "switch", False)
    assert play.controller.gates.why_pops("desk-plug") is None
    play = brought_up(changed(corner(), "monitors", stays_on=True))
    assert play.controller.gates.why_pops("desk-plug") is None


def test_an_amp_on_the_plug_of_its_source_goes_with_it() -> None:
    made = profile(plug("p"), on_plug("mixer", "audio", "p"), on_plug("monitors", "amp", "p"))
    play = brought_up(made)
    assert play.controller.gates.why_pops("p") is None


# ---- computers and fans (laws 5 and 6) -------------------------------------------------------


def test_of_what_hangs_on_a_plug_the_one_that_would_be_hurt_is_found() -> None:
    made = corner()
    pc = replace(made.devices["lesson-pc"], fed_by="lamp-plug", feeds=("lamp-plug",))
    play = brought_up(replace(made, devices={**made.devices, "lesson-pc": pc}))
    gates = play.controller.gates
    assert "fill cools down for another 20 s" in str(gates.why_not_cut("lamp-plug"))
    play.report("fill", "level", 0.0)
    later(play, 5)
    assert "fill cools down for another 15 s" in str(gates.why_not_cut("lamp-plug"))
    later(play, 15.1)
    assert "lesson-pc has not said it is down" in str(gates.why_not_cut("lamp-plug"))
    play.report("lesson-pc", "down", True)
    assert gates.why_not_cut("lamp-plug") is None


def test_a_computer_on_a_plug_below_that_is_off_does_not_hold_the_plug_above() -> None:
    inner = plug("inner", fed_by="outer", feeds=("outer",))
    pc = replace(corner().devices["lesson-pc"], fed_by="inner", feeds=("inner", "outer"))
    play = silent(profile(plug("outer"), inner, pc), outer=True, inner=True)
    assert "lesson-pc" in str(play.controller.gates.why_not_cut("outer"))
    heard(play, inner=False)
    assert play.controller.gates.why_not_cut("outer") is None


def test_a_lamp_that_speaks_is_believed_before_the_plug_that_says_it_is_off() -> None:
    """A plug said off by mistake: its lamp goes on speaking, is lit, and has to cool."""
    inner = plug("inner", fed_by="outer", feeds=("outer",))
    lamp = fixture("key", "inner", cools_in=20.0)
    made = profile(plug("outer"), inner, replace(lamp, feeds=("inner", "outer")))
    play = silent(made, outer=True, inner=True)
    play.report("key", "level", 60.0)
    heard(play, inner=False)
    later(play, 60)
    assert play.controller.gates.why_not_cut("outer") is None  # off for a minute: cold
    play.report("key", "level", 60.0)
    assert "key cools down" in str(play.controller.gates.why_not_cut("outer"))
    heard(play, inner=False)  # so it is: from now on, as far as anybody knows
    later(play, 5)
    assert "key cools down for another 15 s" in str(play.controller.gates.why_not_cut("outer"))
    later(play, 15.1)
    assert play.controller.gates.why_not_cut("outer") is None


def test_what_speaks_against_a_computer_being_down_is_said_with_what_it_draws() -> None:
    play = silent(corner(), **{"pc-plug": True})
    why = play.controller.gates.why_not_down
    assert why("lesson-pc") == "has not said it is down"
    play.report("pc-plug", "watts", 4.0)
    assert why("lesson-pc") == "has not said it is down, still drawing 4 W (idle is under 4 W)"
    play.report("pc-plug", "watts", 3.9)
    assert "draws 3.9 W, but not yet for 5 s by two samples" in why("lesson-pc")
    play = silent(changed(corner(), "lesson-pc", idle_below=None), **{"pc-plug": True})
    play.report("pc-plug", "watts", 31.0)
    assert play.controller.gates.why_not_down("lesson-pc") == (
        "has not said it is down, still drawing 31 W"
    )


# ---- to the gear -----------------------------------------------------------------------------


def test_a_command_lives_as_long_as_an_answer_is_waited_for_and_no_less_than_a_second() -> None:
    for reply, expires in ((0.3, 1.0), (3.5, 3.5)):
        made = profile(plug("p", hears=METERED))
        play = Play(replace(made, patience=replace(made.patience, reply=reply)))
        play.link_up()
        play.ask("up")
        play.run(5)
        told = [e for _, e in play.effects if isinstance(e, Tell)]
        assert [e.expires_in for e in told] == [expires]


def test_every_command_has_a_token_of_its_own() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("up")
    play.run(40)
    tokens = [e.token for _, e in play.effects if isinstance(e, Tell)]
    assert len(tokens) > 5
    assert len(set(tokens)) == len(tokens)


def test_a_way_round_the_interlocks_ends_at_the_last_one() -> None:
    """Whoever forgets to ask is stopped where it would be told; off it may go at any time."""
    play = brought_up()
    locked_out(play, "lamp-plug")
    gates, now = play.controller.gates, play.now
    for name, values in (
        ("lamp-plug", (("switch", True),)),
        ("key", (("level", 5.0),)),
        ("key", (("level", 0.0), ("switch", False))),
        ("fill", (("switch", True),)),
    ):
        with pytest.raises(AssertionError, match=f"{name} is locked out"):
            gates.tell(now, name, values)  # type: ignore[arg-type]
    gates.tell(now, "lamp-plug", (("switch", False),))
    gates.tell(now, "key", (("switch", False),))


def test_until_a_device_has_settled_after_a_command_its_reports_are_no_drift() -> None:
    made = changed(corner(), "key", answers_in=0.5, fade=3.0)
    play = brought_up(made)
    play.obedient = False
    at = play.now
    play.controller.gates.tell(at, "key", (("level", 64.0),), 3.0)
    # its fade, what it takes to answer, and its settle time
    settled = 3.0 + 0.5 + made.devices["key"].tolerance.settle
    belief = play.controller.beliefs.of["key"]
    assert belief.quiet_until == pytest.approx(at + settled)
    play.controller.gates.tell(at, "key", (("cct", 4300.0),))
    assert belief.quiet_until == pytest.approx(at + settled)
    play.controller.gates.tell(at + 3.0, "key", (("cct", 4300.0),))
    assert belief.quiet_until == pytest.approx(at + 3.0 + settled - 3.0)
    play.controller.gates.tell(at + 4.0, "key", (("cct", 4300.0),))
    assert belief.quiet_until == pytest.approx(at + 4.0 + settled - 3.0)

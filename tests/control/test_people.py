"""People at the set: a hand in a fixture, a camera that cannot speak, two words at once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control.effects import Memory
from studiobridge.profile.model import Patience, SetProfile
from tests.control.play import Play, corner, fixture, on_plug, plug, profile
from tests.control.test_shown import METERED, brought_up, device, state


def locked_out(play: Play, target: str) -> str:
    play.ask("lockout", targets=(target,), by="Ana", why="a cable")
    assert play.answers()[-1].code == 0
    return play.answers()[-1].text


# ---- lockouts --------------------------------------------------------------------------------


def test_a_lockout_blocks_every_switch_above_it_not_only_the_nearest() -> None:
    inner = plug("inner", fed_by="outer", feeds=("outer",))
    strip = replace(on_plug("strip", "light", "inner"), feeds=("inner", "outer"))
    play = Play(profile(plug("outer"), inner, strip))
    play.link_up()
    locked_out(play, "strip")
    play.ask("up")
    play.run(30)
    assert play.tells() == []


def test_a_lockout_names_everything_it_covers_that_is_not_known_to_be_off() -> None:
    dials = [on_plug(f"dial-{i}", "light", "p", hand_set=True) for i in range(3)]
    play = brought_up(profile(plug("p"), *dials, fixture("key", "p")))
    text = locked_out(play, "dial-0")
    assert "CAREFUL: dial-0 is on now" in text
    text = locked_out(play, "p")
    for name in ("p", "dial-0", "dial-1", "dial-2"):
        assert name in text.split("CAREFUL:")[1]


def test_a_lockout_of_what_is_off_is_a_plain_yes() -> None:
    play = Play(profile(plug("p"), on_plug("dial", "light", "p", hand_set=True)))
    play.link_up()
    assert "CAREFUL" not in locked_out(play, "dial")
    assert "CAREFUL" not in locked_out(play, "p")


def test_a_lockout_of_what_nobody_heard_is_no_plain_yes() -> None:
    play = Play(profile(plug("p"), fixture("key", "p")), obedient=False)
    play.link_up()
    assert "not known to be off" in locked_out(play, "key")


def test_a_lockout_says_what_was_told_on_and_has_not_answered() -> None:
    play = Play(profile(plug("p"), fixture("key", "p")), obedient=False)
    play.link_up()
    play.report("p", "switch", False)
    play.ask("up")
    play.run(0.4)
    assert play.tells("p")
    text = locked_out(play, "key")
    assert "told on 0.4 s ago and has not answered: treat it as live until it says off" in text
    play.report("p", "switch", False)  # it may have said so before it read the command
    assert "CAREFUL" in locked_out(play, "key")
    play.run(30)
    play.report("p", "switch", False)
    assert "CAREFUL" not in locked_out(play, "key")


def test_a_lockout_of_a_plug_that_says_off_and_draws_says_so() -> None:
    play = Play(profile(plug("p", hears=METERED), on_plug("strip", "light", "p")), obedient=False)
    play.link_up()
    play.report("p", "switch", False)
    play.run(1)
    play.report("p", "watts", 58.0)
    assert "58 W still flow" in locked_out(play, "p")


# ---- cameras that cannot say -----------------------------------------------------------------


def with_a_mute_camera() -> SetProfile:
    made = corner()
    camera = on_plug("camera", "camera", "desk-plug", closes_in=4.0)
    return replace(made, devices={**made.devices, "camera": camera})


def test_down_asks_of_a_camera_that_cannot_say_whether_it_rolls_and_cuts_nothing() -> None:
    play = brought_up(with_a_mute_camera(), meters_itself=True)
    play.ask("down")
    assert "does camera still roll?" in play.answers(final=False)[-1].text
    play.run(600)
    assert play.tells() == []
    assert play.state == "lowering"

    def waits() -> dict[str, object]:
        (entry,) = state(play)["waiting_for"]  # type: ignore[misc]
        assert (entry["device"], entry["what"]) == ("camera", "roll")
        return entry

    assert "does camera still roll" in str(waits()["why"])
    assert waits()["asks"] is True
    play.ask("down")
    detail = play.answers(final=False)[-1].detail
    assert detail["asks"] == "camera"
    assert "does camera still roll" in str(detail["waits"])
    play.ask("rolling_on", by="Ana")
    assert waits()["asks"] is False  # somebody has said it
    play.ask("rolling_off", by="Ana")
    play.run(3.5)
    assert waits()["asks"] is False  # a file that closes asks nobody
    assert play.tells() == []  # it may have stopped that moment: its file is closing
    play.run(120)
    assert play.state == "dark", play.controller.why


def test_who_says_so_with_the_asking_is_not_asked() -> None:
    play = brought_up(with_a_mute_camera(), meters_itself=True)
    play.ask("down", yes=True)
    play.run(120)
    assert play.state == "dark", play.controller.why


def test_an_old_word_that_it_stopped_says_nothing_about_now() -> None:
    play = brought_up(with_a_mute_camera())
    play.ask("rolling_off")
    play.run(1800)
    play.ask("down")
    play.run(60)
    assert play.tells() == []


def test_a_new_run_up_ends_the_word_that_it_had_stopped() -> None:
    play = brought_up(with_a_mute_camera(), meters_itself=True)
    play.ask("down", yes=True)
    play.run(60)
    play.ask("rolling_off")
    play.ask("up")
    play.run(6)  # its plug is on again, and the word is younger than it holds
    play.forget()
    play.ask("down")
    assert "does camera still roll?" in play.answers(final=False)[-1].text


def test_a_camera_without_mains_is_not_asked_about() -> None:
    play = brought_up(with_a_mute_camera(), meters_itself=True)
    play.ask("cut", yes=True)
    play.run(30)
    play.forget()
    play.ask("down")
    play.run(10)
    assert play.state == "dark"


def test_down_while_rolling_says_what_it_waits_for() -> None:
    play = brought_up()
    play.report("camera", "rolling", True)
    play.ask("down", id="one")
    play.ask("down", id="two")
    for answer in play.answers(final=False)[-2:]:
        assert "camera is rolling" in answer.text
        assert "about 0 s" not in answer.text


# ---- the rest ----------------------------------------------------------------------------------


def test_a_refused_request_that_comes_again_after_a_restart_is_refused_again() -> None:
    play = Play(corner(), Memory(answered=(("r1", 2, "no look 'noon' in this set"),)))
    play.link_up()
    play.ask("up", look="noon", id="r1")
    assert (play.answers()[-1].code, play.tells()) == (2, [])


def test_a_computer_that_is_not_idle_is_refused_with_what_its_plug_meters() -> None:
    play = brought_up()
    play.deaf.add("lesson-pc")
    play.report("pc-plug", "watts", 38.0)
    play.ask("down")
    for _ in range(40):
        play.run(5)
        play.report("pc-plug", "watts", 38.0)
    text = play.answers()[-1].text
    assert "still drawing 38 W (idle is under 4 W)" in text


def test_what_flowed_while_the_link_was_lost_is_not_made_up() -> None:
    play = brought_up(profile(plug("p", hears=METERED), fixture("key", "p")))
    play.report("p", "watts", 100.0)
    play.run(36)
    play.report("p", "watts", 100.0)
    used = play.controller.standing.session.kwh
    assert used == pytest.approx(100.0 * 36 / 3.6e6)
    play.link_down()
    play.run(3600)
    play.link_up()
    play.report("p", "watts", 100.0)
    assert play.controller.standing.session.kwh == pytest.approx(used)


def test_what_a_session_used_is_written_down_while_it_lasts() -> None:
    play = brought_up(profile(plug("p", hears=METERED), fixture("key", "p")))
    for _ in range(14):
        play.report("p", "watts", 100.0)
        play.run(10)
    notes = [e for _, e in play.effects if type(e).__name__ == "SessionNote"]
    assert [n.phase for n in notes] == ["metered"] * len(notes)  # type: ignore[attr-defined]
    assert len(notes) == 2


def test_a_kept_report_does_not_take_the_place_of_a_fresh_one() -> None:
    play = brought_up()
    play.report("key", "level", 64.0)
    play.report("key", "level", 20.0, retained=True)
    play.run(10)
    assert play.drifts("opened") == []
    assert device(play, "key")["level"] == 64.0


def test_after_a_run_is_turned_the_circuit_waits_until_its_command_has_expired() -> None:
    made = profile(plug("a"), plug("b"), fixture("key", "a"))
    play = Play(made, obedient=False)
    play.link_up()
    for name in ("a", "b"):
        play.report(name, "switch", False)
    play.ask("up")
    first = play.tells()[-1]
    play.ask("down")
    play.run(0.1)
    play.forget()
    play.ask("up")
    play.run(20)
    second = next(at for at, _, values in play.tells() if values == (("switch", True),))
    gap = made.circuits["wall"].gap
    assert second - first[0] >= made.patience.reply + gap - 1e-9


def test_a_bridge_that_starts_again_waits_for_a_file_that_may_still_be_closing() -> None:
    memory = Memory(
        state="ready", look="day", session=3, next_session=4, stopped=frozenset({"camera"})
    )
    play = Play(corner(), memory)
    play.on = dict.fromkeys(("lamp-plug", "pc-plug", "desk-plug", "amp-plug"), True)
    play.profile = corner(patience=Patience(listen=0.5))
    play.controller = type(play.controller)(play.profile, memory, 0.0)
    play.link_up()
    play.ask("down")
    closes = play.profile.devices["camera"].closes_in
    play.run(closes - 1.0 - play.now)
    assert play.tells() == []
    play.run(5)
    assert play.tells() != []

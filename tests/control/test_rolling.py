"""Whether a camera rolls that cannot say so: by its watts, and by the word of a person."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control.effects import Memory, RollingNote
from studiobridge.control.rolling import ASKED_AGAIN, SAMPLE_HOLDS, WORD_HOLDS
from studiobridge.control.views import device_view, state_view
from studiobridge.profile.model import LeftOn, Preset, Rolls, SetProfile
from tests.control.play import Play, fixture, on_plug, plug, profile

WAITS, ROLLS = 7.9, 9.1  # W: what the camera takes, on either side of 8.5


def wall(at: float) -> float:
    return 1_800_000_000.0 + at


def shelf(can_ask: bool = True) -> SetProfile:
    """A lamp, and a camera alone on a plug that meters: it rolls from 8.5 W."""
    metered = frozenset({"switch", "watts", "online"})
    return profile(
        plug("lamp-plug"),
        plug("eye-plug", hears=metered, can_ask=can_ask),
        fixture("key", "lamp-plug"),
        on_plug(
            "eye", "camera", "eye-plug", closes_in=4.0, boots_in=1.0, rolls=Rolls("watts", 8.5)
        ),
        looks={"day": {"key": Preset(64.0, 4300.0)}},
    )


def by_hand() -> SetProfile:
    made = shelf()
    eye = replace(made.devices["eye"], rolls=Rolls("hand"))
    return replace(made, devices={**made.devices, "eye": eye})


class Shelf(Play):
    """What the plug of the camera meters comes when it is asked, as long as it is not mute."""

    draws = WAITS
    mute = False

    def _tell_all(self, name: str) -> None:
        super()._tell_all(name)
        if name == "eye-plug" and not self.mute and self.on.get(name):
            self.later(self.delay, name, "watts", self.draws)

    def samples(self, watts: float, seconds: float, every: float = 2.0) -> None:
        self.draws = watts
        for _ in range(int(seconds / every)):
            self.report("eye-plug", "watts", watts)
            self.run(every)


def brought_up(made: SetProfile) -> Shelf:
    play = Shelf(made, meters_itself=True)
    play.link_up()
    play.report("eye-plug", "online", True)
    play.ask("up")
    play.run(20.0)
    assert play.state == "ready"
    play.forget()
    return play


def eye(play: Play) -> tuple[object, object]:
    view = device_view(play.controller, "eye", play.now, wall)
    return view["rolling"], view["rolling_by"]


def held(play: Play) -> str | None:
    return play.controller.gates.held_by(play.now)


def asks(play: Play) -> list[object]:
    waits = state_view(play.controller, play.now, wall)["waiting_for"]
    return [w["device"] for w in waits if w.get("asks")]  # type: ignore[attr-defined]


# ---- by its watts ------------------------------------------------------------------------------


def test_one_sample_says_that_it_rolls_and_two_that_it_has_stopped() -> None:
    play = brought_up(shelf())
    play.samples(WAITS, 4.0)
    assert eye(play) == (False, "watts")
    play.report("eye-plug", "watts", ROLLS)
    assert eye(play) == (True, "watts")
    assert held(play) == "eye"
    play.run(2.0)
    play.report("eye-plug", "watts", WAITS)
    assert eye(play) == (True, "watts"), "one low sample may be of a moment"
    play.run(2.0)
    play.report("eye-plug", "watts", WAITS)
    assert eye(play) == (False, "watts")
    assert held(play) == "eye", "its file is still closing"
    play.run(4.1)
    assert held(play) is None
    notes = [(e.rolling, e.source) for _, e in play.effects if isinstance(e, RollingNote)]
    assert notes == [(True, "watts"), (False, "watts")]


def test_a_sample_that_comes_twice_is_one() -> None:
    play = brought_up(shelf())
    play.samples(ROLLS, 2.0)
    play.report("eye-plug", "watts", WAITS)
    play.run(0.1)
    play.report("eye-plug", "watts", WAITS)
    assert eye(play)[0] is True


def test_within_what_a_meter_errs_it_is_as_it_was() -> None:
    play = brought_up(shelf())
    play.samples(WAITS, 4.0)
    play.samples(8.4, 6.0)
    assert eye(play) == (False, "watts")
    play.samples(ROLLS, 2.0)
    play.samples(8.4, 6.0)
    assert eye(play) == (True, "watts")


def test_two_low_samples_with_another_between_them_are_not_two_in_a_row() -> None:
    play = brought_up(shelf())
    play.samples(ROLLS, 2.0)
    play.samples(WAITS, 2.0)
    play.samples(8.4, 2.0)
    play.report("eye-plug", "watts", WAITS)
    assert eye(play) == (True, "watts")


@pytest.mark.parametrize(("threshold", "low"), [(8.5, 8.28), (40.0, 39.1)])
def test_a_meter_errs_by_a_fifth_of_a_watt_or_by_two_in_a_hundred(
    threshold: float, low: float
) -> None:
    """Steps of 0.1 to 1 W and 1 to 2 % are common practice; no source."""
    made = shelf()
    film = replace(made.devices["eye"], rolls=Rolls("watts", threshold))
    play = brought_up(replace(made, devices={**made.devices, "eye": film}))
    play.samples(threshold, 2.0)
    play.samples(low + 0.1, 6.0)
    assert eye(play) == (True, "watts")
    play.samples(low, 4.0)
    assert eye(play) == (False, "watts")


def test_what_it_takes_while_it_boots_is_no_take() -> None:
    """It would hold up the run-up that switched it on."""
    play = Shelf(shelf(), meters_itself=True)
    play.link_up()
    play.ask("up")
    play.run(1.0)
    at_once = [e for _, e in play.effects if isinstance(e, RollingNote)]
    assert play.controller.beliefs.of["eye-plug"].last["watts"].value > ROLLS
    assert at_once == []


def test_what_the_broker_kept_is_no_sample() -> None:
    play = brought_up(shelf())
    play.mute = True
    play.run(20.0)
    for _ in range(3):
        play.report("eye-plug", "watts", WAITS, retained=True)
        play.run(2.0)
    assert eye(play) == (None, None)


def test_samples_that_stop_coming_prove_nothing_any_more_and_what_is_shown_says_so() -> None:
    play = brought_up(shelf())
    play.samples(WAITS, 4.0)
    play.mute = True
    play.forget()
    play.run(SAMPLE_HOLDS + 0.2)
    assert eye(play) == (None, None)
    shown = [e for _, e in play.effects if "eye" in getattr(e, "devices", ())]
    assert shown, "it is shown anew, though nothing came in"


def test_a_meter_that_speaks_only_when_asked_is_asked_as_long_as_the_set_is_up() -> None:
    play = brought_up(shelf())
    play.run(60.0)
    assert eye(play) == (False, "watts")
    play.draws = ROLLS
    play.run(SAMPLE_HOLDS + 1.0)
    assert eye(play) == (True, "watts")


def test_down_is_not_held_up_by_a_meter_that_answers() -> None:
    play = brought_up(shelf())
    play.mute = True
    play.run(60.0)
    assert eye(play) == (None, None)
    play.mute = False
    play.ask("down")
    assert play.state == "lowering"
    assert not play.tells("eye-plug")
    assert asks(play) == [], "the meter is asked first"
    play.run(15.0)
    assert play.state == "dark"
    assert asks(play) == []


def test_down_asks_a_person_where_the_meter_is_mute_and_cuts_nothing() -> None:
    play = brought_up(shelf())
    play.mute = True
    play.run(60.0)
    play.ask("down")
    play.run(30.0)
    assert play.state == "lowering"
    assert play.tells() == []
    assert asks(play) == ["eye"]
    play.ask("rolling_off", by="Ana")
    play.run(30.0)
    assert play.state == "dark"


def test_of_a_meter_that_cannot_be_asked_a_person_is_asked_at_once() -> None:
    play = brought_up(shelf(can_ask=False))
    play.run(60.0)
    play.ask("down")
    assert asks(play) == ["eye"]


def test_down_waits_for_a_take_that_only_watts_show() -> None:
    play = brought_up(shelf())
    play.samples(ROLLS, 4.0)
    play.ask("down")
    assert "eye is rolling by what it draws (9.1 W)" in play.answers(final=False)[-1].text
    play.samples(ROLLS, 30.0)
    assert play.tells() == []
    play.samples(WAITS, 6.0)
    play.run(20.0)
    assert play.state == "dark"


def test_a_take_that_begins_in_the_middle_of_a_run_down_keeps_its_power() -> None:
    made = shelf()
    lamp = replace(made.devices["key"], fade=6.0, after=("eye",))  # and so it goes out before
    play = brought_up(replace(made, devices={**made.devices, "key": lamp}))
    play.samples(WAITS, 4.0)
    play.ask("rolling_off", by="Ana")
    play.ask("down")
    play.run(1.0)
    play.samples(ROLLS, 20.0)
    assert not play.tells("eye-plug")
    assert play.state == "lowering"


def test_a_word_that_it_stopped_holds_against_high_watts_for_a_moment_and_no_longer() -> None:
    play = brought_up(shelf())
    play.samples(ROLLS, 4.0)
    play.ask("rolling_off", by="Ana")
    assert held(play) == "eye", "its file closes"
    play.samples(ROLLS, 6.0)
    assert eye(play) == (False, "hand")
    play.samples(ROLLS, WORD_HOLDS)
    assert eye(play) == (True, "watts")


def test_a_rise_of_the_watts_ends_a_word_that_it_stopped_at_once() -> None:
    play = brought_up(shelf())
    play.samples(ROLLS, 4.0)
    play.ask("rolling_off", by="Ana")
    play.report("eye-plug", "watts", WAITS)
    play.run(1.0)
    play.report("eye-plug", "watts", ROLLS)
    assert eye(play) == (True, "watts")


def test_a_word_that_it_rolls_is_believed_until_the_watts_have_seen_the_take_and_its_end() -> None:
    play = brought_up(shelf())
    play.ask("rolling_on", by="Ana")
    play.samples(WAITS, 20.0)
    assert eye(play) == (True, "hand"), "a threshold in a file may be wrong"
    play.samples(ROLLS, 4.0)
    play.samples(WAITS, 4.0)
    assert eye(play) == (False, "watts")


def test_without_its_mains_its_watts_say_nothing_and_the_record_hears_of_it() -> None:
    play = brought_up(shelf())
    play.samples(ROLLS, 4.0)
    play.forget()
    play.report("eye-plug", "switch", False)
    assert eye(play) == (False, "report"), "its plug says off"
    assert [e.rolling for _, e in play.effects if isinstance(e, RollingNote)] == [False]


def test_after_the_link_was_lost_what_rolled_rolls_and_the_rest_is_not_known() -> None:
    for draws, after in ((ROLLS, (True, "watts")), (WAITS, (None, None))):
        play = brought_up(shelf())
        play.mute = True
        play.samples(draws, 4.0)
        play.link_down()
        play.run(1.0)
        play.link_up()
        assert eye(play) == after


def test_a_word_said_again_is_of_another_take() -> None:
    play = brought_up(shelf())
    play.ask("rolling_on", by="Ana")
    play.samples(ROLLS, 4.0)
    play.samples(WAITS, 4.0)
    assert eye(play) == (False, "watts")
    play.ask("rolling_on", by="Ana")
    play.samples(WAITS, 20.0)
    assert eye(play) == (True, "hand")


def test_what_rolled_when_the_bridge_stopped_rolls_until_its_watts_say_otherwise() -> None:
    play = Shelf(shelf(), Memory(rolling=frozenset({"eye"})))
    play.mute = play.on["eye-plug"] = True
    play.link_up()
    assert eye(play) == (True, "watts")
    assert held(play) == "eye"
    play.samples(WAITS, 4.0)
    assert eye(play) == (False, "watts")


def test_who_is_refused_for_a_take_reads_how_it_is_known() -> None:
    play = brought_up(shelf())
    play.samples(ROLLS, 4.0)
    play.ask("up", look="day")
    said = play.answers()[-1]
    assert said.code == 1
    assert "eye is rolling by what it draws (9.1 W): nothing is changed now" in said.text


# ---- by hand -----------------------------------------------------------------------------------


def test_of_a_camera_nobody_spoke_of_nothing_is_known() -> None:
    play = brought_up(by_hand())
    assert eye(play) == (None, None)
    play.ask("rolling_off", by="Ana")
    assert eye(play) == (False, "hand")
    play.forget()
    play.run(WORD_HOLDS + 0.5)
    assert eye(play) == (None, None), "it may have been started again"
    assert any("eye" in getattr(e, "devices", ()) for _, e in play.effects)


def test_who_asks_for_the_way_down_is_told_how_to_say_that_it_has_stopped() -> None:
    play = brought_up(by_hand())
    play.ask("rolling_on", by="Ana")
    play.ask("down")
    text = play.answers(final=False)[-1].text
    assert "eye is rolling, as was said; `rolling off` says when it has stopped" in text


def test_a_word_that_it_rolls_holds_for_hours_and_down_asks_anew() -> None:
    play = brought_up(by_hand())
    play.ask("rolling_on", by="Ana")
    play.run(5 * 3600.0)
    assert eye(play) == (True, "hand")
    play.ask("down")
    text = play.answers(final=False)[-1].text
    assert "eye is rolling, as was said 5.0 h ago; does it still?" in text
    assert asks(play) == ["eye"]
    play.ask("rolling_on", by="Ana")
    assert asks(play) == [], "it was just said again"
    play.run(ASKED_AGAIN - 60.0)
    assert play.tells() == []
    play.ask("rolling_off", by="Ana")
    play.run(30.0)
    assert play.state == "dark"


def test_what_was_said_to_the_bridge_before_is_asked_about_at_once() -> None:
    """Nobody knows how long ago that was."""
    play = Shelf(by_hand(), Memory(state="ready", session=3, rolling=frozenset({"eye"})))
    play.link_up()
    play.report("eye-plug", "switch", True)
    assert eye(play) == (True, "hand")
    play.ask("down")
    assert "as was said before the bridge was started" in play.answers(final=False)[-1].text
    assert asks(play) == ["eye"]
    assert not play.tells()


@pytest.mark.parametrize("made", [shelf(), by_hand()], ids=["watts", "hand"])
def test_a_run_down_that_nobody_asked_for_waits_and_says_so(made: SetProfile) -> None:
    play = Shelf(replace(made, left_on=LeftOn(600.0, "down")), meters_itself=True)
    play.link_up()
    play.ask("up")
    play.run(20.0)
    play.mute = True
    play.forget()
    play.run(3600.0)
    assert play.state == "lowering"
    assert play.tells() == []
    assert asks(play) == ["eye"]


def test_toggle_says_what_is_not_so() -> None:
    play = brought_up(by_hand())
    play.ask("rolling_toggle", by="pedal")
    assert eye(play) == (True, "hand")
    play.run(60.0)
    play.ask("rolling_toggle", by="pedal")
    assert eye(play)[0] is False
    play.run(60.0)
    play.ask("rolling_toggle", by="pedal")
    assert eye(play)[0] is True, "what is not known is taken to begin"

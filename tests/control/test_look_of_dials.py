"""Another look that nothing can be told for: what only a dial can follow is not so by being asked."""

from __future__ import annotations

from studiobridge.control.effects import Announce
from studiobridge.control.runs import GAUGE_WITHIN
from studiobridge.profile.model import Device, Preset, SetProfile
from tests.control.play import Play, plug, profile
from tests.control.test_gauged import METERED, dial, gauge, whole

DAY, DUSK = 30.0, 63.0


def dials(*lamps: Device) -> SetProfile:
    """Two looks that differ by the dials alone; `night` is as `day`, by another name."""
    looks = {
        look: {lamp.name: Preset(level) for lamp in lamps}
        for look, level in (("day", DAY), ("dusk", DUSK), ("night", DAY))
    }
    return profile(plug("lamp-plug", hears=METERED), *lamps, looks=looks)


def ready(*lamps: Device) -> Play:
    play = Play(dials(*lamps), meters_itself=True)
    play.link_up()
    play.ask("up", look="day")
    play.run(4.0)
    for lamp in lamps:
        gauge(play, lamp.name, 29.0, 31.0)
    play.run(5.0)
    assert play.state == "ready"
    play.forget()
    return play


def test_a_look_that_only_dials_differ_in_is_not_ready_by_being_asked_for() -> None:
    play = ready(dial())
    play.ask("up", look="dusk")
    assert play.tells() == []
    assert play.state == "adrift"
    assert "ready" not in play.states()
    answer = play.answers()[-1]
    assert answer.code == 1
    assert (
        "not ready" in answer.text
        and "rim is at 29 to 31 % by its watts, not at 63 %" in answer.text
    )
    gauge(play, "rim", 62.0, 64.0)
    play.run(3.0)
    assert (play.state, whole(play)["look"]) == ("ready", "dusk")


def test_another_look_waits_for_an_instrument_that_says_nothing_now() -> None:
    play = ready(dial())
    play.link_down()
    play.link_up()
    # held as it was, and its watts have not been heard since
    assert play.state != "ready"
    play.forget()
    play.ask("up", look="dusk")
    assert play.state == "rising"
    # what is asked of it now is shown with the look, not when the run is over
    assert any("rim" in e.devices for _, e in play.effects if isinstance(e, Announce))
    play.run(GAUGE_WITHIN + 1.0)
    assert play.state == "adrift"
    assert "ready" not in play.states()


def test_a_dial_that_had_drifted_is_judged_by_the_look_in_force() -> None:
    play = ready(dial())
    gauge(play, "rim", 62.0, 64.0)
    play.run(5.0)
    assert play.state == "adrift"
    play.ask("up", look="dusk")
    assert (play.state, whole(play)["look"]) == ("ready", "dusk")
    assert play.answers()[-1].code == 0
    # and the entry of the look before is over as what it is
    assert [note.how for note in play.drifts("closed")] == ["changed look"]
    play.ask("up", look="day")
    assert play.state == "adrift"
    assert play.drifts("opened")[-1].wanted == DAY


def test_a_dial_that_counts_for_nothing_is_drift_at_once_in_another_look() -> None:
    play = ready(dial(), dial("edge", essential=False))
    gauge(play, "rim", 62.0, 64.0)
    play.run(5.0)
    play.forget()
    play.ask("up", look="dusk")
    assert play.state == "adrift"
    assert [note.device for note in play.drifts("opened")] == ["edge"]
    assert "ready" not in play.states()


def test_the_same_look_by_another_name_is_ready_and_the_record_knows_its_name() -> None:
    play = ready(dial())
    play.ask("up", look="night")
    assert play.tells() == []
    assert (play.state, whole(play)["look"]) == ("ready", "night")
    assert play.answers()[-1].code == 0
    play.forget()
    play.ask("up", look="night")
    assert play.states() == []
    assert play.answers()[-1].text.startswith("already ready: nothing to do")


def test_a_dial_that_is_locked_out_and_stands_otherwise_leaves_no_look_ready() -> None:
    play = ready(dial())
    play.ask("lockout", targets=("rim",), by="Ana", why="a bulb")
    play.ask("up", look="dusk")
    assert play.state == "adrift"
    assert "ready" not in play.states()
    assert "rim is at 29 to 31 % by its watts, not at 63 %" in play.answers()[-1].text
    gauge(play, "rim", 62.0, 64.0)
    play.run(3.0)
    assert play.state == "ready"


def test_a_word_of_a_dial_is_over_when_another_look_asks_it_elsewhere() -> None:
    play = ready(dial(proof="hand"))
    play.ask("set_by_hand", by="Ana")
    assert whole(play)["only_told"] == []
    play.ask("up", look="night")
    assert whole(play)["only_told"] == []  # the same, by another name
    play.ask("up", look="dusk")
    assert whole(play)["only_told"] == ["rim"]
    # somebody may have turned it for dusk, and said nothing
    play.ask("up", look="day")
    assert whole(play)["only_told"] == ["rim"]
    play.ask("set_by_hand", by="Ana")
    assert whole(play)["only_told"] == []

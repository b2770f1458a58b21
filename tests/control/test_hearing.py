"""Who answers, who is silent, who was never heard: by what was heard since, and nothing else."""

from __future__ import annotations

from studiobridge.control import views
from studiobridge.control.events import Report
from tests.control.play import Play, on_plug, plug, profile


def heard(play: Play, name: str) -> object:
    return views.device_view(play.controller, name, play.now, lambda at: at)["heard"]


def mute_plug(**more: object) -> Play:
    """A plug with no word for being there."""
    return Play(
        profile(
            plug("desk-plug", hears=frozenset({"switch"}), **more),
            on_plug("lamp", "light", "desk-plug"),
        ),
        obedient=False,
    )


def test_a_plug_that_died_is_silent_when_it_does_not_do_as_it_is_told() -> None:
    play = mute_plug(can_ask=False)
    assert heard(play, "desk-plug") == "never heard"
    play.link_up()
    play.report("desk-plug", "switch", False)
    assert heard(play, "desk-plug") == "answers"
    play.run(30.0)
    assert heard(play, "desk-plug") == "answers"  # nobody has told it anything since
    play.ask("up")
    play.run(1.0)
    assert heard(play, "desk-plug") == "answers"  # it has its time to answer
    play.run(30.0)
    assert play.state == "stalled"
    assert heard(play, "desk-plug") == "silent"
    play.report("desk-plug", "switch", True)
    assert heard(play, "desk-plug") == "answers"


def test_what_only_the_broker_kept_was_never_heard() -> None:
    play = mute_plug()
    play.give(Report(play.now, "desk-plug", "switch", True, True))
    play.link_up()
    play.report("desk-plug", "switch", True, retained=True)
    assert heard(play, "desk-plug") == "never heard"
    play.report("desk-plug", "switch", True)
    assert heard(play, "desk-plug") == "answers"


def test_who_spoke_before_the_link_was_lost_is_silent_until_it_speaks_again() -> None:
    play = mute_plug()
    play.link_up()
    play.report("desk-plug", "switch", True)
    play.link_down()
    play.run(5.0)
    play.link_up()
    assert heard(play, "desk-plug") == "silent"
    play.report("desk-plug", "switch", True, retained=True)
    assert heard(play, "desk-plug") == "silent"
    play.report("desk-plug", "switch", True)
    assert heard(play, "desk-plug") == "answers"


def test_what_has_no_words_at_all_is_none_of_the_three() -> None:
    play = mute_plug()
    play.link_up()
    assert heard(play, "lamp") is None


def test_the_first_word_of_a_device_is_shown_also_when_it_changes_nothing_else() -> None:
    play = mute_plug()
    play.link_up()
    play.report("desk-plug", "switch", True, retained=True)
    play.controller.desk.changed.clear()
    play.forget()
    play.report("desk-plug", "switch", True)
    assert any("desk-plug" in getattr(e, "devices", ()) for _, e in play.effects)


def test_who_cannot_speak_is_not_counted_among_those_that_were_heard() -> None:
    play = Play(
        profile(
            plug("desk-plug"),
            on_plug("lamp", "audio", "desk-plug"),
            plug("mute", speaks=None, tells=frozenset(), hears=frozenset()),
        )
    )
    play.link_up()
    play.ask("up")
    play.run(30.0)
    (answer,) = play.answers()
    assert "1 of 1 heard; 2 cannot speak" in answer.text


def test_where_all_can_speak_nothing_more_is_said() -> None:
    play = Play(profile(plug("desk-plug")))
    play.link_up()
    play.ask("up")
    play.run(30.0)
    (answer,) = play.answers()
    assert answer.text.endswith("1 of 1 heard")


def test_who_was_not_heard_is_named() -> None:
    play = Play(profile(plug("desk-plug"), plug("far-plug", essential=False)))
    play.deaf.add("far-plug")
    play.link_up()
    play.ask("up")
    play.run(60.0)
    (answer,) = play.answers()
    assert "1 of 2 heard, not far-plug" in answer.text

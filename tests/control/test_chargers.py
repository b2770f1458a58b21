"""Whether a charger is done, by the watts of its own plug: shown, named at the end, left alone."""

from __future__ import annotations

import pytest

from studiobridge.control.chargers import HOLDS
from studiobridge.control.views import device_view, state_view
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.shown import supplied
from tests.control.play import Play, fixture, on_plug, plug, profile

FULL, DONE = 28.0, 1.2  # W, on either side of 4


def wall(at: float) -> float:
    return 1_800_000_000.0 + at


def shelf(stays_on: bool = True, boots_in: float = 0.0) -> SetProfile:
    metered = frozenset({"switch", "watts", "online"})
    return profile(
        plug("lamp-plug"),
        plug("cell-plug", hears=metered),
        fixture("key", "lamp-plug"),
        on_plug(
            "cells",
            "charger",
            "cell-plug",
            done_below=4.0,
            essential=False,
            stays_on=stays_on,
            boots_in=boots_in,
        ),
        looks={"day": {"key": Preset(64.0, 4300.0)}},
    )


class Shelf(Play):
    """The plug says what it meters when it is asked, as long as it is not mute."""

    draws = FULL
    mute = False

    def _tell_all(self, name: str) -> None:
        super()._tell_all(name)
        if name == "cell-plug" and not self.mute and self.on.get(name):
            self.later(self.delay, name, "watts", self.draws)


def brought_up(**more: object) -> Shelf:
    play = Shelf(shelf(**more), meters_itself=not more.get("stays_on", True))  # type: ignore[arg-type]
    play.link_up()
    play.report("cell-plug", "online", True)
    play.ask("up")
    play.run(20.0)
    assert play.state == "ready"
    return play


def charge(play: Play) -> object:
    return device_view(play.controller, "cells", play.now, wall)["charge"]


def samples(play: Shelf, *watts: float, every: float = 2.0) -> None:
    for one in watts:
        play.draws = one
        play.report("cell-plug", "watts", one)
        play.now += every  # no time for its meter to be asked


def test_two_samples_in_a_row_say_it() -> None:
    play = brought_up()
    assert charge(play) == "charging", "its meter was asked"
    samples(play, DONE)
    assert charge(play) == "not known", "one sample may be of a moment"
    samples(play, DONE)
    assert charge(play) == "done"
    samples(play, FULL)
    assert charge(play) == "not known"
    samples(play, FULL)
    assert charge(play) == "charging"


@pytest.mark.parametrize(("before", "now"), [(FULL, "charging"), (DONE, "done")])
def test_nearer_to_the_limit_than_a_meter_errs_it_is_as_it_was(before: float, now: str) -> None:
    play = brought_up()
    samples(play, before, before, 3.9, 3.9, 3.9)
    assert charge(play) == now


def test_a_sample_that_comes_twice_is_one() -> None:
    play = brought_up()
    samples(play, DONE, DONE, every=0.1)
    assert charge(play) == "not known"


def test_what_the_broker_kept_says_nothing() -> None:
    play = Shelf(shelf())
    play.link_up()
    play.on["cell-plug"] = True
    play.mute = True
    play.report("cell-plug", "switch", True)
    for _ in range(3):
        play.report("cell-plug", "watts", DONE, retained=True)
        play.now += 2.0
    assert charge(play) == "not known"


def test_a_silent_meter_is_not_known_any_more_and_that_is_announced() -> None:
    play = brought_up()
    samples(play, DONE, DONE)
    play.mute = True
    play.forget()
    play.run(HOLDS - 3.0)
    assert charge(play) == "done"
    play.run(4.0)
    assert charge(play) == "not known"
    assert any("cells" in e.devices for _, e in play.effects if hasattr(e, "devices"))


def test_what_was_metered_before_the_mains_or_the_link_went_is_of_another_time() -> None:
    play = brought_up()
    samples(play, DONE, DONE)
    play.mute = True
    play.report("cell-plug", "switch", False)
    assert charge(play) == "off"
    play.now += 1.0
    play.report("cell-plug", "switch", True)
    assert charge(play) == "not known"
    samples(play, DONE)
    assert charge(play) == "not known"
    samples(play, DONE)
    assert charge(play) == "done"
    play.link_down()
    play.link_up()
    assert charge(play) == "not known"


def test_while_it_boots_nothing_counts() -> None:
    play = Shelf(shelf(boots_in=30.0))
    play.link_up()
    play.ask("up")
    play.run(25.0)
    assert charge(play) == "not known"
    play.run(60.0)
    assert charge(play) == "charging"


def end(play: Play) -> str:
    play.ask("down")
    play.run(60.0)
    assert play.state == "dark"
    return play.answers()[-1].text


def test_at_the_end_it_is_named_and_stays_as_it_is() -> None:
    play = brought_up()
    play.forget()
    assert "; cells is still charging: leave it on or switch it off" in end(play)
    assert play.tells("cell-plug") == [], "nothing is switched for it"
    state = state_view(play.controller, play.now, wall)
    assert state["chargers"] == [{"device": "cells", "charge": "charging"}]
    assert supplied.chargers(state) == ["cells is still charging: leave it on or switch it off"]
    # ... and when it is done that is known, though the set is dark
    play.draws = DONE
    play.run(60.0)
    assert supplied.chargers(state_view(play.controller, play.now, wall)) == ["cells is done"]
    assert play.tells("cell-plug") == []


def test_done_and_not_known_are_named_too() -> None:
    play = brought_up()
    play.draws = DONE
    play.run(60.0)
    assert "; cells is done" in end(play)
    play = brought_up()
    play.mute = True
    play.run(60.0)
    assert "; not known whether cells is done: look at it" in end(play)


def test_one_that_goes_off_with_the_set_was_not_done() -> None:
    play = brought_up(stays_on=False)
    assert "; cells is off, and was still charging when last metered" in end(play)
    assert charge(play) == "off, not done"
    play = brought_up(stays_on=False)
    play.draws = DONE
    play.run(60.0)
    assert "cells" not in end(play)


def test_it_is_never_drift_and_never_in_the_way() -> None:
    play = brought_up()
    play.forget()
    samples(play, DONE, DONE, FULL, FULL)
    play.run(30.0)
    assert play.state == "ready" and play.drifts("opened") == []


@pytest.mark.parametrize("entry", [None, 3, {}, {"device": "cells"}, {"device": "c", "charge": []}])
def test_nonsense_is_no_word_about_a_charger(entry: object) -> None:
    assert supplied.chargers({"state": "dark", "chargers": [entry]}) == []
    assert supplied.charges(entry if isinstance(entry, dict) else {}) == ""

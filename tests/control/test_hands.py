"""A hand that says which dial it turns: on a plug of two lamps the change is put down to that one."""

from __future__ import annotations

import pytest

from studiobridge.control.desk import HAND_HOLDS
from studiobridge.control.views import state_view
from tests.control.test_gauges import EDGE, RIM, Evening, dial, two, up

BOTH = ((RIM, 30.0), (EDGE, 50.0))


def turning(evening: Evening, *names: str, by: str = "Ana") -> None:
    evening.ask("turning", targets=names, by=by)
    assert evening.answers()[-1].code == 0


def said_turning(evening: Evening) -> dict[object, object]:
    state = state_view(evening.controller, evening.now, lambda at: at)
    return {d["device"]: d["turning_by"] for d in state["hand_set"]}  # type: ignore[attr-defined]


def drifting(evening: Evening) -> list[object]:
    return [entry["device"] for entry in evening.drifting()]


def level(evening: Evening, name: str) -> tuple[float, float]:
    band = evening.shown(name)["gauged"]["level"]  # type: ignore[index]
    return band["low"], band["high"]


def test_what_changes_while_a_hand_is_on_a_dial_is_put_down_to_it() -> None:
    evening = two()
    turning(evening, "rim")
    evening.meter(8, (RIM, 55.0), (EDGE, 50.0))
    assert drifting(evening) == ["rim"], "without a word it would be rim or edge-left"
    low, high = level(evening, "rim")
    assert low < 55.0 < high
    assert evening.by("edge-left") == "hand"
    # ... and back, guided by the same hand
    turning(evening, "rim")
    evening.meter(8, *BOTH)
    assert (drifting(evening), evening.state) == ([], "ready")


def test_a_hand_that_turns_nothing_changes_nothing_and_is_forgotten() -> None:
    evening = two()
    before = (level(evening, "rim"), level(evening, "edge-left"))
    turning(evening, "rim")
    evening.meter(int(HAND_HOLDS) + 4, *BOTH)
    assert (level(evening, "rim"), level(evening, "edge-left")) == before
    assert evening.state == "ready"
    evening.meter(8, (RIM, 55.0), (EDGE, 50.0))
    assert drifting(evening) == ["rim or edge-left"]


@pytest.mark.parametrize(("repeated", "who"), [(True, "rim"), (False, "rim or edge-left")])
def test_it_holds_as_long_as_it_is_said(repeated: bool, who: str) -> None:
    evening = two()
    turning(evening, "rim")
    evening.meter(int(HAND_HOLDS) - 5, *BOTH)
    if repeated:
        turning(evening, "rim")
    evening.meter(10, *BOTH)
    evening.meter(8, (RIM, 55.0), (EDGE, 50.0))
    assert drifting(evening) == [who]


def test_a_change_it_cannot_have_made_is_not_put_down_to_it() -> None:
    evening = two()
    turning(evening, "rim")
    evening.meter(8, (RIM, 30.0), (EDGE, 14.0))  # rim has only 5.2 W to lose
    assert drifting(evening) == ["edge-left"]


def test_a_person_who_goes_on_to_the_next_dial_has_let_go_of_the_first() -> None:
    evening = two()
    turning(evening, "rim")
    evening.meter(8, (RIM, 55.0), (EDGE, 50.0))
    turning(evening, "edge-left")
    evening.meter(8, (RIM, 55.0), (EDGE, 72.0))
    assert sorted(map(str, drifting(evening))) == ["edge-left", "rim"]
    turning(evening)
    assert said_turning(evening) == {"rim": None, "edge-left": None}
    evening.meter(4, (RIM, 55.0), (EDGE, 72.0))
    evening.meter(8, (RIM, 55.0), (EDGE, 60.0))
    assert drifting(evening) == ["rim or edge-left"], "no hand is on either of them any more"


def test_two_hands_at_once_tell_nothing_apart_and_neither_lamp_is_proven() -> None:
    evening = two()
    turning(evening, "rim", by="Ana")
    turning(evening, "edge-left", by="Ben")
    assert said_turning(evening) == {"rim": "Ana", "edge-left": "Ben"}
    evening.meter(8, (RIM, 55.0), (EDGE, 50.0))
    assert drifting(evening) == ["rim or edge-left"]
    assert evening.by("rim") is None and evening.by("edge-left") is None


def test_who_says_that_a_dial_is_set_has_let_go_of_it() -> None:
    evening = two()
    turning(evening, "rim")
    evening.meter(8, (RIM, 55.0), (EDGE, 50.0))
    evening.ask("set_by_hand", targets=("rim",), by="Ben")
    assert said_turning(evening)["rim"] is None


@pytest.mark.parametrize(("said", "by"), [(False, None), (True, "hand")])
def test_what_rests_on_the_word_of_who_turned_is_shown_as_by_hand(
    said: bool, by: str | None
) -> None:
    lamps = dial("rim", proof="watts"), dial("edge-left", EDGE, proof="watts")
    evening = up(*lamps, rim=50.0, **{"edge-left": 60.0})
    evening.meter(8, (RIM, 50.0), (EDGE, 60.0))
    evening.ask("set_by_hand", by="Ana")
    evening.meter(28, (RIM, 50.0), (EDGE, 60.0))  # a word counts from the reading after it on
    assert evening.by("edge-left") == "hand"
    if said:
        turning(evening, "rim")
    evening.meter(8, (RIM, 56.0), (EDGE, 60.0))
    assert evening.by("edge-left") == by


def test_only_a_dial_is_turned_and_a_repeated_word_is_noted_once() -> None:
    evening = two()
    evening.ask("turning", targets=("lamp-plug",), by="Ana")
    answer = evening.answers()[-1]
    assert answer.code == 2 and "lamp-plug is not set by hand; these are: rim" in answer.text
    evening.forget()
    turning(evening, "rim")
    turning(evening, "rim")
    notes = [e for _, e in evening.effects if type(e).__name__ == "RequestNote"]
    assert len(notes) == 1


def test_a_kept_word_turns_nothing() -> None:
    evening = two()
    evening.ask("turning", targets=("rim",), by="Ana", retained=True)
    evening.ask("turning", targets=("rim",), by="Ana", expired=True)
    assert said_turning(evening)["rim"] is None

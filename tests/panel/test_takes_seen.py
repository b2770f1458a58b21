"""The page of takes answers from the camera's picture, and never from one that is not of now."""

from __future__ import annotations

from typing import Any

import pytest

from studiobridge.control.seen_apart import between
from studiobridge.panel import parts_takes
from studiobridge.panel.texts import tongues
from studiobridge.shown.tongue import speaking
from tests.panel.test_board import board
from tests.shown.test_seen_take import ALLOWED, LATER, PLAIN, picture


def shown(then: object, now: object, **more: Any) -> str:
    takes = {"good": {"take": 3, "look": "lesson"}, "differs": [], "differs_more": 0}
    takes |= {"picture": None, "seen": between(then, now, ALLOWED), **more}
    return parts_takes.parts(board({"takes": takes}))["takes-differs"]


SAME = "The set stands as it did then"


def test_what_the_picture_shows_otherwise_is_said_with_its_bands() -> None:
    page = shown(picture(PLAIN), picture(LATER))
    assert "by the picture, exposure 0.2 stop less (0.1 to 0.3)" in page
    assert "by the picture, the camera looks 14 px further left" in page
    # that every report is as it was is not the whole of it then
    assert SAME not in page


def test_as_it_was_is_said_as_far_as_the_picture_can_tell() -> None:
    page = shown(picture(PLAIN), picture(PLAIN))
    assert SAME in page and "the same as far as the picture can tell: white, tint" in page
    with speaking(tongues()["de"]):
        assert "gleich, soweit das Bild es erkennen lässt: Weiß" in shown(
            picture(PLAIN), picture(PLAIN)
        )


def test_no_picture_of_now_is_no_picture() -> None:
    page = shown(picture(PLAIN), {"why": "the picture was not looked at lately"})
    assert "now: no picture (the picture was not looked at lately)" in page
    assert "the same as far" not in page


@pytest.mark.parametrize("seen", [None, 3, [], {}, {"then": 3, "differs": {}, "alike": [3]}])
def test_nonsense_and_a_set_without_a_witness_say_nothing_of_a_picture(seen: object) -> None:
    page = shown(picture(PLAIN), picture(PLAIN), seen=seen)
    assert SAME in page and "picture" not in page


def test_the_list_says_it_of_each_take(monkeypatch: pytest.MonkeyPatch) -> None:
    def of(verdict: str) -> str:
        row = {"take": 4, "began": None, "cameras": [], "changes": 0}
        row |= {"as_good": {"good": 3, "verdict": verdict}}
        monkeypatch.setattr(parts_takes, "_of_record", lambda board: [row])
        return parts_takes.parts(board({"takes": {}}))["takes-list"]

    assert "picture as in take 3" in of("same")
    assert "picture not as in take 3" in of("differs")
    assert "picture" not in of("not known")

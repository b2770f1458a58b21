"""Of two witnesses of one set one stays, whatever else is said where they speak."""

from __future__ import annotations

import json
from typing import Any

import pytest

from studiobridge.witness.others import Others


def word(began: object, run: object = "z", alive: object = True) -> bytes:
    return json.dumps({"alive": alive, "run": run, "began": began}).encode()


def heard() -> Others:
    one = Others("m", 1_800_000_000.0)
    assert one.hear(word(1_800_000_000.0, "m"), False) == ""
    return one


@pytest.mark.parametrize(("began", "run"), [(1_800_000_001.0, "a"), (1_800_000_000.0, "z")])
def test_the_later_looks_and_by_name_where_both_began_at_once(began: float, run: str) -> None:
    assert heard().hear(word(began, run), False) == "end"
    other = Others(run, began)
    other.hear(word(began, run), False)
    assert other.hear(word(1_800_000_000.0, "m"), False) == "again"


@pytest.mark.parametrize("began", ["1e999", "-1e999", "NaN", "1e300"])
def test_a_time_that_no_clock_says_ends_nobody(began: str) -> None:
    said: dict[str, Any] = {"alive": True, "run": "z", "began": 0}
    payload = json.dumps(said).replace("0}", began + "}").encode()
    assert heard().hear(payload, False) == "again"


def test_what_was_kept_from_before_ends_nobody() -> None:
    assert heard().hear(word(1_900_000_000.0), True) == ""

"""Before a take and after it in words: whatever a bridge says, the line is never ahead of it."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.shown.after import after
from studiobridge.shown.before import break_due, evidence, noted, rows, to_roll

ITEM = {
    "item": "lens-wiped",
    "text": "lens wiped",
    "kind": "tick",
    "device": None,
    "state": True,
    "evidence": "ticked by Ada",
    "since": "2027-01-15T08:00:00.000Z",
    "by": "Ada",
    "lasts": "session",
}
WARM = {**ITEM, "item": "warm", "text": "warm", "kind": "warm", "by": None, "lasts": None}


def state(good: object, *items: dict[str, Any], now: str = "ready") -> dict[str, Any]:
    return {"state": now, "before": {"good": good, "line": "", "items": list(items)}}


def said(*args: Any, **more: Any) -> tuple[str, str]:
    found = to_roll(state(*args, **more))
    assert found is not None
    return found.code, found.text


def test_the_line_is_good_only_where_every_row_is() -> None:
    assert said(True, ITEM, WARM) == ("so", "good to roll")
    assert said(False, ITEM, {**WARM, "state": False, "evidence": "the lamps are warming up"}) == (
        "not",
        "not yet: the lamps are warming up",
    )
    moved = {**ITEM, "kind": "drift", "text": "no drift", "state": False, "evidence": "key moved"}
    found = to_roll({**state(False, moved, now="adrift"), "drifting": ["key", "fill"]})
    assert found is not None and found.text == "not yet: moved: key and fill"
    rolling = {**state(False, {**ITEM, "state": False}), "rolling": ["camera"]}
    line = to_roll(rolling)
    assert line is not None
    assert line.text == "it rolls, and is not so: lens wiped (not ticked)"
    assert said(False, {**ITEM, "state": False}) == ("not", "not yet: lens wiped (not ticked)")
    assert said(None, {**WARM, "state": None, "evidence": ""})[1] == "not known: warm"
    # what is not so comes before what is not known, wherever it stands
    assert said(False, {**WARM, "state": None}, {**ITEM, "state": False})[0] == "not"


@pytest.mark.parametrize("now", ["dark", "rising", "lowering", "stalled", "unheard", "", "on fire"])
def test_a_set_that_is_not_up_is_never_good(now: str) -> None:
    assert said(True, ITEM, now=now)[0] != "so"


@pytest.mark.parametrize(
    "row", [{**ITEM, "state": None}, {**ITEM, "state": "true"}, {**ITEM, "state": 1}]
)
def test_a_word_that_its_rows_do_not_bear_out_is_not_believed(row: dict[str, Any]) -> None:
    assert said(True, row)[0] == "unknown"


def test_without_a_list_there_is_no_line() -> None:
    assert to_roll({"state": "ready"}) is None
    assert to_roll({"state": "ready", "before": None}) is None


def test_a_row_says_who_and_when_or_by_what() -> None:
    ticked, warm = rows({"items": [ITEM, {**WARM, "evidence": "the lamps are stable"}]})
    assert evidence(ticked).startswith("Ada, ")
    assert (ticked.mark, ticked.word) == ("✓", "ticked")
    assert evidence(warm).startswith("the lamps are stable, since ")


def test_what_is_noted_is_told_in_a_sentence() -> None:
    missing = '["no drift", "lens wiped"]'
    row = {"kind": "before", "device": "camera", "missing": missing}
    assert noted(row) == "camera rolled before it was so: no drift; lens wiped"
    tick = {"kind": "tick", "item": "lens-wiped", "by": "Ada"}
    assert noted({**tick, "phase": "on"}) == "Ada ticks lens-wiped"
    assert noted({**tick, "phase": "off"}) == "Ada takes the tick off lens-wiped"
    assert noted({**tick, "phase": "over"}) == "the tick of lens-wiped is over"
    assert noted({**row, "missing": "{"}) == "camera rolled before it was so: "


def device(kind: str, n: int, **more: Any) -> dict[str, Any]:
    return {"kind": kind, "n": n, "feed": "wall", "heard": "answers", "switch": False, **more}


DEVICES = {
    "lamp-plug": device("plug", 0),
    "desk-plug": device("plug", 1, switch=None),
    "fan-plug": device("plug", 2, heard="silent"),
    "strip": device("plug", 3, heard=None, switch=None),
    "clip": device(
        "audio",
        4,
        feed=None,
        supplies={"battery": {"value": 40.0, "at": "2027-01-15T08:00:00.000Z", "kept": False}},
    ),
    "pack": device(
        "light",
        5,
        feed=None,
        supplies={"battery_low": {"value": True, "at": "2027-01-15T08:00:00.000Z", "kept": False}},
    ),
    "torch": device("light", 6, feed=None),
    "camera": device(
        "camera",
        7,
        supplies={"card": {"value": 12.0, "at": "2027-01-15T08:00:00.000Z", "kept": False}},
    ),
    "charger": device("charger", 8, charge=None),
}
DARK = {
    "state": "dark",
    "still_on": [
        {
            "device": "heater",
            "watts": 900.0,
            "since": "2027-01-15T08:00:00.000Z",
            "by": "watts",
            "why": "it says off and 900 W still flow",
        }
    ],
    "stays_on": ["charger", "router"],
    "quiet": [{"device": "fridge", "back_at": None}],
    "after": {
        "session": 3,
        "closed": "2027-01-15T09:00:00.000Z",
        "kwh": 0.41,
        "rolled": ["camera"],
        "items": [{**ITEM, "state": False, "by": None, "since": None}],
    },
}


def parts(shown: dict[str, Any]) -> dict[str, list[str]]:
    return {part.name: list(part.lines) for part in after(shown, DEVICES).parts}


def test_what_is_left_is_by_the_last_word_of_each_and_by_the_profile() -> None:
    found = after(DARK, DEVICES)
    assert found.over and found.head.startswith("Session 3 ended ")
    left = parts(DARK)
    assert "heater, 900 W, since" in left["on"][0]
    assert left["unproven"] == [
        "desk-plug: it has not said that it is off",
        "fan-plug: it said off, and is silent",
    ]
    # low first, then the emptiest, and what cannot say it last
    assert [line.split(":")[0] for line in left["batteries"]] == ["pack", "clip", "torch"]
    assert "40 %" in left["batteries"][1] and "heard" in left["batteries"][1]
    assert left["cards"] == ["camera: 12 min were left"]
    assert left["quiet"] == ["fridge: it comes back only when somebody asks"]
    assert left["energy"] == ["0.410 kWh, as metered"]
    assert [row.item for row in found.ticks] == ["lens-wiped"]


def test_before_it_is_down_nothing_is_called_over() -> None:
    found = after({**DARK, "state": "ready"}, DEVICES)
    assert not found.over and "not down" in found.head
    assert "unproven" not in parts({**DARK, "state": "ready"})


def test_a_session_of_nothing_has_nothing_left() -> None:
    found = after({"state": "dark", "after": {"session": None}}, {})
    assert (found.head, found.parts, found.ticks) == ("No session yet.", (), ())


KEYS = st.sampled_from(
    [*ITEM, "items", "good", "line", "break_since", "rolled", "session", "closed", "kwh", "back_at"]
)
NONSENSE = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(before=NONSENSE, about=NONSENSE, timer=NONSENSE, view=NONSENSE)
def test_nonsense_breaks_nothing_and_is_never_good(
    before: object, about: object, timer: object, view: object
) -> None:
    shown = {"state": "ready", "before": before, "after": about, "timer": timer, "quiet": about}
    line = to_roll(shown)
    if line is not None and line.code == "so":
        assert all(row.code == "so" for row in rows(before))
    break_due(shown)
    after({**shown, "state": "dark"}, {"lamp": view} if isinstance(view, dict) else {})

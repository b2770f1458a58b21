"""What the page says of a set from what it heard: never more than fits together."""

from __future__ import annotations

import asyncio
import re
import threading
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from studiobridge.bridge.asking import Shown
from studiobridge.bridge.ownership import Alive
from studiobridge.bridge.settings import Settings
from studiobridge.panel import parts_picture, parts_takes
from studiobridge.panel.board import VIEWS, Board
from studiobridge.panel.parts_below import drift_rows, parts
from studiobridge.panel.parts_device import detail
from studiobridge.panel.plain import wishes
from studiobridge.panel.sets import standing
from studiobridge.profile import read_profile
from tests.panel.studio import CONFIG

PROFILE = read_profile(CONFIG / "wheel-corner.yaml").profile


def board(
    state: dict[str, Any],
    drift: list[dict[str, Any]] | None = None,
    run: dict[str, Any] | None = None,
    devices: dict[str, dict[str, Any]] | None = None,
) -> Board:
    shown = Shown(
        alive=Alive.read(b'{"alive": true, "bridge": "x"}'),
        state={"drifting": [], "still_on": [], **state},
        run=run,
        drift=drift or [],
        devices=devices or {},
    )
    visitor = SimpleNamespace(shown=shown, sure=True, up=True, why="", version=1)
    return Board(Settings(data=Path("/nowhere")), PROFILE, visitor)  # type: ignore[arg-type]


OFF = {"device": "key", "point": "level", "wanted": 64.0, "reported": 80.0, "stops": 0.32}
UNDER_WAY = {"run": 1, "what": "up", "state": "under way", "elapsed_s": 1.0, "steps": []}
DONE = {**UNDER_WAY, "state": "done"}


@pytest.mark.parametrize(
    ("drifting", "drift", "run", "ready"),
    [
        ([], [], None, True),
        ([], [], DONE, True),
        # the drift has come and the state is the one from before, or the other way round
        ([], [OFF], None, False),
        (["key"], [], None, False),
        ([], [], UNDER_WAY, False),
        ([], [], {**UNDER_WAY, "what": "restore"}, False),
    ],
)
def test_ready_is_said_only_of_one_moment(
    drifting: list[str], drift: list[dict[str, Any]], run: dict[str, Any] | None, ready: bool
) -> None:
    made = board({"state": "ready", "drifting": drifting}, drift, run)
    made.shows("hand")
    assert ("ready" in made.shows("hand")["headline"]) == ready
    if not ready:
        assert "not confirmed" in made.shows("hand")["headline"]


def test_a_dial_that_was_turned_is_marked_at_the_mark() -> None:
    turned = {"device": "rim", "point": "level", "by": "watts", "wanted": 30.0}
    for drift, marked in ([turned], True), ([], False):
        rim = {"hand_set": True, "drift": drift}
        picks = board({"state": "adrift"}, drift, devices={"rim": rim}).shows("mark")["picks"]
        own = picks[picks.index('href="#at-rim"') :].split("</a>")[0]
        assert ("moved" in own) == marked


@pytest.mark.parametrize(("ended_by", "rolls"), [("", True), (None, True), ("report", False)])
def test_a_take_by_the_cameras_report_is_not_called_inferred(ended_by: Any, rolls: bool) -> None:
    """While it rolls nothing has ended it yet: that is no word and no guess."""
    row = {"take": 1, "by": "report", "ended_by": ended_by, "rolls": rolls, "seconds": 4.0}
    assert parts_takes._row(row)["unsure"] is False
    assert parts_takes._row({**row, "by": "word"})["unsure"] is True
    assert parts_takes._row({**row, "rolls": False, "ended_by": "inferred"})["unsure"] is True


def test_what_stays_on_is_not_said_to_be_off() -> None:
    state = {
        "state": "dark",
        "after": {"session": 1, "closed": "2026-01-01T10:00:00.000Z"},
        "stays_on": ["fridge"],
    }
    fridge = {"kind": "plug", "heard": "answers", "switch": True, "feed": "wall"}
    said = board(state, devices={"fridge": fridge}).shows("after")["left-over"]
    assert "fridge" in said
    assert "Every plug that should be off, and can say it, has said that it is off." in said


def test_a_witness_that_has_not_looked_yet_is_not_said_to_have_learned_nothing() -> None:
    """It reads what was learned with its first look: until then nobody knows here."""
    made = board({"state": "dark"})
    alive = {"alive": True, "what": "waiting", "why": "the set is dark", "learned": None}
    made.visitor.shown.witness = alive
    assert "have not been learned" not in parts_picture.cannot_preview(made)
    assert "looked at when the set is up, or when asked" in parts_picture.cannot_preview(made)
    made.visitor.shown.witness = {**alive, "what": "not learned"}
    assert "have not been learned" in parts_picture.cannot_preview(made)


def test_times_to_go_are_counted_by_the_page_itself() -> None:
    """A report may be long in coming: a text that stands still looks as if nothing went on."""
    to = "2026-03-01T20:01:30.000Z"
    rising = {"state": "rising", "ready_in_s": 42.0, "ready_at": to}
    assert f'data-counts-to="{to}"' in board(rising).shows("hand")["switch"]
    warming = {"state": "ready", "warm_in_s": 600.0, "timer": {"warm_at": to}}
    assert f'data-counts-to="{to}"' in board(warming).shows("hand")["headline"]
    # a bridge that names no moment: its seconds, which stand still
    for odd in ({}, {"ready_at": None}, {"ready_at": 5}, {"ready_at": "<b>"}):
        said = board({**rising, "ready_at": "", **odd}).shows("hand")["switch"]
        assert "data-counts" not in said and "42 s" in said
    said = board({**warming, "timer": 7}).shows("hand")["headline"]
    assert "data-counts" not in said and "10 min 00 s" in said


def test_an_older_state_without_its_drift_is_taken_as_it_is() -> None:
    made = board({"state": "ready"})
    del made.visitor.shown.state["drifting"]  # type: ignore[index]
    made.shows("hand")
    assert "ready" in made.shows("hand")["headline"]


@pytest.mark.parametrize("state", ["dark", "rising", "ready", "adrift", "lowering", "stalled"])
def test_what_is_on_and_should_not_be_is_named_in_every_state(state: str) -> None:
    still = {"device": "bench-plug", "watts": 60.0, "why": "switched on by hand", "by": "watts"}
    made = board({"state": state, "still_on": [still]})
    made.shows("hand")
    said = made.shows("hand")["left"]
    assert "still on: bench-plug, 60.0 W, by its watts: switched on by hand" in said


def test_nothing_on_is_not_said_of_what_was_only_told() -> None:
    made = board({"state": "dark", "only_told": ["wall-plug"], "silent": [{"device": "pc-plug"}]})
    made.shows("hand")
    said = made.shows("hand")["left"]
    assert "not proven off: wall-plug and pc-plug" in said
    assert "no plug" not in said
    made = board({"state": "dark"})
    made.shows("hand")
    assert "no plug says that it is on" in made.shows("hand")["left"]
    made = board({"state": "ready"})
    made.shows("hand")
    assert made.shows("hand")["left"].strip() == ""


def test_what_waits_for_the_end_of_the_take_is_not_going_down_yet() -> None:
    still = {"device": "bench-plug", "watts": 60.0, "why": "", "by": "watts"}
    waits = {"state": "lowering", "goes_down": {"withdraw": True}, "still_on": [still]}
    made = board({**waits, "rolling": ["camera"]})
    made.shows("hand")
    shown = made.shows("hand")
    assert shown["left"].strip() == ""
    assert "lowering" not in shown["headline"]
    assert "goes down when the take ends" in shown["headline"]


def test_half_way_what_is_on_is_not_called_wrong_and_leaves_room_for_the_room() -> None:
    still = [{"device": f"plug-{n}", "why": "", "by": "report"} for n in range(7)]
    made = board({"state": "stalled", "still_on": still})
    made.shows("hand")
    said = made.shows("hand")["left"]
    assert "Still on" in said and "should not be" not in said
    seen, _, folded = said.partition("<details>")
    assert "plug-2" in seen and "plug-3" not in seen
    assert "and 4 more" in folded and "plug-3" in folded and "plug-6" in folded


def test_without_a_bridge_nobody_says_that_it_rolls_or_that_lights_are_held() -> None:
    made = board({"state": "ready", "rolling": ["camera"]})
    assert "ROLLING" in made.shows("hand")["rolling"]
    made.visitor.sure = False  # type: ignore[misc]
    made.visitor.version = 2  # type: ignore[misc]
    said = made.shows("hand")["rolling"]
    assert "ROLLING" not in said and "no light is changed" not in said
    assert "camera rolled when last heard of" in said


def test_before_the_first_session_nothing_is_left_and_the_room_comes_first() -> None:
    never = {"session": None, "items": []}
    made = board({"state": "dark", "after": never, "silent": [{"device": "pc-plug"}]})
    parts = made.shows("hand")
    assert (parts["left"].strip(), parts["after"].strip()) == ("", "")
    on = {"device": "bench-plug", "why": "it says on", "by": "report"}
    made = board({"state": "dark", "after": never, "still_on": [on]})
    said = made.shows("hand")["left"]
    assert "still on: bench-plug" in said and "On, and should not be" in said


def test_what_goes_off_in_its_turn_is_not_on_without_reason() -> None:
    on = {"device": "bench-plug", "why": "it says on", "by": "report"}
    flows = {"device": "pc-plug", "why": "it says off and 60 W still flow", "by": "watts"}
    said = board({"state": "lowering", "still_on": [on, flows]}).shows("hand")["left"]
    assert "pc-plug" in said and "bench-plug" not in said
    assert board({"state": "lowering", "still_on": [on]}).shows("hand")["left"].strip() == ""
    assert "bench-plug" in board({"state": "stalled", "still_on": [on]}).shows("hand")["left"]


def test_what_stays_on_is_not_named_among_what_should_be_off() -> None:
    on = {"device": "bench-plug", "why": "stays on, as the profile says", "by": "report"}
    for state in ("ready", "stalled"):
        assert board({"state": state, "still_on": [on]}).shows("hand")["left"].strip() == ""


def test_the_page_says_what_is_not_proven() -> None:
    state = {
        "state": "dark",
        "only_told": ["rim"],
        "silent": [{"device": "fill", "since": "2026-01-01T10:00:00.000Z"}],
        "link_slow": "the way to the broker is slow: 3.0 s there and back",
        "record_lost": 1,
        "cut": True,
    }
    made = board(state)
    made.shows("hand")
    assert "not all of it is proven" in made.shows("hand")["headline"]
    said = made.shows("hand")["headline"] + made.shows("hand")["notes"]
    for text in (
        "dark, cut",
        "only told, nothing confirms it: rim",
        "silent: fill, since",
        "the way to the broker is slow: 3.0 s",
        "the record: 1 note was lost",
    ):
        assert text in said, text


def test_a_timer_is_drawn_as_one() -> None:
    def step(phase: str, action: str) -> dict[str, Any]:
        return {
            "n": 1,
            "device": "camera",
            "action": action,
            "value": "",
            "phase": phase,
            "text": "",
            "at_s": 0.0,
            "until_s": 4.0,
        }

    for phase in ("waited out", "confirmed"):
        made = board({"state": "rising"}, run={**UNDER_WAY, "steps": [step(phase, "boots")]})
        made.shows("hand")
        assert 'class="waited-out"' in made.shows("hand")["run"]
        assert "waited 4 s: nothing can confirm it" in made.shows("hand")["run"]
        assert 'class="confirmed"' not in made.shows("hand")["run"]
    made = board({"state": "rising"}, run={**UNDER_WAY, "steps": [step("confirmed", "power on")]})
    made.shows("hand")
    assert 'class="confirmed"' in made.shows("hand")["run"]


def test_a_device_that_is_only_told_is_not_drawn_as_confirmed() -> None:
    seen = {"online": True, "switch": True, "level": 64.0, "confirmed": True, "by": "told"}
    made = board({"state": "ready"}, devices={"key": seen})
    made.shows("hand")
    assert "only told: nothing confirms it" in made.shows("hand")["things"]
    assert 'class="body told"' in made.shows("hand")["lamp-key"]
    shown = detail(made, "key", lambda: None)
    assert "only told: nothing confirms it" in shown


WAITS = {
    "device": "camera",
    "what": "roll",
    "why": "does camera still roll? It cannot say so itself; `rolling off` says no",
    "asks": True,
}


def lowering(waits: object, sure: bool = True, **more: Any) -> Board:
    made = board({"state": "lowering", "waiting_for": waits, "steps": 4, **more})
    made.visitor.sure = sure  # type: ignore[misc]
    made.shows("hand")
    return made


def test_the_page_asks_of_a_camera_that_cannot_say_so() -> None:
    made = lowering([WAITS])
    asked = made.shows("hand")["asks"]
    assert "Does camera still roll?" in asked
    stopped, rolls = re.findall(r"<button.*?</button>", asked)
    assert 'data-ask="rolling_off"' in stopped and "It has stopped" in stopped
    assert 'data-ask="rolling_on"' in rolls and "It still rolls" in rolls
    assert stopped.count('data-target="camera"') == rolls.count('data-target="camera"') == 1
    assert "disabled" not in asked
    # a mains switch hangs on this one: a finger that slipped is no answer
    assert "data-again" in stopped
    # the question stands beside it: not put a second time, and not in the words of a terminal
    assert "waits for your answer about camera" in made.shows("hand")["switch"]
    assert "rolling off" not in made.shows("hand")["switch"]


@pytest.mark.parametrize(
    ("waits", "rolling", "sure"),
    [
        ([], [], True),
        ([{**WAITS, "asks": False, "why": "camera is closing its file"}], [], True),
        ([{**WAITS, "why": "camera is rolling"}], ["camera"], True),
        ([WAITS], [], False),  # it may have been answered long ago
        ([{**WAITS, "what": "power off"}], [], True),
        ("nonsense", [], True),
        ([7, {"asks": True}], [], True),
    ],
)
def test_nothing_is_asked_that_nobody_waits_for(
    waits: object, rolling: list[str], sure: bool
) -> None:
    assert lowering(waits, sure, rolling=rolling).shows("hand")["asks"] == ""


@pytest.mark.parametrize("nonsense", [float("nan"), float("inf"), None, "x", 10**400, []])
def test_nonsense_in_a_run_does_not_stop_the_page(nonsense: object) -> None:
    step = {
        "device": "key",
        "action": "set",
        "phase": "sent",
        "at_s": nonsense,
        "until_s": nonsense,
    }
    run = {"run": 1, "what": "up", "state": "under way", "elapsed_s": nonsense, "steps": [step]}
    made = board(
        {"state": "rising", "steps": nonsense, "steps_done": nonsense, "ready_in_s": nonsense},
        run=run,
    )
    made.shows("hand")
    assert "rising" in made.shows("hand")["headline"]


def by_hand(name: str) -> dict[str, Any]:
    return {"device": name, "level": 30.0, "cct": None, "set_at": None, "set_by": None}


def test_a_dial_is_guided_by_its_plug_s_watts() -> None:
    """A bar with its mark and the sentence, as parts of their own: buttons beside them stay."""
    dial = {"watts": 8.0, "was": 5.1, "settled": True, "why": ""}
    dial |= {"dark": 0.6, "low": 4.9, "target": 5.1, "high": 5.3, "full": 15.0}
    hand = [by_hand("rim"), by_hand("edge-left")]
    made = board({"state": "ready", "hand_set": hand}, devices={"rim": {"dial": dial}})
    made.shows("hand")
    drawn = made.shows("hand")["guides"]
    assert "rim: 8 W, up from 5.1: less" in drawn and "edge-left" not in drawn
    assert 'class="mark" d="M312.0 0V40"' in drawn  # 4.5 of 14.4 W
    there = board({"hand_set": hand}, devices={"rim": {"dial": {**dial, "watts": 5.2}}})
    there.shows("hand")
    assert 'class="there"' in there.shows("hand")["guides"]


def test_who_turns_a_metered_dial_can_say_so_and_it_is_shown() -> None:
    hand = [{**by_hand("rim"), "turning_by": "<Ana>"}, by_hand("edge-left")]
    made = board({"hand_set": hand}, devices={"rim": {"dial": {"watts": 8.0, "why": "x"}}})
    made.shows("hand")
    drawn = made.shows("hand")["dials"]
    assert drawn.count('data-ask="turning"') == 1 and 'data-target="rim"' in drawn
    assert "being turned by &lt;Ana&gt;" in drawn


@pytest.mark.parametrize("dial", [None, "x", {}, {"watts": "a<b>"}, {"watts": 5.0, "why": "<b>"}])
def test_a_dial_of_which_nothing_can_be_told_has_no_mark(dial: object) -> None:
    made = board({"hand_set": [by_hand("rim")]}, devices={"rim": {"dial": dial}})
    made.shows("hand")
    assert (
        'class="mark"' not in made.shows("hand")["guides"]
        and "<b>" not in made.shows("hand")["guides"]
    )


def test_a_page_without_a_bridge_guides_nobody() -> None:
    dial = {"watts": 5.1, "settled": True, "low": 4.9, "target": 5.1, "high": 5.3}
    made = board(
        {"hand_set": [by_hand("rim")]},
        devices={"rim": {"dial": {**dial, "dark": 0.6, "full": 15.0}}},
    )
    made.visitor.sure = False  # type: ignore[misc]
    made.shows("hand")
    assert made.shows("hand")["guides"].strip() == ""


def test_what_runs_out_and_what_is_measured_is_said_quietly_and_only_when_sure() -> None:
    low = {"device": "clip-mic", "point": "battery", "value": 12.0, "at": "2026-03-01T20:00:00Z"}
    read = {"device": "cell", "lux": 402.0, "fresh": True, "since_ready": -0.4, "could": ["<rim>"]}
    state = {"state": "ready", "supplies": [{**low, "kept": False}], "sensors": [read]}
    made = board(state)
    made.shows("hand")
    said = made.shows("hand")["supplies"]
    assert "clip-mic at 12 %, heard 2026-03-01" in said
    assert "the light at cell is 0.4 stop less than when ready" in said
    assert "&lt;rim&gt; could have" in said
    made = board({**state, "state": "dark"})
    made.shows("hand")
    assert "charge it" in made.shows("hand")["supplies"]
    made = board(state)
    made.visitor.sure = False  # type: ignore[misc]
    made.shows("hand")
    assert "clip-mic" not in made.shows("hand")["supplies"]


def test_a_devices_own_page_has_what_it_says_of_itself() -> None:
    supplies = {"battery": {"value": 80, "at": "2026-03-01T20:00:00Z", "kept": True}}
    made = board({"state": "ready"}, devices={"clip-mic": {"supplies": supplies}})
    shown = detail(made, "clip-mic", lambda: None)
    assert "at 80 %" in shown
    assert "nobody knows for how long" in shown


DOUBT = {
    "device": "rim or edge-left",
    "perhaps": ["rim", "edge-left"],
    "why": "rim or edge-left changed by +4.1 W; the watts do not say which",
    "point": "level",
    "by": "watts",
    "wanted": None,
    "reported": None,
}


def test_a_change_that_may_be_two_lamps_is_one_line_that_puts_back_and_keeps_neither() -> None:
    made = board({"state": "adrift", "drifting": ["edge-left", "rim"]}, [DOUBT])
    assert made.of_one_moment()
    (row,) = drift_rows(made)
    assert row["line"] == DOUBT["why"]
    assert (row["restore"], row["keep"]) == (False, False)
    made = board({"state": "adrift", "drifting": ["rim"]}, [DOUBT])
    assert not made.of_one_moment()


def test_drift_of_a_dial_is_neither_kept_nor_put_back_by_a_command() -> None:
    by_watts = {**OFF, "device": "rim", "by": "watts", "band": [45.0, 60.0]}
    (row,) = drift_rows(board({"state": "adrift", "drifting": ["rim"]}, [by_watts]))
    assert (row["restore"], row["keep"]) == (False, False)
    (row,) = drift_rows(board({"state": "adrift", "drifting": ["key"]}, [OFF]))
    assert (row["restore"], row["keep"]) == (True, True)


RIM = {"device": "rim", "point": "level", "by": "watts", "wanted": 30.0, "band": [45.0, 60.0]}
SIDE = {"device": "edge-left", "point": "level", "by": "watts", "wanted": 30.0, "band": [5, 9]}


def drift_part(entries: list[dict[str, Any]]) -> str:
    named = sorted({str(entry["device"]) for entry in entries})
    return str(board({"state": "adrift", "drifting": named}, entries).shows("hand")["drift"])


def test_everything_is_put_back_only_where_the_bridge_can_put_something_back() -> None:
    dials = drift_part([RIM, SIDE])
    assert 'data-ask="restore"' not in dials
    fill = {**OFF, "device": "fill"}
    assert "put everything back" in drift_part([OFF, fill])
    # one that is reached has its own button: another that says everything would promise more
    one = drift_part([OFF, RIM])
    assert one.count('data-ask="restore"') == 1
    assert "put everything back" not in one
    some = drift_part([OFF, fill, RIM])
    assert "put back all but rim" in some
    assert "put everything back" not in some


def test_drift_of_a_dial_says_which_way_a_hand_turns_it() -> None:
    assert "by hand: less" in drift_part([RIM])
    assert "by hand: more" in drift_part([SIDE])
    assert "by hand" not in drift_part([OFF])
    warm = {**RIM, "point": "cct", "wanted": 4300.0, "band": [3000.0, 3200.0], "by": "picture"}
    assert "by hand: less and cooler" in drift_part([RIM, warm])
    dark = {"device": "rim", "point": "switch", "wanted": True, "reported": False, "by": "watts"}
    assert "by hand: switch it on" in drift_part([dark])
    assert "by hand" not in drift_part([{**RIM, "band": ["x", None], "wanted": "much"}])


@pytest.mark.parametrize(
    ("view", "asks", "says"),
    [
        ({"confirmed": True, "by": "watts"}, False, "as it should be, by its watts"),
        ({"confirmed": True, "by": "picture"}, False, "as it should be, by the picture"),
        ({"confirmed": True, "by": "hand"}, True, ""),
        ({"confirmed": False, "by": "watts", "drift": [RIM]}, True, ""),
        ({"confirmed": False, "by": "told"}, True, ""),
        ({}, True, ""),
    ],
)
def test_a_dial_that_an_instrument_proves_needs_no_persons_word(
    view: dict[str, Any], asks: bool, says: str
) -> None:
    item = {"device": "rim", "level": 30.0, "set_at": None, "set_by": None}
    state = {"state": "ready", "hand_set": [item]}
    made = board(state, devices={"rim": {"device": "rim", "hand_set": True, **view}})
    for part in (made.shows("hand")["dials"], made.shows("mark")["at-rim"]):
        assert ('data-ask="set_by_hand"' in part) == asks
        assert ("as it should be" in part) == bool(says)
        assert says in part
    assert any(wish.what == "set_by_hand" for wish in wishes(made)) == asks
    made = board(state, devices={"rim": {"device": "rim", "hand_set": True, **view}})
    made.visitor.sure = False  # nobody knows it now: it is not said either
    assert "as it should be" not in made.shows("hand")["dials"]


def test_a_dial_in_its_dialog_is_not_put_back_by_a_command() -> None:
    rim = {"device": "rim", "hand_set": True, "drift": [RIM]}
    said = detail(board({"state": "adrift"}, [RIM], devices={"rim": rim}), "rim", lambda: None)
    assert 'data-ask="restore"' not in said
    assert 'data-ask="keep"' not in said
    key = {"device": "key", "drift": [OFF]}
    said = detail(board({"state": "adrift"}, [OFF], devices={"key": key}), "key", lambda: None)
    assert 'data-ask="restore"' in said
    assert 'data-ask="keep"' in said


def test_what_a_charger_takes_is_said_when_the_set_is_dark(monkeypatch: pytest.MonkeyPatch) -> None:
    metered = replace(PROFILE.devices["charger"], done_below=4.0)
    other = replace(PROFILE, devices={**PROFILE.devices, "charger": metered})
    monkeypatch.setattr("tests.panel.test_board.PROFILE", other)
    for charge, says in (
        ("done", "charger is done"),
        ("charging", "charger is still charging: leave it on or switch it off"),
        ("not known", "not known whether charger is done: look at it"),
    ):
        entry = {"device": "charger", "charge": charge}
        made = board({"state": "dark", "chargers": [entry]}, devices={"charger": dict(entry)})
        made.shows("hand")
        assert says in made.shows("hand")["left"]
        assert "look at them before you leave" not in made.shows("hand")["left"]
        assert "done, by its watts" not in detail(made, "charger", lambda: None) or charge == "done"
        made = board({"state": "ready", "chargers": [entry]})
        made.shows("hand")
        assert says not in made.shows("hand")["left"]
    made = board({"state": "ready"}, devices={"charger": {"charge": "done"}})
    assert "done, by its watts" in detail(made, "charger", lambda: None)
    assert "not known whether it is done" in detail(board({}), "charger", lambda: None)


@pytest.mark.parametrize(
    ("state", "run"),
    [
        ({"rolling": True}, None),
        ({"lockouts": 1e308}, None),
        ({"takes": {"last": {"take": 1, "changes": "many"}}}, None),
        ({"takes": {"picture": {"missing": 3}, "good": {}}}, None),
        ({"hand_set": [{"device": "key"}]}, None),
        ({}, {**DONE, "steps": [{}]}),
        ({}, {**DONE, "steps": [{"device": "key", "at_s": 1e308, "until_s": 1e-3}]}),
    ],
)
def test_what_cannot_be_shown_is_said_and_no_view_ends_with_it(
    state: dict[str, Any], run: dict[str, Any] | None
) -> None:
    """Nonsense on a topic of the set, kept by the broker for as long as its bridge is away."""
    made = board({"state": "ready"})
    for view in VIEWS:
        made.shows(view)
    made.visitor.shown.state.update(state)  # type: ignore[union-attr]
    made.visitor.shown.run = run
    made.visitor.version = 2
    truths = [made.shows(view)["truth"] for view in VIEWS]
    assert any("cannot be shown" in said and "not confirmed" in said for said in truths)
    assert standing(made).code in ("ready", "unsure")
    # nothing of before stays on a page as if it were so
    for view in VIEWS:
        shown = made.shows(view)
        if "cannot be shown" in shown["truth"]:
            assert any(said == "" for name, said in shown.items() if name != "truth")
    # and it is over when the bridge says how it stands
    for key in state:
        del made.visitor.shown.state[key]  # type: ignore[index]
    made.visitor.shown.run = None
    made.visitor.version = 3
    assert not any("cannot be shown" in made.shows(view)["truth"] for view in VIEWS)


def test_a_record_that_hangs_holds_up_the_page_of_takes_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made = board({"state": "ready"})
    hangs = threading.Event()

    def read() -> None:
        hangs.wait(20.0)

    monkeypatch.setattr(made, "reader", read)

    async def both() -> tuple[dict[str, str], bool]:
        takes = asyncio.create_task(made.follows(-1, "takes"))
        await asyncio.sleep(0.05)
        hand, _ = await asyncio.wait_for(made.follows(-1, "hand"), 10.0)
        waits = not takes.done()
        hangs.set()
        await takes
        return hand, waits

    hand, waits = asyncio.run(both())
    assert waits and "ready" in hand["headline"]


def test_a_camera_that_closes_its_file_holds_every_light_and_is_named() -> None:
    """A button that would be refused is none."""
    moved = {"state": "adrift", "drifting": ["key"], "rolling": [], "closing": ["camera"]}
    shown = board(moved, [OFF]).shows("hand")
    assert "held: camera closes its file" in shown["drift"]
    back = re.search(r'<button[^>]*data-ask="restore"[^>]*>', shown["drift"])
    assert back is not None and "disabled" in back[0]
    over = board({**moved, "closing": []}, [OFF]).shows("hand")
    assert "held" not in over["drift"]


def _step(device: str, action: str, phase: str) -> dict[str, Any]:
    return {"device": device, "action": action, "phase": phase, "at_s": 0.0, "until_s": 1.0}


@pytest.mark.parametrize(
    ("steps", "drift", "devices", "said"),
    [
        ([_step("key", "set", "confirmed")], [], {}, "Putting back: done in 2 s"),
        # it was told, and nothing says that it heard
        (
            [_step("key", "set", "confirmed"), _step("desk-strip", "set", "waited out")],
            [],
            {},
            "Putting back: over after 2 s; not confirmed: desk-strip",
        ),
        # a dial: nothing was told at all
        (
            [_step("key", "set", "confirmed")],
            [{**OFF, "device": "rim"}],
            {},
            "Putting back: over after 2 s; not confirmed: rim",
        ),
        # … which an instrument has confirmed since
        (
            [_step("desk-strip", "set", "waited out")],
            [],
            {"desk-strip": {"confirmed": True}},
            "Putting back: done in 2 s",
        ),
        # a filament that cools for its time is no question of confirming
        (
            [_step("fill", "set", "confirmed"), _step("fill", "cool down", "waited out")],
            [],
            {},
            "Putting back: done in 2 s",
        ),
    ],
)
def test_a_run_is_done_only_where_all_it_told_is_confirmed(
    steps: list[dict[str, Any]],
    drift: list[dict[str, Any]],
    devices: dict[str, dict[str, Any]],
    said: str,
) -> None:
    run = {**DONE, "what": "restore", "elapsed_s": 2.0, "steps": steps}
    made = parts(board({"state": "adrift"}, drift, run, devices))["run"]
    found = re.search(r"<summary>(.*?)</summary>", made)
    assert found is not None
    assert " ".join(re.sub(r"<[^>]*>", "", found[1]).split()) == said


@pytest.mark.parametrize(
    ("state", "asks", "yes"),
    [
        ("rising", "Take it down instead?", "take it down"),
        ("lowering", "Bring it back up?", "bring it back up"),
    ],
)
def test_half_way_the_question_is_between_two_touches_and_not_on_the_page(
    state: str, asks: str, yes: str
) -> None:
    made = board({"state": state, "steps": 4, "steps_done": 1, "ready_in_s": 9.0})
    shown = made.shows("hand")
    assert shown["holds"].strip() == ""
    assert f'data-again="{asks}"' in shown["switch"]
    assert f'data-yes="{yes}"' in shown["switch"]

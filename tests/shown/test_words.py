"""The same thing has the same word wherever it is shown."""

from __future__ import annotations

import re
from typing import Any, get_args

import pytest

from studiobridge.cli import draw, follow, show, watching
from studiobridge.control.desk import Hearing
from studiobridge.control.sequence import CLOSE_IT, Action
from studiobridge.control.states import STATES
from studiobridge.panel.parts_device import detail
from studiobridge.profile.model import Device, Preset
from studiobridge.shown import drift_words, proof_words, step_words, words
from studiobridge.shown.condition import condition
from studiobridge.shown.looks import look_json, look_lines
from tests.figures.sets import small
from tests.panel.test_board import board

LAMP = Device("key", "light", speaks="x", tells=frozenset({"level"}), hears=frozenset({"level"}))


@pytest.mark.parametrize("state", STATES)
def test_a_state_has_one_word_in_a_terminal_on_the_page_and_in_the_record(state: str) -> None:
    assert f": {state}" in show.headline({"set": "x", "state": state})
    page = board({"state": state})
    (word,) = re.findall(r"<strong[^>]*>(.*?)</strong>", page.shows("hand")["headline"])
    assert word == state
    row = {"kind": "state", "at": "", "state": state}
    assert watching._timeline_line(row).endswith(f"state: {state}")
    run = {"state": "under way", "steps": []}
    assert follow.progress({"state": state}, run).startswith(state)


@pytest.mark.parametrize("nonsense", [None, 7, "", [], {}, "x\x1b[2J" + "y" * 500])
def test_a_state_that_is_none_claims_nothing(nonsense: object) -> None:
    said = words.state(nonsense)
    assert said.isprintable()
    assert len(said) <= 30
    assert said == "unheard" or isinstance(nonsense, str)


def test_every_action_of_a_run_has_its_words_and_its_pattern() -> None:
    actions = set(get_args(Action))
    assert actions == set(draw.PATTERN) == set(draw.SHADES)
    assert actions <= set(step_words.ACTIONS)  # which also has what else a run waits for


def test_hearing_has_the_words_of_the_controller() -> None:
    assert get_args(Hearing) == proof_words.HEARING


@pytest.mark.parametrize(
    ("device", "said"),
    [
        ({"heard": "answers", "online": True}, "answers"),
        # what was heard once says nothing of now, whatever `online` says
        ({"heard": "silent", "online": True}, "silent"),
        ({"heard": "never heard", "online": None}, "never heard"),
        ({"heard": None, "online": None}, "cannot speak"),
        ({"heard": ["answers"]}, "cannot speak"),
        # a bridge from before
        ({"online": True}, "answers"),
        ({"online": False}, "silent"),
        ({"online": None}, ""),
        ({"online": "x"}, ""),
        ({"online": []}, ""),
        ({}, ""),
    ],
)
def test_whether_a_device_speaks(device: dict[str, object], said: str) -> None:
    assert proof_words.hearing(device) == said


def test_status_says_who_answers(capsys: pytest.CaptureFixture[str]) -> None:
    devices = {
        "plug": {"heard": "silent", "online": True, "switch": True},
        "strip": {"heard": None, "online": None},
        "key": {"heard": "never heard", "online": None},
    }
    show.print_status({"set": "x", "state": "ready"}, devices)
    out = capsys.readouterr().out
    for name, said in (("plug", "silent"), ("strip", "cannot speak"), ("key", "never heard")):
        line = next(line for line in out.splitlines() if line.startswith(name))
        assert said in line
    assert " here" not in out


@pytest.mark.parametrize(
    ("plug", "said"),
    [
        ({"heard": "answers", "switch": False}, "no power"),  # off by its plug's own report
        ({"heard": "answers", "switch": True}, "silent"),
        ({"heard": "answers", "switch": None}, "silent"),
        ({"heard": "silent", "switch": False}, "silent"),  # an old word proves nothing of now
    ],
)
def test_what_has_no_power_is_not_called_silent(
    capsys: pytest.CaptureFixture[str], plug: dict[str, Any], said: str
) -> None:
    devices = {
        "plug": {**plug, "n": 0},
        "strip": {"heard": None, "feed": "plug", "n": 1},
        "lamp": {"heard": "silent", "online": False, "feed": "strip", "n": 2},
    }
    show.print_status({"set": "x", "state": "dark"}, devices)
    line = next(r for r in capsys.readouterr().out.splitlines() if r.startswith("lamp"))
    assert line.split()[1:] == said.split()


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ({"heard": "silent", "online": True, "confirmed": False, "by": None}, "silent"),
        ({"heard": "never heard", "online": None, "confirmed": False, "by": None}, "never heard"),
        # it can speak and has not confirmed: not the same as nothing could
        ({"heard": "answers", "online": True, "by": "told"}, "not confirmed yet"),
    ],
)
def test_the_page_says_it_of_a_device(said: dict[str, object], text: str) -> None:
    assert condition(LAMP, said, sure=True, up=True).words == text


def test_what_was_told_is_no_proof_of_a_light_that_says_otherwise() -> None:
    moved = {"heard": "answers", "by": "told", "drift": [{"point": "level", "stops": 0.3}]}
    assert proof_words.proof(moved) == ""
    assert proof_words.proof({**moved, "drift": None}) == "told, not confirmed"
    assert proof_words.proof({**moved, "drift": None, "heard": None}) == "only told"


def test_drift_by_silence_says_which_silence() -> None:
    gone: dict[str, Any] = {"point": "online", "wanted": True, "reported": None}
    assert drift_words.by_how_much({**gone, "heard": "silent"}) == "silent"
    assert drift_words.by_how_much({**gone, "heard": "never heard"}) == "never heard"
    assert drift_words.by_how_much({**gone, "reported": False}) == "silent: it said that it leaves"
    assert proof_words.silent({"silent": [{"device": "fill", "heard": "never heard"}]}) == [
        "never heard: fill"
    ]


# ---- skipped ----------------------------------------------------------------------------------


def step(n: int, device: str, phase: str, text: str = "", action: str = "set") -> dict[str, Any]:
    return {
        "n": n,
        "device": device,
        "action": action,
        "value": "",
        "phase": phase,
        "text": text,
        "at_s": 1.0,
        "until_s": 2.0,
    }


STEPS = [
    step(1, "plug", "failed", "plug did not confirm", "power on"),
    step(2, "rim", "skipped", "no answer"),
    step(3, "key", "confirmed"),
    step(4, "edge-left", "skipped", "no answer"),
    step(5, "rim", "skipped", "no answer", "boots"),
    step(6, "fill", "skipped", "locked out by Ana: a cable"),
]


def test_a_laptop_that_nothing_tells_does_not_look_as_if_it_were_told() -> None:
    laptop = step(1, "notes", "sent", action="shut down")
    assert step_words.step_said(laptop) == "shutting down"
    assert step_words.step_said({**laptop, "why": CLOSE_IT}) == "yours to close"
    ended = {**laptop, "phase": "waited out", "text": "notes runs on its own battery"}
    assert step_words.step_said(ended) == "runs on its own battery"
    assert draw.legend([{**laptop, "why": CLOSE_IT}]) == "─ yours to close"
    assert draw.legend([{**laptop, "why": CLOSE_IT}, laptop]) == "─ shutting down"


def test_what_is_skipped_for_one_reason_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    follower = follow.Follower(lambda: ({}, {"run": 1, "elapsed_s": 3.0, "steps": STEPS}))
    follower.update()
    follower.update()
    lines = [line.split("s  ", 1)[1] for line in capsys.readouterr().out.splitlines()]
    assert lines == [
        "plug: failed: plug did not confirm",
        "key: set",
        "skipped: rim, edge-left: no answer",
        "skipped: fill: locked out by Ana: a cable",
    ]


def test_the_record_has_it_in_one_line_too() -> None:
    rows = [{"kind": "step", "at": "", "run": 1, **s} for s in STEPS if s["phase"] == "skipped"]
    lines = [watching._timeline_line(row) for row in watching._together(rows)]
    assert [line.strip() for line in lines] == [
        "skipped: rim, edge-left: no answer",
        "skipped: fill: locked out by Ana: a cable",
    ]
    assert rows[0]["device"] == "rim"  # the rows themselves are as they were


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (step(1, "rim", "passed over", "no answer"), step(1, "rim", "skipped", "no answer")),
        (step(1, "rim", "sent", action="let boot"), step(1, "rim", "sent", action="boots")),
        (
            step(1, "rim", "confirmed", action="hear from"),
            step(1, "rim", "confirmed", action="wait for its report"),
        ),
    ],
)
def test_a_bridge_or_a_record_from_before_is_shown_in_todays_words(
    old: dict[str, Any], new: dict[str, Any]
) -> None:
    assert step_words.step_said(old) == step_words.step_said(new)
    assert step_words.phase_of(old) == step_words.phase_of(new)
    assert follow.notes({"steps": [old]}) == follow.notes({"steps": [new]})
    assert draw.bar([old], 2.0, 20) == draw.bar([new], 2.0, 20)
    row = {"kind": "step", "at": "", "run": 1}
    assert watching._timeline_line({**row, **old}) == watching._timeline_line({**row, **new})


# ---- what cannot be read ----------------------------------------------------------------------

MISHEARD = {
    "unreadable": {
        "topic": "say/desk",
        "why": "level is '9999', outside 0..255",
        "at": "2026-01-01T10:00:00.000Z",
        "count": 12,
    },
    "lacks": ["`say/desk` speaks, but has no `now.watt`; it has `now.Watt`"],
}


def test_what_cannot_be_read_is_said_in_status_and_on_the_page(
    capsys: pytest.CaptureFixture[str],
) -> None:
    clock = words.moment("2026-01-01T10:00:00.000Z")
    said = [
        "`say/desk` speaks, but has no `now.watt`; it has `now.Watt`",
        f"`say/desk` cannot be read: level is '9999', outside 0..255 (12 times, last {clock})",
    ]
    assert proof_words.misheard(MISHEARD) == said
    show.print_status({"set": "x", "state": "ready"}, {"desk-plug": MISHEARD})
    out = capsys.readouterr().out.splitlines()
    assert [f"desk-plug: {text}" for text in said] == out[-2:]
    made = board({"state": "ready"}, devices={"key": {"heard": "answers", **MISHEARD}})
    for part in (made.shows("hand")["things"], detail(made, "key", lambda: None)):
        assert "now.watt" in part
        assert "12 times, last" in part


def test_watch_says_what_is_new_of_it() -> None:
    before = {"alive": True, "state": {"state": "ready"}, "drift": [], "misheard": {}}
    now = {**before, "misheard": {"desk-plug": MISHEARD}}
    lines = watching._news(before, now)
    assert [line.split("  ", 1)[1].split(": ")[0] for line in lines] == ["desk-plug"] * 2
    assert watching._news(now, now) == []
    refused = {"state": "ready", "unreadable": MISHEARD["unreadable"]}
    (line,) = watching._news(before, {**before, "state": refused})
    assert "cannot be read" in line


@pytest.mark.parametrize("nonsense", [None, 7, "x", [], [7], {"count": "x"}, {"at": 7, "why": []}])
def test_nonsense_in_it_is_left_out(nonsense: object) -> None:
    for line in proof_words.misheard({"unreadable": nonsense, "lacks": nonsense}):
        assert line.isprintable()


def test_a_change_of_tint_is_said_beside_the_mired() -> None:
    """Positive Duv is greener (ANSI C78.377, from memory)."""
    moved = {"face": 0.0, "ratio_wanted": 2.0, "ratio": 2.0, "mired": 0.2, "duv": -0.0061}
    assert drift_words.picture(moved) == "Duv 0.0061 more magenta"
    assert drift_words.picture({**moved, "mired": 11.0, "duv": 0.002}) == (
        "11 mired warmer, Duv 0.0020 greener"
    )
    assert drift_words.picture({**moved, "duv": 0.0004}) == "face unchanged"


def test_a_look_of_two_whites_says_its_tint() -> None:
    """2700 and 6500 K mix below the locus (by hand in tests/figures/test_whites.py)."""
    presets = {"key": Preset(42.5, 2700.0), "fill": Preset(80.0, 6500.0)}
    profile = small(presets=presets)
    look = profile.looks["day"]
    assert look_json(profile, look)["at_the_mark"]["duv"] == pytest.approx(-0.0061, abs=1e-4)
    (line,) = [text for text in look_lines(profile, look) if text.startswith("at the mark")]
    assert "4273 K, Duv −0.006, magenta side (ANSI C78.377)" in line


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({}, "key moved, and nothing says how"),
        ({"point": None, "wanted": None, "reported": None}, "key moved, and nothing says how"),
        ({"point": "colour"}, "key colour moved, and nothing says how"),
        ({"point": "tilt", "wanted": 3}, "key tilt should be 3, and nothing says what it is"),
        ({"point": "tilt", "reported": 3}, "key tilt is 3"),
        ({"point": "tilt", "wanted": 3, "reported": 4}, "key tilt is 4, not 3"),
        ({"point": "level", "band": [28.0, 34.0], "by": "watts"}, "key 28 to 34 % by its watts"),
    ],
)
def test_a_drift_without_figures_says_what_is_known_and_no_more(
    entry: dict[str, object], said: str
) -> None:
    assert drift_words.drift_line([{"device": "key", **entry}]) == said

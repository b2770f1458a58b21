"""What is shown of a device says on what evidence; nothing told or timed looks like a report."""

from __future__ import annotations

import pytest

from studiobridge.cli import follow, show
from studiobridge.profile.model import Device
from studiobridge.shown import drift_words, proof_words, step_words, words
from studiobridge.shown.condition import condition

LAMP = Device("key", "light", speaks="x", tells=frozenset({"level"}), hears=frozenset({"level"}))
MUTE = Device("strip", "light")
DIAL = Device("rim", "light", hand_set=True)


def view(**more: object) -> dict[str, object]:
    return {"online": True, "switch": True, "level": 50.0, "confirmed": True, **more}


@pytest.mark.parametrize(
    ("device", "said", "code", "text"),
    [
        (LAMP, view(by="report"), "set", "as it should be"),
        (LAMP, view(by="watts"), "set", "as it should be, by its watts"),
        (LAMP, view(by="picture"), "set", "as it should be, by the picture"),
        (LAMP, view(by="told"), "told", "only told: nothing confirms it"),
        (LAMP, view(by="told", confirmed=False), "told", "only told: nothing confirms it"),
        (LAMP, view(by=None, confirmed=False), "unsure", "not confirmed yet"),
        (LAMP, view(by="nonsense"), "unsure", "not confirmed yet"),
        (LAMP, view(by=["report"]), "unsure", "not confirmed yet"),
        # a bridge from before evidence was named
        (LAMP, view(), "set", "as it should be"),
        (LAMP, view(confirmed=False), "unsure", "not confirmed yet"),
        (MUTE, view(confirmed=False), "plain", "says nothing itself"),
        (MUTE, view(by="watts"), "set", "as it should be, by its watts"),
        (MUTE, view(by="told"), "told", "only told: nothing confirms it"),
        (
            MUTE,
            view(by="told", preset={"level": 40.0, "cct": 4300.0}),
            "told",
            "only told 40 %, 4300 K: nothing confirms it",
        ),
        (
            DIAL,
            view(by="watts", gauged={"level": {"low": 28.0, "high": 34.0, "by": "watts"}}),
            "hand",
            "on its dial, as it should be, 28 to 34 % by its watts",
        ),
        (DIAL, view(), "hand", "on its dial"),
        (DIAL, view(by="hand"), "hand", "on its dial, set by hand"),
        (DIAL, view(by="told", confirmed=False), "hand", "on its dial"),
    ],
)
def test_a_device_says_its_evidence(
    device: Device, said: dict[str, object], code: str, text: str
) -> None:
    found = condition(device, said, sure=True, up=True)
    assert (found.code, found.words) == (code, text)


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ({"confirmed": True, "by": "report"}, "✓ report"),
        ({"confirmed": True, "by": "watts"}, "✓ watts"),
        ({"confirmed": True, "by": "hand"}, "✓ by hand"),
        ({"confirmed": True, "by": "picture"}, "✓ picture"),
        ({"confirmed": True, "by": "told"}, "only told"),
        ({"confirmed": False, "by": "told"}, "only told"),
        ({"confirmed": False, "by": "report"}, ""),
        ({"confirmed": True, "by": None}, ""),
        ({"confirmed": True, "by": 7}, ""),
        ({"confirmed": True}, "✓"),
        ({"confirmed": False}, ""),
        ({}, ""),
    ],
)
def test_the_tick_is_for_what_is_proven(said: dict[str, object], text: str) -> None:
    assert proof_words.proof(said) == text


def step(phase: str, action: str = "boots", **more: object) -> dict[str, object]:
    return {
        "n": 1,
        "device": "camera",
        "action": action,
        "value": "",
        "phase": phase,
        "text": "",
        "at_s": 2.0,
        "until_s": 6.0,
        **more,
    }


@pytest.mark.parametrize("action", ["boots", "cool down"])
@pytest.mark.parametrize("phase", ["waited out", "confirmed"])
def test_a_timer_earns_no_tick(action: str, phase: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Also where an older bridge calls a time that ran out confirmed: nothing else ends these."""
    run = {"run": 1, "elapsed_s": 6.0, "steps": [step(phase, action)]}
    said = follow.notes(run)["camera"]
    assert "✓" not in said
    assert said == "◌ waited 4 s"
    follower = follow.Follower(lambda: ({}, run))
    follower.update()
    line = capsys.readouterr().out.strip()
    assert line.endswith("camera: ◌ waited 4 s: nothing can confirm it")


def test_a_report_earns_its_tick() -> None:
    run = {"run": 1, "steps": [step("confirmed", "power on")]}
    assert follow.notes(run) == {"camera": "✓ on"}
    run = {"run": 1, "steps": [step("failed", "power on", text="no answer")]}
    assert follow.notes(run) == {"camera": "✗ failed"}


@pytest.mark.parametrize("until", [None, float("nan"), float("inf"), "x", 10**400])
def test_a_time_that_is_no_number_is_left_out(until: object) -> None:
    said = step_words.step_said(step("waited out", until_s=until))
    assert said == "waited: nothing can confirm it"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 10**400, True, "1"])
def test_a_number_that_cannot_be_said_is_none(value: object) -> None:
    assert words.number(value) is None


STATE = {
    "set": "corner",
    "state": "ready",
    "silent": [{"device": "fill", "since": "2026-01-01T10:00:00.000Z"}],
    "still_on": [
        {
            "device": "bench-plug",
            "watts": 60.0,
            "since": "2026-01-01T10:00:00.000Z",
            "why": "switched on by hand",
            "by": "report",
        },
        {"device": "old-plug", "watts": None},
        {"device": "wall-plug", "by": "report", "why": "it says on"},
    ],
    "only_told": ["rim", "cloth"],
    "link_slow": "the way to the broker is slow: 3.0 s there and back",
    "record_lost": 2,
}


def test_status_says_what_is_not_proven() -> None:
    lines = show.remarks(STATE)
    clock = words.moment("2026-01-01T10:00:00.000Z")
    assert (
        f"still on: bench-plug, 60.0 W, since {clock}, by its report: switched on by hand" in lines
    )
    assert "still on: old-plug" in lines
    assert "still on: wall-plug, by its report" in lines
    assert f"silent: fill, since {clock}" in lines
    assert "only told, nothing confirms it: rim and cloth" in lines
    assert "the way to the broker is slow: 3.0 s there and back" in lines
    assert "the record: 2 notes were lost" in lines


def test_a_cut_set_says_so() -> None:
    assert "dark, cut" in show.headline({"set": "x", "state": "dark", "cut": True})
    assert "cut" not in show.headline({"set": "x", "state": "dark", "cut": False})
    assert "cut" not in show.headline({"set": "x", "state": "dark"})


@pytest.mark.parametrize(
    "nonsense", [None, 3, "x", [3], [None], [{}], {"a": 1}, True, float("nan")]
)
def test_nonsense_in_any_of_it_is_left_out(nonsense: object) -> None:
    """A bridge of another version, or somebody who may write where a bridge writes."""
    for key in ("silent", "still_on", "only_told", "link_slow", "record_lost", "cut"):
        state = {"set": "x", "state": "dark", key: nonsense}
        show.remarks(state)
        show.headline(state)


def test_status_shows_the_evidence_of_each_device(capsys: pytest.CaptureFixture[str]) -> None:
    devices = {
        "key": {"level": 64.0, "confirmed": True, "by": "report"},
        "strip": {"confirmed": False, "by": "told"},
    }
    show.print_status({"set": "x", "state": "ready"}, devices)
    out = capsys.readouterr().out
    key, strip = (next(line for line in out.splitlines() if line.startswith(n)) for n in devices)
    assert "✓ report" in key
    assert "only told" in strip
    assert "✓" not in strip


@pytest.mark.parametrize(
    ("gauged", "text"),
    [
        ({"level": {"low": 28.4, "high": 34.0, "by": "watts"}}, "28 to 34 % by its watts"),
        ({"level": {"low": 2.0, "high": 6.5, "by": "watts"}}, "2.0 to 6.5 % by its watts"),
        ({"level": {"low": 0.0, "high": 0.0, "by": "watts"}}, "0 % by its watts"),
        (
            {"level": {"low": 0.0, "high": 100.0, "by": "watts"}},
            "its level cannot be told by its watts",
        ),
        ({"switch": {"low": 1.0, "high": 1.0, "by": "watts"}}, "on by its watts"),
        ({"switch": {"low": 0.0, "high": 1.0, "by": "watts"}}, ""),
        (
            {"cct": {"low": 4080.0, "high": 4310.0, "by": "picture"}},
            "4080 to 4310 K by the picture",
        ),
        ({"level": {"low": None, "high": "x", "by": "watts"}}, ""),
        ({"level": {"low": 1.0, "high": 2.0, "by": "feeling"}}, ""),
        (None, ""),
    ],
)
def test_a_band_is_shown_as_a_band_with_its_evidence(gauged: object, text: str) -> None:
    assert proof_words.gauged({"gauged": gauged}) == text


def test_drift_by_watts_says_where_it_lies_and_not_that_it_was_reported() -> None:
    entry = {"point": "level", "wanted": 30.0, "reported": 45.0, "stops": 0.58}
    by_watts = {**entry, "by": "watts", "band": [45.0, 60.0]}
    assert drift_words.drifted([by_watts]) == "45 to 60 % by its watts, not 30 %"
    assert drift_words.drifted([{**entry, "by": "report", "band": None}]) == "+0.58 stop"
    assert drift_words.drifted([{**entry, "by": "watts", "band": "xy"}]) == "+0.58 stop"


def test_a_line_of_drift_by_watts_has_a_band_and_no_number_that_was_never_reported() -> None:
    entry = {"device": "rim", "point": "level", "wanted": 30.0, "reported": 45.0, "stops": 0.58}
    line = drift_words.drift_line(
        [{**entry, "by": "watts", "band": [45.0, 60.0], "worst": {"reported": 70.0}, "for_s": 12.0}]
    )
    assert line == "rim 45 to 60 % by its watts, not 30 %; for 12.0 s"
    why = "rim or edge-left changed by +4.1 W; the watts do not say which"
    doubt = {"device": "rim or edge-left", "perhaps": ["rim", "edge-left"], "why": why}
    assert (
        drift_words.drift_line([{**doubt, "point": "level", "wanted": None, "reported": None}])
        == why
    )


@pytest.mark.parametrize(
    ("rolling", "by", "said"),
    [
        (True, "watts", "rolls, by its watts"),
        (False, "report", "does not roll, by its report"),
        (False, "hand", "does not roll, by a person's word"),
        # never "no" out of nothing, whatever came in
        (None, None, "not known whether it rolls"),
        (False, None, "not known whether it rolls"),
        (False, "rumour", "not known whether it rolls"),
    ],
)
def test_a_camera_is_shown_with_its_evidence(rolling: object, by: object, said: str) -> None:
    view = {"kind": "camera", "rolling": rolling, "rolling_by": by}
    assert proof_words.rolls(view) == said
    assert proof_words.rolls({**view, "kind": "light"}) == ""

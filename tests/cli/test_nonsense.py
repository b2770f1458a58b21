"""Nonsense in what the broker keeps of a set: a command that waits for its answer still gets it."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest

from studiobridge.bridge.asking import Shown
from studiobridge.cli import show, watching
from studiobridge.cli.follow import follow

STEP = '{"n": 1, "device": "key", "phase": "sent", "what": "set"}'
RUNS = (
    "{}",
    '{"run": 1, "steps": 5, "elapsed_s": 1.0}',
    '{"run": 1, "steps": [[]], "elapsed_s": 1.0}',
    '{"run": NaN, "steps": [' + STEP + '], "elapsed_s": 1.0}',
    '{"run": 1, "steps": [' + STEP + '], "elapsed_s": "soon"}',
    '{"run": 1, "steps": [' + STEP + '], "elapsed_s": 1e999}',
)


@pytest.mark.parametrize("run", RUNS)
def test_a_run_that_cannot_be_shown_does_not_end_who_waits_for_the_answer(
    run: str, capsys: pytest.CaptureFixture[str]
) -> None:
    heard = Shown()
    assert heard.hear(["state"], b'{"state": "rising"}')
    assert heard.hear(["run"], run.encode())
    told: list[float] = []

    async def waits() -> str:
        until: asyncio.Future[str] = asyncio.get_running_loop().create_future()

        async def changed(within: float | None) -> bool:
            told.append(within or 0.0)
            if len(told) == 3:
                until.set_result("ready")
            return True

        await follow(lambda: (heard.state, heard.run), changed, until)
        return await until

    assert asyncio.run(waits()) == "ready"
    assert capsys.readouterr().err.count("cannot be shown") == 1


@pytest.mark.parametrize("key", ["rolling", "lockouts", "contested", "rivals", "supplies"])
@pytest.mark.parametrize("value", [True, 4e12, "x", ["x"], [{"device": ["key"]}]])
def test_nonsense_in_the_state_ends_neither_status_nor_watch(key: str, value: object) -> None:
    heard = Shown()
    assert heard.hear(["state"], json.dumps({"state": "ready", key: value}).encode())
    assert "ROLLING: True" not in "".join(show.remarks(heard.state or {}))
    now: dict[str, Any] = {"alive": True, "state": heard.state, "drift": [], "misheard": {}}
    assert any("ready" in line for line in watching._news({}, now))
    watching._news(now, {**now, "state": {"state": "ready"}})


def test_drift_that_does_not_say_how_much_does_not_end_watch() -> None:
    heard = Shown()
    assert heard.hear(["drift"], b'[{"device": "key"}]')
    now: dict[str, Any] = {"alive": True, "state": {}, "drift": heard.drift, "misheard": {}}
    assert any("key" in line for line in watching._news({}, now))

"""Ctrl-C before a command has begun: no traceback, no warning, and the code a shell gives it."""

from __future__ import annotations

import asyncio
import inspect
import subprocess
import sys

import pytest

from studiobridge.cli import base

# Python raises it wherever it is: here while the commands are imported.
WHILE_IMPORTING = """\
import sys

class Interrupts:
    def find_spec(self, name, path=None, target=None):
        if name == "studiobridge.shown.words":
            raise KeyboardInterrupt

sys.meta_path.insert(0, Interrupts())
from studiobridge.cli import main
main()
"""


def test_while_it_is_imported() -> None:
    done = subprocess.run(
        [sys.executable, "-c", WHILE_IMPORTING], capture_output=True, text=True, timeout=30
    )
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


def test_before_its_task_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    async def never() -> int:
        return 0

    def interrupted(task: object) -> int:
        raise KeyboardInterrupt

    task = never()
    monkeypatch.setattr(asyncio, "run", interrupted)
    with pytest.raises(KeyboardInterrupt):
        base.run_asking(task)
    assert inspect.getcoroutinestate(task) == inspect.CORO_CLOSED

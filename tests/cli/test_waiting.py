"""What a terminal shows while somebody waits, and that a pipe is shown nothing of it."""

from __future__ import annotations

import asyncio
import io

import pytest

from studiobridge.cli import waiting


class Screen(io.StringIO):
    """A terminal, or a pipe."""

    def __init__(self, terminal: bool) -> None:
        super().__init__()
        self.terminal = terminal

    def isatty(self) -> bool:
        return self.terminal


def waited(monkeypatch: pytest.MonkeyPatch, takes: float, terminal: bool = True) -> str:
    screen = Screen(terminal)
    monkeypatch.setattr("sys.stderr", screen)
    monkeypatch.setattr(waiting, "SOON", 0.05)
    monkeypatch.setattr(waiting, "EVERY", 0.05)
    monkeypatch.setenv("TERM", "xterm")

    async def look() -> None:
        async with waiting.waiting("looking", lambda: "no frames\x1b[2J"):
            await asyncio.sleep(takes)

    asyncio.run(look())
    return screen.getvalue()


def test_a_terminal_says_what_is_waited_for_and_is_left_clean(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    said = waited(monkeypatch, 0.2)
    assert "looking … 0 s (no frames" in said
    assert said.count("looking") >= 2  # it goes on
    assert said.endswith("\r\033[K")
    assert "\x1b[2J" not in said  # what a witness says drives no terminal


def test_what_is_there_soon_and_a_pipe_show_no_such_line(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "looking" not in waited(monkeypatch, 0.0)
    assert waited(monkeypatch, 0.2, terminal=False) == ""

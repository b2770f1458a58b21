"""`adjust`: what it asks for, and what it refuses before anybody is asked."""

from __future__ import annotations

from typing import Any

import pytest
from typer.testing import CliRunner

from studiobridge.cli import adjusting
from studiobridge.cli.app import load
from studiobridge.cli.base import Stop, app

load("adjust")


def run(*args: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["adjust", *args])
    if isinstance(done.exception, Stop):
        return done.exception.code, str(done.exception)
    return done.exit_code, done.output


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, dict[str, Any]]]:
    found: list[tuple[str, dict[str, Any]]] = []
    monkeypatch.setattr(
        adjusting,
        "ask_simply",
        lambda what, settings, set_name, profile, **more: found.append((what, more)),
    )
    return found


@pytest.mark.parametrize(
    ("args", "what", "step"),
    [
        (("key", "+0.1", "stop"), "adjust", "+0.1 stop"),
        (("key", "-5 mired"), "adjust", "-5 mired"),
        (("key", "-5", "mired"), "adjust", "-5 mired"),
        (("key", "--keep"), "keep", None),
        (("key", "--back"), "restore", None),
        (("key", "-0.1", "stop", "--json"), "adjust", "-0.1 stop"),
    ],
)
def test_it_asks_for_what_is_said(
    asked: list[tuple[str, dict[str, Any]]], args: tuple[str, ...], what: str, step: str | None
) -> None:
    code, said = run(*args)
    assert (code, said) == (0, "")
    ((word, more),) = asked
    assert (word, more["targets"], more.get("step")) == (what, ["key"], step)
    assert more["as_json"] is ("--json" in args)


@pytest.mark.parametrize(
    "args",
    [("key",), ("key", "+1", "K"), ("key", "0.1", "stop"), ("key", "--keep", "--back"),
     ("key", "+0.1", "stop", "--keep"), ("key", "--nonsense")],
)  # fmt: skip
def test_anything_else_is_refused_before_anybody_is_asked(
    asked: list[tuple[str, dict[str, Any]]], args: tuple[str, ...]
) -> None:
    code, said = run(*args)
    assert (code, asked) == (2, [])
    assert "+0.1 stop" in said

"""`--help`: every command under a heading, whole at 80 columns, and its module loaded for it."""

from __future__ import annotations

from typer.main import get_command
from typer.testing import CliRunner

from studiobridge.cli import app as program
from studiobridge.cli.base import SECTIONS


def test_every_command_stands_under_one_heading_and_in_one_module() -> None:
    commands = set(get_command(program.app).commands)  # type: ignore[attr-defined]
    headed = [name for names in SECTIONS.values() for name in names]
    assert sorted(headed) == sorted(set(headed))
    assert set(headed) == commands
    loaded = [name for names in program.COMMANDS.values() for name in names]
    assert sorted(loaded) == sorted(commands)


def test_no_sentence_of_it_is_cut() -> None:
    shown = CliRunner().invoke(program.app, ["--help"], terminal_width=80).stdout
    assert max(map(len, shown.splitlines())) <= 80
    flat = " ".join(shown.split())
    for name, command in get_command(program.app).commands.items():  # type: ignore[attr-defined]
        first = (command.help or "").strip().partition("\n")[0]
        assert first
        assert f"{name} {first}" in flat

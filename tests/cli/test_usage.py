"""What somebody is told who typed a command wrongly: what belongs there, and a line that is right."""

from __future__ import annotations

import shlex
from typing import Any

import pytest
from typer.main import get_command

from studiobridge.cli import app as program
from studiobridge.cli.usage import LIKE
from tests.cli.conftest import Run


def commands() -> dict[str, Any]:
    """Every command and subcommand by what is typed."""
    found: dict[str, Any] = {}
    for name, command in get_command(program.app).commands.items():  # type: ignore[attr-defined]
        below = getattr(command, "commands", None)
        if below is None:
            found[name] = command
        for sub, one in (below or {}).items():
            found[f"{name} {sub}"] = one
    return found


@pytest.mark.parametrize("name", sorted(LIKE))
def test_the_line_that_is_offered_can_be_typed_as_it_stands(name: str) -> None:
    typed = shlex.split(LIKE[name])
    words = name.split()
    assert typed[: len(words)] == words
    command = commands()[name]
    command.make_context(name, typed[len(words) :])


def test_every_command_that_has_to_be_told_something_has_such_a_line() -> None:
    needs = {name for name, one in commands().items() if any(p.required for p in one.params)}
    assert needs <= set(LIKE)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (
            "rolling camera",
            "'camera' is neither on nor off, which stands before the cameras: `studiobridge rolling"
            " on camera` says that it rolls, `rolling off camera` that it has stopped",
        ),
        ("rolling camera on", "`rolling off camera` that it has stopped"),
        (
            "rolling",
            "studiobridge rolling: STATE is missing: on or off; like `studiobridge rolling",
        ),
        (
            "lockout key --by Ana",
            "studiobridge lockout: --why is missing: why; like `studiobridge lockout key --by Ana",
        ),
        ("release", "TARGET is missing: a device or a circuit; like `studiobridge release key`"),
        (
            "record --session x",
            "studiobridge record: --session is a whole number from 1 to 99999999; like",
        ),
        ("record --session 0", "--session is a whole number from 1 to 99999999; like"),
        ("up --look", "studiobridge up: behind --look its value is missing"),
        ("down now", "studiobridge down: nothing more may stand here than this: 'now' is too much"),
        ("takes 12 --differ", "there is no --differ here, there is --differs"),
        ("stauts", "studiobridge: No such command 'stauts'. Did you mean 'status'?"),
        ("nonsense", "`studiobridge --help` has them all"),
        ("try kye 40 % --profile {}", "has no device 'kye'; did you mean 'key'?"),
        ("measure kye --profile {}", "has no device 'kye'; did you mean 'key'?"),
        ("light {} --look lessn", "no look 'lessn' in this set; did you mean 'lesson'? it has: "),
    ],
)
def test_a_slip_is_told_with_what_may_stand_there(inside: Run, typed: str, said: str) -> None:
    found = inside(*shlex.split(typed.format("config/wheel-corner.yaml")))
    assert (found.returncode, found.stdout) == (2, "")
    assert said in " ".join(found.stderr.split())

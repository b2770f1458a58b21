"""What a command loads before it says anything: nobody waits for what it does not use."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

from studiobridge.cli import base
from studiobridge.cli.app import COMMANDS

CONFIG = Path(__file__).parents[2] / "config"
NEEDLESS = {"asyncio", "paho", "sqlalchemy", "rich", "jinja2", "numpy", "scipy", "iotcore"}
NEEDLESS |= {f"studiobridge.{name}" for name in ("bridge", "speech", "control.controller")}


@pytest.mark.parametrize("command", ["check", "light", "plan"])
def test_who_only_looks_at_a_profile_loads_nothing_that_runs_a_set(command: str) -> None:
    program = (
        "import sys\nfrom studiobridge.cli import main\ntry:\n    main()\nfinally:\n"
        "    print('\\n'.join(sys.modules), file=sys.stderr)"
    )
    more = ["up"] if command == "plan" else []
    done = subprocess.run(
        [sys.executable, "-c", program, command, CONFIG / "wheel-corner.yaml", *more],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    read = set(done.stderr.split())
    assert "studiobridge.profile.build" in read
    assert sorted(read & NEEDLESS) == []


def test_every_command_stands_with_its_module() -> None:
    """Else it would be there for --help and not when it is asked for, or be loaded late."""
    for module in COMMANDS:
        import_module(f"studiobridge.cli.{module}")
    found: dict[str, set[str]] = {}
    for command in base.app.registered_commands:
        assert command.callback is not None
        module = command.callback.__module__.rpartition(".")[2]
        name = command.name or command.callback.__name__.replace("_", "-")
        found.setdefault(module, set()).add(name)
    for group in base.app.registered_groups:
        assert group.typer_instance is not None
        command = group.typer_instance.registered_commands[0]
        assert command.callback is not None
        module = command.callback.__module__.rpartition(".")[2]
        found.setdefault(module, set()).add(str(group.name))
    assert found == {module: set(names) for module, names in COMMANDS.items()}

"""Each command in the README is run: here, or where it is said below."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
# what cannot be run here as it stands, and what runs it
ELSEWHERE = {
    "tests/run": "what runs this very test, where .ci/run calls it",
    "deploy/install": "tests/bare-machine",
    **dict.fromkeys(
        ("deploy/rehearse --page", "deploy/rehearse --phone", "deploy/rehearse --stay"),
        "each stays until it is stopped: tests/cli/test_rehearse.py, tests/rehearsal/test_hands.py",
    ),
    "deploy/studiobridge run corner.yaml": "tests/cli/test_first_day.py, by the program itself",
    **dict.fromkeys(
        ("studiobridge listen", "studiobridge meet", "studiobridge draft corner", "studiobridge try key 40 %", "studiobridge up"),
        "tests/cli/test_first_day.py and tests/bare-machine, which read them from the README",
    ),
    # each asks a bridge that runs: there is none here
    "deploy/rehearse --witness": "tests/cli/test_rehearse.py",
    "studiobridge takes": "tests/bridge/test_takes_killed.py",
    "studiobridge quiet": "tests/bridge/test_quiet.py",
    "studiobridge adjust key +0.1 stop": "tests/cli/test_adjust.py",
}  # fmt: skip
PROFILE = "config/wheel-corner.yaml"


def commands() -> list[str]:
    """Every command of the README: lines to type, and what stands between backticks."""
    lines = [line.split("#")[0].strip() for line in re.findall(r"^    (\S.*)$", TEXT, re.M)]
    inline = re.findall(r"`((?:deploy/|tests/|studiobridge )[^`]+)`", TEXT)
    # a row of the table goes on with the other commands that take a profile
    for row in re.findall(r"`studiobridge check PROFILE`((?:, `[a-z]+`)+)", TEXT):
        inline += [f"studiobridge {name} PROFILE" for name in re.findall(r"`([a-z]+)`", row)]
    return list(dict.fromkeys([*lines, *inline]))


HERE = [command for command in commands() if command not in ELSEWHERE]


def test_there_is_something_to_run_and_nothing_is_said_to_run_that_is_not_there() -> None:
    assert len(HERE) >= 9, HERE
    assert set(ELSEWHERE) <= set(commands()), set(ELSEWHERE) - set(commands())


@pytest.mark.parametrize("command", HERE)
def test_it_runs(command: str, tmp_path: Path) -> None:
    words = shlex.split(command.replace("PROFILE", PROFILE))
    more: list[str] = []
    made = ROOT / ".venv/.made-for"
    if words[0].startswith("deploy/") and not (made.is_file() and "[test]" in made.read_text()):
        pytest.skip(
            "it would make the environment these tests run in anew; tests/run made none here"
        )
    if words[0] == "studiobridge":
        words[0:1] = [sys.executable, "-c", "from studiobridge.cli import main; main()"]
        more = {
            "plan": ["up"],
            "sheet": ["-o", str(tmp_path / "wall.html")],
        }.get(words[3], [])
    elif words[0] == "deploy/rehearse":  # the same on a smaller set, and faster
        more = ["config/one-plug-one-light.yaml", "--pace", "20"]
    elif words == ["deploy/studiobridge", "listen"]:  # with no broker it says so
        more = ["--for", "1 s"]
    env = {**os.environ, "HOME": str(tmp_path), "STUDIOBRIDGE_BROKER": "mqtt://127.0.0.1:9"}
    done = subprocess.run(
        [*words, *more], cwd=ROOT, env=env, text=True, capture_output=True, timeout=120, check=False
    )
    wanted = 3 if words[-1] == "listen" else 0
    assert done.returncode == wanted, (command, done.stdout, done.stderr)
    assert "Traceback" not in done.stderr

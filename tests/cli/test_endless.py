"""Files that never end, or are not there: a sentence and exit code 2, and the memory left to others."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

# what a command takes by itself is a fifth of this (bytes)
MOST_MEMORY = 1_500_000_000


def held_in(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", "from studiobridge.cli import main; main()", *args],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY)),
    )


@pytest.mark.parametrize(
    "args",
    [
        ("check", "/dev/zero"),
        ("try", "--dialect", "x", "--at", "y", "--book", "/dev/zero"),
        ("meet", "--answers", "/dev/zero", "--book", "nowhere.yaml"),
        ("measure", "key", "--profile", "nowhere.yaml"),
        ("status", "--settings", "/dev/zero"),
    ],
    ids=lambda args: args[0],
)
def test_no_file_brings_a_command_down(
    args: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = held_in(*args)
    assert done.returncode == 2, done.stderr[-300:]
    assert done.stderr and "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_terminal_of_another_alphabet_is_written_to_as_far_as_it_goes() -> None:
    profile = Path(__file__).parents[2] / "config" / "wheel-corner.yaml"
    done = subprocess.run(
        [sys.executable, "-c", "from studiobridge.cli import main; main()", "light", str(profile)],
        env={**os.environ, "PYTHONIOENCODING": "latin-1"},
        capture_output=True,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert "°".encode("latin-1") in done.stdout

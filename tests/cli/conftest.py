"""What the tests of the commands share."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from studiobridge.cli import main

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def inside(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Run:
    """A command by the entry point itself, in this process: a process for each of many cases
    takes half a minute of a suite that has fifteen."""
    monkeypatch.setenv("HOME", str(tmp_path))

    def run(*args: object) -> subprocess.CompletedProcess[str]:
        words = [str(arg) for arg in args]
        monkeypatch.setattr("sys.argv", ["studiobridge", *words])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return subprocess.CompletedProcess(words, int(ended.value.code or 0), said.out, said.err)

    return run

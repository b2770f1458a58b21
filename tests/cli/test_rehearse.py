"""`rehearse` where something of it is missing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

CONFIG = Path(__file__).parents[2] / "config"


def test_without_its_broker_it_says_what_to_install() -> None:
    program = "import sys\nsys.modules['iotcore'] = None\nfrom studiobridge.cli import main\nmain()"
    done = subprocess.run(
        [sys.executable, "-c", program, "rehearse", CONFIG / "one-plug-one-light.yaml"],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert "pip install 'studiobridge[rehearsal]'" in line

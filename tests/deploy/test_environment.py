"""The first command out of a checkout, and all that may come in between."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]

# Stands in for Python: makes a virtual environment whose pip takes its time over two packages,
# and counts how often it was asked to.
PYTHON = """#!/usr/bin/env bash
case $* in
    -V) echo "Python 3.99" ;;
    -c*) ;;
    "-m venv --clear "*)
        echo made >>"$COUNTED"
        rm -rf "$4"
        mkdir -p "$4/bin"
        cat >"$4/bin/pip" <<'PIP'
#!/usr/bin/env bash
echo "Collecting paho-mqtt<3,>=2.1 (from studiobridge==0.1.0)"
sleep "$TAKES"
if [ -n "${FAILS:-}" ]; then echo "ERROR: no index" >&2; exit 1; fi
echo "Installing collected packages: paho-mqtt, studiobridge"
echo '#!/usr/bin/env bash
echo "ran in $PWD:" "$@"' >"${0%/*}/studiobridge"
chmod +x "${0%/*}/studiobridge"
PIP
        chmod +x "$4/bin/pip" ;;
esac
"""


class Checkout:
    def __init__(self, folder: Path) -> None:
        self.top = folder / "a checkout"
        shutil.copytree(TOP / "deploy", self.top / "deploy")
        shutil.copytree(TOP / "config", self.top / "config")
        (self.top / "pyproject.toml").write_text("[project]")
        self.counted = folder / "counted"
        self.python = folder / "python"
        self.python.write_text(PYTHON)
        self.python.chmod(0o755)

    @property
    def made(self) -> int:
        return len(self.counted.read_text().splitlines()) if self.counted.exists() else 0

    def start(self, *command: str, takes: float = 0.0, **env: str) -> subprocess.Popen[str]:
        env = {**os.environ, "PYTHON": str(self.python), "COUNTED": str(self.counted), **env}
        return subprocess.Popen(
            [str(self.top / "deploy" / command[0]), *command[1:]],
            env=env | {"TAKES": str(takes)},
            cwd=self.top.parent,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def run(self, *command: str, takes: float = 0.0, **env: str) -> tuple[int, str, str]:
        process = self.start(*command, takes=takes, **env)
        out, err = process.communicate(timeout=20)
        return process.returncode, out, err


@pytest.fixture
def checkout(tmp_path: Path) -> Checkout:
    return Checkout(tmp_path)


def test_the_first_command_makes_what_it_needs_and_the_next_finds_it(checkout: Checkout) -> None:
    code, out, err = checkout.run("studiobridge", "check", "my set.yaml")
    assert (code, out) == (0, f"ran in {checkout.top.parent}: check my set.yaml\n")
    assert "Collecting paho-mqtt" in err
    assert "installed in" in err
    code, out, err = checkout.run("rehearse", "--stay")
    assert out.split(": ")[1] == f"rehearse {checkout.top}/config/wheel-corner.yaml --stay\n"
    assert (code, err, checkout.made) == (0, "", 1)


def test_a_profile_is_found_from_where_one_stands(checkout: Checkout) -> None:
    (checkout.top.parent / "mine.yaml").write_text("")
    assert checkout.run("rehearse", "mine.yaml")[1].endswith(": rehearse mine.yaml\n")
    found = checkout.run("rehearse", "config/spare-room.yaml")[1]
    assert found.endswith(f": rehearse {checkout.top}/config/spare-room.yaml\n")


def test_stopped_half_way_it_is_made_anew(checkout: Checkout) -> None:
    process = checkout.start("studiobridge", "check", takes=5.0)
    assert process.stderr is not None
    while "Collecting" not in process.stderr.readline():
        pass
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert err.strip() == "Stopped half way: the next time begins anew."
    code, out, _ = checkout.run("studiobridge", "check")
    assert (code, out.split(": ")[1], checkout.made) == (0, "check\n", 2)


def test_of_two_at_once_one_makes_it_and_both_run(checkout: Checkout) -> None:
    first = checkout.start("studiobridge", "first", takes=0.6)
    while not checkout.made:
        time.sleep(0.01)
    code, out, err = checkout.run("studiobridge", "second")
    assert (code, out.split(": ")[1]) == (0, "second\n")
    assert "waiting for it" in err
    assert first.communicate(timeout=30)[0].endswith(": first\n")
    assert checkout.made == 1


def test_what_failed_is_said_and_is_not_taken_for_made(checkout: Checkout) -> None:
    code, out, err = checkout.run("studiobridge", "check", FAILS="yes")
    assert (code, out) == (1, "")
    assert "no index" in err
    assert "begins anew" in err
    assert checkout.run("studiobridge", "check")[0] == 0


def test_a_checkout_that_was_moved_makes_another(checkout: Checkout) -> None:
    checkout.run("studiobridge", "check")
    checkout.top = checkout.top.rename(checkout.top.parent / "elsewhere")
    assert checkout.run("studiobridge", "check")[0] == 0
    assert checkout.made == 2

"""deploy/install where it may change nothing: wrong arguments, a rehearsal of it, a look at an empty machine.

What it does on a real one is played by tests/bare-machine, on a booted Debian of its own.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
PLACES = ("/opt/studiobridge", "/etc/studiobridge", "/var/lib/studiobridge-broker")
empty_machine = pytest.mark.skipif(
    any(Path(place).exists() for place in PLACES),
    reason="studiobridge is installed on this machine",
)
debian = pytest.mark.skipif(
    not Path("/etc/debian_version").exists()
    or not Path("/etc/debian_version").read_text().startswith(("12", "13", "bookworm", "trixie")),
    reason="takes a Debian 12 or 13",
)


def install(*args: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [str(TOP / "deploy/install"), *args], capture_output=True, text=True, timeout=60
    )
    assert "unbound variable" not in done.stderr and "line " not in done.stderr, done.stderr
    return done


@empty_machine
@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--whel", "x"], "no option '--whel'"),
        (["--wheel"], "--wheel wants a value"),
        (["--wheel", "nowhere.whl"], "no file 'nowhere.whl'"),
        (["--wheel", str(TOP / "pyproject.toml")], "is no wheel of studiobridge"),
        (["--name", "a b"], "is no name"),
        (["--name", "-x;reboot"], "is no name"),
        (["--broker-port", "0"], "not from 1 to 65535"),
        (["--broker-port", "65536"], "not from 1 to 65535"),
        (["--page-port", "443"], "below 1024"),
        (["--page-port", "9000", "--broker-port", "9000"], "cannot share a port"),
        (["--dry-run", "--page-port", "8883"], "cannot share a port"),
        (["plug"], "neither an option nor DEVICE=TOPIC"),
        (["plug=#"], "has a wildcard in it"),
        (["bridge=corner/plug"], "a name of the set's own"),
        (["Plug=corner/plug"], "is no name"),
        (["plug=studiobridge/x"], "is of the set"),
        (["--check", "plug=corner/plug"], "takes no wheel, name, port or device"),
        (["--check", "--remove"], "two different things"),
        (["--check", "--dry-run"], "goes with installing"),
        (["\x1b[31m"], "neither an option"),
    ],
)
def test_wrong_arguments_are_told_off_before_anything_is_done(args: list[str], said: str) -> None:
    done = install(*args)
    assert (done.returncode, done.stdout) == (2, "")
    assert (
        said in done.stderr and "nothing was changed" in done.stderr and "\x1b" not in done.stderr
    )
    assert not any(Path(place).exists() for place in PLACES)


@empty_machine
def test_looking_at_an_empty_machine() -> None:
    done = install("--check")
    assert done.returncode == 1
    assert "not installed here" in done.stdout


@empty_machine
@debian
def test_a_dry_run_says_what_it_would_do_and_does_nothing() -> None:
    done = install("--dry-run", "--name", "studio.example", "plug=corner/plug")
    assert done.returncode == 0, done.stderr
    for what in (
        "user studiobridge",
        "certificate authority",
        "new for plug",
        "settings.yaml",
        "unit studiobridge.service",
    ):
        assert f"{what}" in done.stdout
    assert all(line.startswith("would: ") for line in done.stdout.splitlines())
    assert not any(Path(place).exists() for place in PLACES)


@empty_machine
@pytest.mark.skipif(os.geteuid() != 0, reason="says first that it takes root")
def test_removing_nothing_is_nothing() -> None:
    done = install("--remove", "--dry-run")
    assert (done.returncode, done.stdout) == (
        0,
        "Nothing to do: studiobridge is not installed here.\n",
    )


def test_a_bare_machine_that_cannot_be_had_is_one_sentence_and_a_code_of_its_own() -> None:
    """No root, no debootstrap: CI goes on without it."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bare", "--short"],
        cwd=TOP,
        env={"PATH": "/nowhere"},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (77, "", 1)
    assert "debootstrap is missing here" in done.stderr or "takes root" in done.stderr


@pytest.mark.skipif(os.geteuid() != 0 or shutil.which("apt-get") is None, reason="root's own doing")
def test_apt_waits_for_whoever_holds_its_lists(tmp_path: Path) -> None:
    """apt-get update gives up at once when somebody else holds the lock of the lists."""
    (tmp_path / "lists/partial").mkdir(parents=True)
    (tmp_path / "none").mkdir()
    (tmp_path / "Packages").touch()
    (tmp_path / "sources.list").write_text(f"deb [trusted=yes] file:{tmp_path} ./\n")
    held = tmp_path / "held"
    holds = (
        "import fcntl, pathlib, sys, time; f = open(sys.argv[1], 'w'); fcntl.lockf(f, fcntl.LOCK_EX);"
        " pathlib.Path(sys.argv[2]).touch(); time.sleep(30)"
    )
    asked = (
        f'python3 -c "{holds}" {tmp_path}/lists/lock {held} >/dev/null 2>&1 & holder=$!;'
        f" until [ -e {held} ]; do sleep 0.05; done;"
        " . deploy/apt.sh; sleep() { echo waits; kill $holder; command sleep 0.2; };"
        f" apt_waiting -o Dir::State::lists={tmp_path}/lists/ -o Dir::Etc::sourcelist={tmp_path}/sources.list"
        f" -o APT::Sandbox::User=root -o Dir::Etc::sourceparts={tmp_path}/none update"
    )
    done = subprocess.run(
        ["bash", "-c", asked], cwd=TOP, capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stdout) == (0, "waits\n"), done.stderr

"""deploy/install where it may change nothing: wrong arguments, a rehearsal of it, a look at an empty machine.

What it does on a real one is played by tests/bare-machine, on a booted Debian of its own.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
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


def elsewhere(folder: Path) -> Path:
    """A copy of the script whose places are all below this folder; `call` it or its functions."""
    shutil.copytree(TOP / "deploy", folder / "deploy")
    script = folder / "deploy/install"
    text = script.read_text()
    for name in ("OPT", "ETC", "DATA", "BROKER", "LINK", "UNITS"):
        text, count = re.subn(rf"(?m)^{name}=/", f"{name}={folder}/", text)
        assert count == 1, name
    script.write_text(text.replace('\nmain "$@"\n', '\n[ -n "${functions:-}" ] || main "$@"\n'))
    return script


@debian
def test_what_lies_where_the_program_goes_is_nobody_elses_to_take(tmp_path: Path) -> None:
    """Somebody's checkout in /opt/studiobridge, or whatever else: refused, and never removed."""
    script = elsewhere(tmp_path)
    opt = tmp_path / "opt/studiobridge"
    (opt / "deploy").mkdir(parents=True)
    (opt / "pyproject.toml").touch()
    done = subprocess.run([script, "--dry-run"], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout) == (2, "")
    assert "something else lies there (pyproject.toml)" in done.stderr
    fake = tmp_path / "bin/getent"
    fake.parent.mkdir()
    fake.write_text("#!/bin/sh\necho studiobridge:x:1000:1000::/home/studiobridge:/bin/bash\n")
    fake.chmod(0o755)
    env = {**os.environ, "PATH": f"{fake.parent}:{os.environ['PATH']}"}
    done = subprocess.run(
        [script, "--remove", "--dry-run"], capture_output=True, text=True, timeout=60, env=env
    )
    assert done.returncode == 0, done.stderr
    assert "user studiobridge goes" not in done.stdout  # that is somebody's own account
    assert f"the program in {opt} goes" in done.stdout
    assert f"would: {opt} goes" not in done.stdout


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """Not below pytest's own folders: another user than root could not get there."""
    made = Path(tempfile.mkdtemp(prefix="studiobridge-test-install-"))
    made.chmod(0o755)
    yield made
    shutil.rmtree(made, ignore_errors=True)


@pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("mosquitto") is None, reason="root's own doing, for mosquitto"
)
def test_nothing_that_lies_in_the_brokers_folder_leads_root_out_of_it(open_folder: Path) -> None:
    """The broker is what everybody may talk to: who takes it over gets no further by links."""
    tmp_path = open_folder
    script = elsewhere(tmp_path)
    secret = tmp_path / "secret"
    secret.write_text("root's own")
    secret.chmod(0o600)
    folder, etc = tmp_path / "var/lib/studiobridge-broker", tmp_path / "etc/studiobridge"
    etc.mkdir(parents=True)
    folder.mkdir(parents=True)
    shutil.copytree(script.parent, tmp_path / "opt/studiobridge/deploy")
    for name in (
        "server.new.key", "server.new.crt", "server.new.csr", "server.key.new", "server.crt.new",
        "ca.crt.new", "running", "running.new", "made.new", "mosquitto.conf.before", "rights.new",
        "mosquitto.conf.new", "one.new", "passwords.new", "bridge.password", "operator.password",
    ):  # fmt: skip
        (folder / name).symlink_to(secret)
    subprocess.run(["chown", "-Rh", "mosquitto:mosquitto", folder], check=True)
    for parent in (folder, *folder.parents):
        if parent.is_relative_to(tmp_path):
            parent.chmod(parent.stat().st_mode | 0o011)
    folder.chmod(0o700)
    call = (
        "functions=yes; . deploy/install; broker_port=8883;"
        " make_authority; certify_broker; (make_broker) || true;"
        " running_from | put_for_broker running 644"
    )
    run = ["bash", "-c", call, str(script)]
    subprocess.run(run, cwd=tmp_path, capture_output=True, timeout=60, check=False)
    assert secret.read_text() == "root's own"
    assert (secret.stat().st_uid, secret.stat().st_mode & 0o777) == (0, 0o600)
    assert "BEGIN" in (folder / "server.key").read_text()
    assert not list(etc.glob("broker.*"))
    for link in [path for path in folder.iterdir() if path.is_symlink()]:
        link.unlink()
    done = subprocess.run(run, cwd=tmp_path, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    for name in ("mosquitto.conf", "rights", "passwords", "operator.password", "server.key"):
        made = folder / name
        assert (made.owner(), made.stat().st_mode & 0o777) == ("mosquitto", 0o600), name


FEW = """\
format: 1
set: corner
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A, curve: B}}}
devices:
  key: {kind: light, fed_by: wall, draws: 20 W, proof: hand}
"""


class Small:
    """A machine on which the program lies already, and its systemctl is a list of what was asked."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.script = elsewhere(folder)
        self.profile = folder / "var/lib/studiobridge/profiles/corner.yaml"
        self.unit = folder / "etc/systemd/system/studiobridge-witness.service"
        self.password = folder / "etc/studiobridge/witness.password"
        python = folder / "opt/studiobridge/versions/one/bin/python"
        for path in (self.profile, self.unit, self.password, python, folder / "bin/systemctl"):
            path.parent.mkdir(parents=True, exist_ok=True)
        python.write_text(f'#!/bin/sh\nexec {sys.executable} "$@"\n')
        python.chmod(0o755)
        (folder / "opt/studiobridge/bin").symlink_to("versions/one/bin")
        (folder / "etc/studiobridge/settings.yaml").write_text(
            f"broker: {{host: localhost}}\nprofiles: [{self.profile.parent}]\n"
        )
        broker = folder / "var/lib/studiobridge-broker"
        broker.mkdir(parents=True)
        (broker / "witness.password").write_text("seen and said\n")
        (folder / "bin/systemctl").write_text(f'#!/bin/sh\necho "$@" >>{folder}/asked\n')
        (folder / "bin/systemctl").chmod(0o755)

    def does(self, more: str = "") -> str:
        """What install does for the witness, its units and services; what it says."""
        call = (
            'functions=yes; . deploy/install; as_broker() { "$@"; }; active() { false; };'
            " start_or_restart() { :; }; behind() { false; }; stale() { :; };"
            f" {more} witness; no_witness; units; services"
        )
        path = f"{self.folder}/bin:{os.environ['PATH']}"
        done = subprocess.run(
            ["bash", "-c", call, str(self.script)],
            cwd=self.folder,
            capture_output=True,
            text=True,
            timeout=60,
            env={**os.environ, "PATH": path},
        )
        assert done.returncode == 0, done.stderr + done.stdout
        return done.stdout

    @property
    def asked(self) -> list[str]:
        return (self.folder / "asked").read_text().splitlines()


@pytest.mark.skipif(os.geteuid() != 0, reason="root's own doing")
def test_the_witness_is_put_where_a_profile_has_one_and_goes_where_none_has(tmp_path: Path) -> None:
    small = Small(tmp_path)
    small.profile.write_text(FEW)
    small.does()
    assert not small.unit.exists() and not small.password.exists()
    assert not any("witness" in line for line in small.asked)

    small.profile.write_text(FEW + "witness: {frames: file now.jpg}\n")
    said = small.does()
    assert small.unit.read_text() == (TOP / "deploy/studiobridge-witness.service").read_text()
    assert small.password.read_text() == "seen and said\n"
    # its password is root's: systemd hands it to the service, which may read no other
    assert (small.password.stat().st_uid, small.password.stat().st_mode & 0o777) == (0, 0o600)
    assert "enable -q studiobridge-witness" in small.asked
    assert "restart studiobridge-witness" in small.asked
    assert "studiobridge-witness starts" in said

    small.profile.write_text(FEW)
    assert "no profile has `witness:`" in small.does()
    assert not small.unit.exists() and not small.password.exists()
    assert "disable --now -q studiobridge-witness.service" in small.asked


@pytest.mark.skipif(os.geteuid() != 0, reason="root's own doing")
def test_where_its_libraries_are_not_to_be_had_all_else_is_installed(tmp_path: Path) -> None:
    small = Small(tmp_path)
    small.profile.write_text(FEW + "witness: {frames: file now.jpg}\n")
    none = (
        "witness_libraries_here() { false; };"
        " put_witness_libraries() { echo 'pip: no such wheel'; false; };"
    )
    said = small.does(none)
    assert "pip: no such wheel" in said and "for corner" in said
    assert "no picture is looked at" in said and "all else runs" in said
    assert not small.unit.exists()
    assert "enable -q studiobridge-panel" in small.asked
    assert not any("witness" in line for line in small.asked)
    # had again the next time, it is put in place
    assert "studiobridge-witness starts" in small.does()


@pytest.mark.skipif(os.geteuid() != 0, reason="root's own doing")
def test_a_rehearsal_of_it_says_the_witness_and_puts_nothing(tmp_path: Path) -> None:
    small = Small(tmp_path)
    small.profile.write_text(FEW + "witness: {frames: file now.jpg}\n")
    said = small.does("dry=yes; witness_libraries_here() { false; };")
    assert "would: the libraries of the witness" in said
    assert "would: the unit studiobridge-witness.service" in said
    assert not small.unit.exists() and not small.password.exists()


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

"""The service units: what systemd itself says of them."""

from __future__ import annotations

import re
import shutil
import subprocess
from ipaddress import ip_address, ip_network
from pathlib import Path

import pytest

UNITS = sorted((Path(__file__).parents[2] / "deploy").glob("*.service"))
needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian: systemd)"
)


# of 10; what looks after the certificates is root, for a moment a day
EXPOSED = {"studiobridge-renew": 6.0}


def test_there_is_one_for_each_service_and_certificates() -> None:
    of = ("-broker", "-panel", "-renew", "-witness")
    named = ["studiobridge", *(f"studiobridge{name}" for name in of)]
    assert sorted(unit.stem for unit in UNITS) == named


@needs_systemd
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_systemd_understands_every_line(unit: Path, tmp_path: Path) -> None:
    # the program is not installed where the unit says: stand something in that is there
    copy = tmp_path / unit.name
    text = unit.read_text(encoding="utf-8")
    for program in (
        "/opt/studiobridge/bin/studiobridge",
        "/opt/studiobridge/deploy/install",
        "/usr/sbin/mosquitto",
    ):
        text = text.replace(program, "/bin/true")
    copy.write_text(text, encoding="utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", str(copy)], capture_output=True, text=True, timeout=60
    )
    ours = [line for line in (done.stdout + done.stderr).splitlines() if unit.stem in line]
    assert ours == []


@needs_systemd
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_the_sandbox_is_tight(unit: Path) -> None:
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", str(unit)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    found = re.search(r"exposure level for .*: ([\d.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found[1]) < EXPOSED.get(unit.stem, 2.0)


def test_frames_by_multicast_may_leave_and_come() -> None:
    """Universes 1 and 63999: 239.255.0.1 and 239.255.249.255 (ANSI E1.31, from memory)."""
    allowed = []
    bridge = next(unit for unit in UNITS if unit.stem == "studiobridge")
    for line in bridge.read_text(encoding="utf-8").splitlines():
        if line.startswith("IPAddressAllow="):
            words = line.split("=", 1)[1].split()
            allowed += [ip_network(word) for word in words if word != "localhost"]
    for group in ("239.255.0.1", "239.255.249.255"):
        assert any(ip_address(group) in network for network in allowed), group

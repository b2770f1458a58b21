"""What goes wrong on a shelf: a full disk, a broker that says nothing, a certificate that ran out."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import resource
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from studiobridge.bridge.reading import Reader
from studiobridge.bridge.record import Record
from studiobridge.bridge.tables import record_path
from studiobridge.control.effects import FaultNote
from studiobridge.rehearsal.embedded import free_ports
from tests.bench.page import cpu_seconds
from tests.bridge.writing import on_disk
from tests.brokers import Mosquitto, needs_mosquitto
from tests.panel.studio import CONFIG, MAIN, Process, studio, until

SHELF = CONFIG / "one-plug-one-light.yaml"


def env_of(folder: Path, broker: str, **more: str) -> dict[str, str]:
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    return {
        **clean,
        "HOME": str(folder),
        "STUDIOBRIDGE_BROKER": broker,
        "STUDIOBRIDGE_DATA": str(folder / "data"),
        **more,
    }


@contextlib.contextmanager
def silent_broker() -> Iterator[int]:
    """Accepts connections, and says nothing at all."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        kept: list[socket.socket] = []

        def accept() -> None:
            with contextlib.suppress(OSError):
                while True:
                    kept.append(server.accept()[0])

        threading.Thread(target=accept, daemon=True).start()
        yield server.getsockname()[1]
        for taken in kept:
            taken.close()


@pytest.mark.parametrize("kind", ["nobody there", "says nothing"])
def test_no_broker_is_said_and_waited_for_without_spinning(kind: str, tmp_path: Path) -> None:
    with contextlib.ExitStack() as stack:
        port = free_ports(1)[0]
        if kind == "says nothing":
            port = stack.enter_context(silent_broker())
        bridge = Process(env_of(tmp_path, f"mqtt://127.0.0.1:{port}"), "run", SHELF).start()
        try:
            line = bridge.said("trying again|did not answer|no answer", 30)
            assert str(port) in line
            before = cpu_seconds(bridge.pid)
            time.sleep(4.0)
            spent = cpu_seconds(bridge.pid) - before
            assert spent < 0.4, f"{spent:.2f} s of CPU in 4 s"
            assert bridge.stop() == 0
        finally:
            bridge.stop()


@needs_mosquitto
def test_an_expired_certificate_is_named(tmp_path: Path) -> None:
    cert, key = tmp_path / "old.crt", tmp_path / "old.key"
    subprocess.run(
        f"openssl ecparam -name prime256v1 -genkey -noout -out {key}".split(),
        check=True,
        capture_output=True,
    )
    _expired(key, cert)
    port = free_ports(1)[0]
    config = f"listener {port} 127.0.0.1\nallow_anonymous true\ncertfile {cert}\nkeyfile {key}\nuser root\n"
    with Mosquitto(tmp_path, config, port):
        env = env_of(tmp_path, f"mqtts://localhost:{port}", STUDIOBRIDGE_CA=str(cert))
        done = subprocess.run(
            [sys.executable, "-c", MAIN, "run", str(SHELF)],
            env=env,
            capture_output=True,
            text=True,
            timeout=40,
        )
        assert done.returncode == 3
        assert "expired" in done.stderr


def _expired(key: Path, cert: Path) -> None:
    """A certificate that ran out yesterday, by openssl's own tool."""
    subprocess.run(
        [
            *f"openssl req -x509 -key {key} -subj /CN=localhost -out {cert}".split(),
            *["-addext", "subjectAltName=DNS:localhost", "-not_before", "20200101000000Z"],
            *["-not_after", "20200201000000Z"],
        ],
        check=False,
        capture_output=True,
    )
    if cert.exists():
        return
    # an older openssl cannot date a certificate itself: its ca can
    folder = cert.parent / "ca"
    folder.mkdir()
    (folder / "index.txt").write_text("")
    (folder / "serial").write_text("01\n")
    (folder / "ca.cnf").write_text(
        f"[ca]\ndefault_ca=d\n[d]\ndatabase={folder}/index.txt\nserial={folder}/serial\n"
        f"new_certs_dir={folder}\ndefault_md=sha256\npolicy=p\n[p]\ncommonName=supplied\n"
    )
    request = folder / "r.csr"
    subprocess.run(
        f"openssl req -new -key {key} -subj /CN=localhost -out {request}".split(),
        check=True,
        capture_output=True,
    )
    subprocess.run(
        (
            f"openssl ca -batch -selfsign -config {folder}/ca.cnf -keyfile {key} -in {request}"
            f" -out {cert} -startdate 20200101000000Z -enddate 20200201000000Z -notext"
        ).split(),
        check=True,
        capture_output=True,
    )


@needs_mosquitto
def test_a_full_disk_stops_no_set_and_is_said(tmp_path: Path) -> None:
    """The daemon may write no file larger than it has: every write to the record fails."""
    with studio(tmp_path, "one-plug-one-light", page_too=False) as made:
        data = Path(made.env["STUDIOBRIDGE_DATA"])
        path = record_path(data, made.profile.name)
        until(path.exists, "the record")
        done = made.command("up")
        assert done.returncode == 0, done.stderr
        size = max(p.stat().st_size for p in data.glob("*.sqlite*"))
        resource.prlimit(made.bridge.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
        for _ in range(40):
            made.command("lockout", "shelf-light", "--by", "Ana", "--why", "a cable" * 20)
            made.command("release", "shelf-light")
            if any("record cannot be written" in line for line in made.bridge.lines):
                break
        line = made.bridge.said("the record cannot be written", 5)
        assert "shelf-corner" in line
        status = json.loads(made.command("status", "--json").stdout)
        assert "cannot be written" in status["record_fault"]
        # who relies on a lockout is told that it would not outlast this bridge
        locked = made.command("lockout", "shelf-light", "--by", "Ana", "--why", "a cable").stdout
        assert "CAREFUL" in locked
        assert "knows nothing of this" in locked
        assert made.command("release", "shelf-light").returncode == 0
        # the set goes on: a light is put back with a disk that takes nothing
        made.room.touch("shelf-light", level=90.0)
        until(lambda: "shelf-light" in made.command("drift").stdout, "drift", 30)
        assert made.command("restore").returncode == 0
        infinity = resource.RLIM_INFINITY
        resource.prlimit(made.bridge.pid, resource.RLIMIT_FSIZE, (infinity, infinity))
        made.bridge.said("the record is written again", 15)
        time.sleep(0.5)
        with contextlib.closing(sqlite3.connect(path)) as database:
            assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        with contextlib.closing(Reader(path)) as reader:
            # what waited while the disk was full is there now
            assert any(r["what"] == "restore" and r["phase"] == "done" for r in reader.requests())


def test_a_power_cut_leaves_a_whole_record(tmp_path: Path) -> None:
    """A copy of the files as they lie on the disk at any moment is a sound database."""
    path = record_path(tmp_path, "kiln")
    record = Record(path, 400, lambda at: at)
    record.open()
    try:
        for i in range(20):
            notes = [FaultNote(float(i), "key", "t", f"note {i} " + "x" * 300)] * 10
            assert asyncio.run(on_disk(record, notes, 5.0))
            copy = tmp_path / f"copy-{i}"
            copy.mkdir()
            for part in tmp_path.glob("kiln.sqlite*"):
                if not part.name.endswith("-shm"):  # memory, gone with the power
                    (copy / part.name).write_bytes(part.read_bytes())
            with contextlib.closing(sqlite3.connect(copy / "kiln.sqlite")) as database:
                assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
                (count,) = database.execute("SELECT count(*) FROM faults").fetchone()
                assert count == (i + 1) * 10  # what was said to be written is there
    finally:
        record.close()


def test_a_data_folder_that_is_none(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file")
    done = subprocess.run(
        [sys.executable, "-c", MAIN, "run", str(SHELF)],
        env=env_of(tmp_path, "mqtt://127.0.0.1:1"),
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert done.returncode == 2
    assert "data folder" in done.stderr
    assert "Traceback" not in done.stderr


@needs_mosquitto
def test_metrics_and_a_log_in_json(tmp_path: Path) -> None:
    port = free_ports(1)[0]
    settings = f"panel: {{port: 0}}\nmetrics: {{port: {port}}}\nlog: json\n"
    with studio(tmp_path, "one-plug-one-light", settings) as made:
        assert made.command("up").returncode == 0
        text = urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5).read().decode()
        assert 'studiobridge_state{set="shelf-corner",state="ready"} 1.0' in text
        assert 'studiobridge_link_up{set="shelf-corner"} 1.0' in text
        heard = next(
            line
            for line in text.splitlines()
            if line.startswith("studiobridge_messages_heard_total{")
        )
        assert float(heard.split()[-1]) > 5
        said = [json.loads(line) for line in made.bridge.lines]
        taken = next(entry for entry in said if "asks up taken" in entry["text"])
        done = next(e for e in said if e.get("request") == taken["request"] and "done" in e["text"])
        assert "ready in" in done["text"]

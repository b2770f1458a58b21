"""Who may do what, with the very broker settings of deploy/: TLS and passwords really negotiated."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import socket
import ssl
import subprocess
import tempfile
import time
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

from studiobridge.bridge.asking import Asker, NoBridge, NoBroker
from studiobridge.bridge.daemon import SetRunner
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.settings import BrokerSettings, Settings, TlsSettings, load_settings
from studiobridge.bridge.tables import record_path
from studiobridge.control.events import ASKED
from studiobridge.profile import read_profile
from studiobridge.rehearsal.embedded import free_ports
from tests.brokers import MOSQUITTO, needs_mosquitto, wait_for_port
from tests.panel.studio import Process

TOP = Path(__file__).parents[2]
PROFILE = TOP / "config" / "one-plug-one-light.yaml"
pytestmark = needs_mosquitto


@pytest.fixture(scope="module")
def broker() -> Iterator[tuple[int, Path]]:
    # not below pytest's own folders: Mosquitto gives up root and could not get there
    folder = Path(tempfile.mkdtemp(prefix="studiobridge-test-broker-"))
    port = free_ports(1)[0]
    subprocess.run(
        [
            str(TOP / "deploy/broker/make-broker"),
            str(folder),
            "127.0.0.1",
            str(port),
            "plug-1=shelf/plug",
            "panel=homie/5/shelf-panel",
        ],
        check=True,
        capture_output=True,
    )
    folder.chmod(0o755)
    for file in folder.iterdir():
        file.chmod(0o644)
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [MOSQUITTO, "-c", str(folder / "mosquitto.conf")], stderr=log, stdout=log
        )
    try:
        wait_for_port(port)
        yield port, folder
    finally:
        process.terminate()
        process.wait(10)
        shutil.rmtree(folder, ignore_errors=True)


def settings(
    broker: tuple[int, Path],
    user: str | None,
    data: Path,
    password: str | None = None,
    ca: bool = True,
) -> Settings:
    from pydantic import SecretStr

    port, folder = broker
    if user is not None and password is None:
        password = (folder / f"{user}.password").read_text().strip()
    return Settings(
        broker=BrokerSettings(
            host="127.0.0.1",
            port=port,
            user=user,
            tls=TlsSettings(ca=folder / "ca.crt" if ca else None),
        ).model_copy(update={"password": SecretStr(password) if password else None}),
        data=data,
    )


async def ping(s: Settings, what: str = "ping") -> int:
    async with Asker(s, "shelf-corner") as asker:
        await asker.settled()
        async for answer in asker.ask(what):
            return answer.code
    return -1


def test_only_named_users_may_ask(broker: tuple[int, Path], tmp_path: Path) -> None:
    """A device's credentials, and a viewer's, can't ask for anything; an operator's can."""

    async def evening() -> None:
        said: list[str] = []
        runner = SetRunner(
            PROFILE,
            read_profile(PROFILE).profile,
            settings(broker, "bridge", tmp_path),
            say=said.append,
        )
        task = asyncio.create_task(runner.run())
        async with asyncio.timeout(20):
            await runner.ready.wait()
        try:
            assert await ping(settings(broker, "operator", tmp_path)) == 0
            for user in ("plug-1", "viewer"):
                with pytest.raises(NoBridge):
                    await ping(settings(broker, user, tmp_path), "up")
            assert runner.core.controller.run is None
            assert runner.core.controller.last_run is None
            async with Asker(settings(broker, "viewer", tmp_path), "shelf-corner") as asker:
                shown = await asker.need_bridge()
                assert shown.state is not None
            async with Asker(settings(broker, "plug-1", tmp_path), "shelf-corner") as asker:
                shown = await asker.settled()
                assert shown.state is None  # a device sees nothing of the set
        finally:
            runner.stop()
            await task

    asyncio.run(evening())


def test_a_viewer_reads_of_homie_devices_what_a_set_shows(broker: tuple[int, Path]) -> None:
    port, folder = broker

    def client(user: str, *more: str) -> list[str]:
        password = (folder / f"{user}.password").read_text().strip()
        where = ["-h", "127.0.0.1", "-p", str(port), "--cafile", str(folder / "ca.crt")]
        return [*where, "-u", user, "-P", password, *more]

    reading = subprocess.Popen(
        ["mosquitto_sub", *client("viewer", "-t", "homie/#", "-F", "%t")],
        stdout=subprocess.PIPE,
        text=True,
    )
    time.sleep(0.5)
    root = "homie/5/shelf-corner"
    shown = [f"{root}/studiobridge/state", f"{root}/$state", f"{root}/$alert/link"]
    for topic in [*shown, "homie/5/shelf-panel/light/level"]:
        said = client("bridge", "-t", topic, "-m", "x", "-q", "1")
        subprocess.run(["mosquitto_pub", *said], check=True, timeout=10)
    time.sleep(0.5)
    reading.terminate()
    out, _ = reading.communicate(timeout=5)
    assert out.splitlines() == shown


@pytest.mark.parametrize(
    ("user", "password", "said"),
    [
        ("operator", "wrong", "refuses user operator"),
        (None, None, "refuses no user"),
        ("nobody", "x", "refuses user nobody"),
    ],
)
def test_wrong_credentials_are_said(
    broker: tuple[int, Path], tmp_path: Path, user: str | None, password: str | None, said: str
) -> None:
    with pytest.raises(NoBroker, match=said) as caught:
        asyncio.run(ping(settings(broker, user, tmp_path, password)))
    assert password is None or password not in str(caught.value).replace("operator", "")


def test_an_unknown_certificate_is_refused(broker: tuple[int, Path], tmp_path: Path) -> None:
    with pytest.raises(NoBroker, match="certificate does not hold"):
        asyncio.run(ping(settings(broker, "operator", tmp_path, ca=False)))


def test_no_tls_on_a_tls_port_is_an_error_not_a_hang(
    broker: tuple[int, Path], tmp_path: Path
) -> None:
    port, _ = broker
    plain = Settings(
        broker=BrokerSettings(host="127.0.0.1", port=port, protocol="5"), data=tmp_path
    )
    began = time.monotonic()
    with pytest.raises(NoBroker):
        asyncio.run(ping(plain))
    assert time.monotonic() - began < 15


# ---- settings ------------------------------------------------------------------------------------


def test_a_password_never_shows(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("kiln-fire-9\n")
    secret.chmod(0o600)
    found = load_settings(
        env={
            "STUDIOBRIDGE_BROKER": "mqtts://ana@broker.example:8884",
            "STUDIOBRIDGE_PASSWORD_FILE": str(secret),
            "HOME": str(tmp_path),
        }
    )
    assert found.broker.password is not None
    assert found.broker.password.get_secret_value() == "kiln-fire-9"
    for text in (
        repr(found),
        str(found),
        found.broker.shown,
        found.model_dump_json(),
        repr(found.broker),
    ):
        assert "kiln-fire" not in text
    assert found.broker.shown == "mqtts://ana@broker.example:8884"
    assert found.warnings == ()


def test_a_service_credential_is_used(tmp_path: Path) -> None:
    (tmp_path / "broker-password").write_text("from-the-manager")
    found = load_settings(env={"CREDENTIALS_DIRECTORY": str(tmp_path), "HOME": str(tmp_path)})
    assert found.broker.password is not None
    assert found.broker.password.get_secret_value() == "from-the-manager"


def test_doubtful_settings_warn(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("x")
    secret.chmod(0o644)
    file = tmp_path / "settings.yaml"
    file.write_text("broker: {host: here, password_file: secret, tls: {verify: false}}\n")
    warnings = load_settings(file, env={"HOME": str(tmp_path)}).warnings
    assert len(warnings) == 2
    assert "others can read it: chmod 600" in warnings[0]
    assert "not verified" in warnings[1]


@pytest.mark.parametrize("credentials", [True, False])
def test_secrets_that_anybody_can_change_or_read_are_said(
    tmp_path: Path, credentials: bool
) -> None:
    for name, mode in (("secret", 0o622), ("broker.key", 0o644), ("page.key", 0o602)):
        (tmp_path / name).write_text("x")
        (tmp_path / name).chmod(mode)
    file = tmp_path / "settings.yaml"
    file.write_text(
        "broker: {host: here, password_file: secret, tls: {key: broker.key}}\n"
        "panel: {cert: page.crt, key: page.key}\n"
    )
    env = {"HOME": str(tmp_path)}
    if credentials:  # of another service: a password file of one's own is as open as before
        env["CREDENTIALS_DIRECTORY"] = str(tmp_path / "credentials")
    warnings = load_settings(file, env=env).warnings
    assert [(w.split()[0].rsplit("/", 1)[1], "anybody can change" in w) for w in warnings] == [
        ("secret", True),
        ("broker.key", False),
        ("page.key", True),
    ]
    for name in ("secret", "broker.key", "page.key"):
        (tmp_path / name).chmod(0o600)
    assert load_settings(file, env=env).warnings == ()


@pytest.mark.parametrize(
    ("text", "env", "said"),
    [
        ("", {"STUDIOBRIDGE_BROKER": "mqtt://ana:pw@here"}, "has a password in it"),
        ("", {"STUDIOBRIDGE_BROKER": "http://here"}, "is not a URL like"),
        ("", {"STUDIOBRIDGE_BROKER": "mqtt://here:99999"}, "is not a URL like"),
        ("", {"STUDIOBRIDGE_PASSWORD_FILE": "/nowhere/x"}, "cannot be read"),
        ("broker: {password: x}", {}, "1:20: a password does not belong here"),
        ("broker: {hots: x}", {}, "1:10: unknown key 'hots'; did you mean 'host'?"),
        ("broker: {port: 99999}", {}, "'port'"),
        ("keep_days: 0", {}, "keep_days"),
        ("broker: [1", {}, "never closed"),
        ("broker: 5", {}, "has keys with values"),
        ("broker: {tls: {ca: nowhere.crt}}", {}, "there is no file"),
    ],
)
def test_bad_settings_are_said(tmp_path: Path, text: str, env: dict[str, str], said: str) -> None:
    from studiobridge.bridge.settings import SettingsError

    file = tmp_path / "settings.yaml"
    file.write_text(text or "keep_days: 10\n")
    with pytest.raises(SettingsError, match=said.replace("?", r"\?")):
        load_settings(file, env={"HOME": str(tmp_path), **env})


# ---- who may do what where, tried one by one with Mosquitto's own clients ----------------

WRITES = {
    # topic: who may publish there
    "studiobridge/shelf-corner/ask": {"bridge", "operator"},
    "studiobridge/shelf-corner/state": {"bridge"},
    "studiobridge/shelf-corner/alive": {"bridge"},
    "studiobridge/shelf-corner/answer": {"bridge"},
    "studiobridge/shelf-corner/says": {"bridge"},
    "studiobridge/shelf-corner/devices/shelf-light": {"bridge"},
    # the camera's picture: its own user says what it sees, only operators ask it
    "studiobridge/shelf-corner/witness/alive": {"bridge", "witness"},
    "studiobridge/shelf-corner/witness/seen": {"bridge", "witness"},
    "studiobridge/shelf-corner/witness/answer": {"bridge", "witness"},
    "studiobridge/shelf-corner/witness/answer/page-1": {"bridge", "witness"},
    "studiobridge/shelf-corner/witness/ask": {"bridge", "operator"},
    # gear that nobody has described yet may say anything that is not the sets' own;
    # below its own place a device may say anything, also to itself
    "shelf/plug/in": {"bridge", "plug-1", "gear"},
    "shelf/plug/out": {"bridge", "plug-1", "gear"},
    "shelf/other/out": {"bridge", "gear"},
    "homie/5/shelf-panel/light/level": {"bridge", "panel", "gear"},
    "homie/5/shelf-panel/light/level/set": {"bridge", "panel", "gear"},
    "homie/5/elsewhere/$state": {"bridge", "gear"},
    # of a set as a Homie 5 device what it lets be set, and of gear nothing, past every interlock
    "homie/5/shelf-corner/studiobridge/switch/set": {"bridge", "operator"},
    "homie/5/shelf-corner/studiobridge/look/set": {"bridge", "operator"},
    "homie/5/shelf-corner/studiobridge/restore/set": {"bridge", "operator"},
    "homie/5/shelf-corner/studiobridge/state/set": {"bridge"},
    "homie/5/shelf-corner/studiobridge/switch": {"bridge"},
    "homie/5/shelf-corner/$state": {"bridge", "gear"},
}
EVERYBODY = ["bridge", "operator", "viewer", "gear", "witness", "plug-1", "panel", "nobody"]


def test_every_name_against_every_topic(broker: tuple[int, Path]) -> None:
    """The table of rights, by what really arrives at a witness that may read everything."""
    port, folder = broker

    def known(user: str) -> list[str]:
        where = ["-h", "127.0.0.1", "-p", str(port), "--cafile", str(folder / "ca.crt")]
        if user == "nobody":
            return where
        password = (folder / f"{user}.password").read_text().strip()
        return [*where, "-u", user, "-P", password]

    witness = subprocess.Popen(
        ["mosquitto_sub", *known("bridge"), "-R", "-t", "#", "-F", "%t %p"],
        stdout=subprocess.PIPE,
        text=True,
    )
    time.sleep(0.6)
    for topic in WRITES:
        for user in EVERYBODY:
            subprocess.run(
                ["mosquitto_pub", *known(user), "-t", topic, "-m", f"by-{user}", "-q", "1"],
                check=False,
                capture_output=True,
                timeout=10,
            )
    time.sleep(0.6)
    witness.terminate()
    out, _ = witness.communicate(timeout=5)
    arrived: dict[str, set[str]] = {topic: set() for topic in WRITES}
    for line in out.splitlines():
        topic, ours, said = line.partition(" by-")
        if ours:
            arrived[topic].add(said)
    print("\n".join(f"{t:<48} {', '.join(sorted(w))}" for t, w in arrived.items()))
    assert arrived == WRITES


def test_a_picture_is_for_operators_alone(broker: tuple[int, Path]) -> None:
    """What each name reads of the witness: a viewer its figures, nobody but operators a picture."""
    port, folder = broker

    def known(user: str) -> list[str]:
        password = (folder / f"{user}.password").read_text().strip()
        where = ["-h", "127.0.0.1", "-p", str(port), "--cafile", str(folder / "ca.crt")]
        return [*where, "-u", user, "-P", password]

    root = "studiobridge/shelf-corner/witness"
    reading = {
        user: subprocess.Popen(
            ["mosquitto_sub", *known(user), "-R", "-t", f"{root}/#", "-F", "%t"],
            stdout=subprocess.PIPE,
            text=True,
        )
        for user in ("operator", "viewer", "gear", "witness", "plug-1")
    }
    time.sleep(0.8)
    for kind in ("alive", "seen", "ask", "answer", "answer/page-1"):
        said = ["-t", f"{root}/{kind}", "-m", "x", "-q", "1"]
        subprocess.run(["mosquitto_pub", *known("bridge"), *said], check=True, timeout=10)
    time.sleep(0.8)
    read = {}
    for user, process in reading.items():
        process.terminate()
        read[user] = [line.removeprefix(f"{root}/") for line in process.communicate()[0].split()]
    assert read == {
        "operator": ["alive", "seen", "ask", "answer", "answer/page-1"],
        "viewer": ["alive", "seen"],
        "gear": [],
        "witness": ["alive", "ask"],
        "plug-1": [],
    }


def test_every_request_by_every_name(broker: tuple[int, Path], tmp_path: Path) -> None:
    """Each kind of request, published raw by each name: what the record says was asked."""
    port, folder = broker

    def ask(user: str, what: str) -> None:
        where = ["-h", "127.0.0.1", "-p", str(port), "--cafile", str(folder / "ca.crt")]
        if user != "nobody":
            password = (folder / f"{user}.password").read_text().strip()
            where += ["-u", user, "-P", password]
        targets = ["shelf-light"] if what in ("lockout", "release") else []
        body = {"id": f"{user}.{what}", "what": what, "by": user, "yes": True, "why": "a test"}
        said = json.dumps({**body, "targets": targets})
        subprocess.run(
            ["mosquitto_pub", *where, "-t", "studiobridge/shelf-corner/ask", "-q", "1", "-m", said],
            check=False,
            capture_output=True,
            timeout=10,
        )

    async def evening() -> None:
        runner = SetRunner(
            PROFILE,
            read_profile(PROFILE).profile,
            settings(broker, "bridge", tmp_path),
            say=lambda text: None,
        )
        task = asyncio.create_task(runner.run())
        async with asyncio.timeout(20):
            await runner.ready.wait()
        try:
            for user in ("nobody", "viewer", "plug-1", "panel", "operator"):
                for what in ASKED:
                    await asyncio.to_thread(ask, user, what)
            await asyncio.sleep(0.5)
        finally:
            runner.stop()
            await task

    asyncio.run(evening())
    with contextlib.closing(Reader(record_path(tmp_path, "shelf-corner"))) as reader:
        asked = {r["request"] for r in reader.requests()}
    # a ping changes nothing and is not written down
    assert asked == {f"operator.{what}" for what in ASKED if what != "ping"}


def test_a_secret_is_nowhere_to_be_read(broker: tuple[int, Path], tmp_path: Path) -> None:
    """Not in what bridge and commands say, the record, or the list of processes."""
    port, folder = broker
    passwords = {user: (folder / f"{user}.password").read_text().strip() for user in EVERYBODY[:3]}
    wrong = "kiln-fire-9-and-no-other"
    mine = tmp_path / "secret"
    profile = tmp_path / "shelf.yaml"
    profile.write_text(PROFILE.read_text(encoding="utf-8"), encoding="utf-8")

    def env(user: str, password: str) -> dict[str, str]:
        mine.write_text(password)
        mine.chmod(0o600)
        config = tmp_path / "settings.yaml"
        config.write_text(
            f"log: json\nbroker: {{tls: {{ca: {folder}/ca.crt}}, password_file: {mine}}}\n"
        )
        return {
            **{k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")},
            "HOME": str(tmp_path),
            "STUDIOBRIDGE_BROKER": f"mqtts://{user}@127.0.0.1:{port}",
            "STUDIOBRIDGE_SETTINGS": str(config),
            "STUDIOBRIDGE_DATA": str(tmp_path / "data"),
            "STUDIOBRIDGE_SET": "shelf-corner",
        }

    everything = []
    bridge = Process(env("bridge", passwords["bridge"]), "run", profile).start()
    try:
        bridge.said("running on")
        for user, password in (("operator", passwords["operator"]), ("operator", wrong)):
            asking = Process(env(user, password), "lockout", "shelf-light").start()
            listed = [p.read_bytes() for p in Path("/proc").glob("[0-9]*/cmdline") if p.exists()]
            everything += [b"\n".join(listed)]
            asking.wait()
            everything += ["\n".join(asking.lines).encode()]
        done = Process(
            env("operator", passwords["operator"]),
            *("lockout", "shelf-light", "--by", "Ana", "--why", "a cable"),
        ).start()
        assert done.wait() == 0, done.lines
    finally:
        bridge.stop()
    refused = Process(env("bridge", wrong), "run", profile).start()
    assert refused.wait() == 3
    assert any("refuses user bridge" in line for line in refused.lines)
    for process in (bridge, refused, done):
        everything.append("\n".join(process.lines).encode())
    written = [p for p in (tmp_path / "data").rglob("*") if p.is_file()]
    assert written
    everything += [p.read_bytes() for p in written]
    for secret in (*passwords.values(), wrong):
        assert not [found for found in everything if secret.encode() in found]


@pytest.mark.parametrize("version", ["TLSv1", "TLSv1_1"])
def test_old_tls_is_refused(broker: tuple[int, Path], version: str) -> None:
    port, folder = broker
    context = ssl.create_default_context(cafile=str(folder / "ca.crt"))
    context.check_hostname = False
    context.set_ciphers("DEFAULT:@SECLEVEL=0")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        context.minimum_version = ssl.TLSVersion.TLSv1
        context.maximum_version = ssl.TLSVersion[version]
    with (
        socket.create_connection(("127.0.0.1", port), 5) as plain,
        pytest.raises((ssl.SSLError, ConnectionResetError)),
    ):
        context.wrap_socket(plain, server_hostname="localhost")
    today = ssl.create_default_context(cafile=str(folder / "ca.crt"))
    today.check_hostname = False
    with socket.create_connection(("127.0.0.1", port), 5) as plain:
        assert today.wrap_socket(plain).version() in ("TLSv1.2", "TLSv1.3")

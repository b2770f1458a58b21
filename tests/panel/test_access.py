"""Who gets in, who may ask, and what never gets out."""

from __future__ import annotations

import contextlib
import json
import os
import re
import ssl
import stat
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from studiobridge.bridge.settings import PanelSettings
from studiobridge.cli.drafting import _belongs_to_the_shelf
from studiobridge.panel.keys import CODE_LASTS, Keys, KeysError
from studiobridge.panel.serve import CannotServe, check, hosts_of
from tests.brokers import needs_mosquitto
from tests.panel.studio import Studio, studio, until


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    folder = tmp_path_factory.mktemp("studio")
    with studio(folder, "one-plug-one-light") as found:
        health = f"{found.url}/health"
        until(lambda: httpx.get(health).status_code == 200, "the panel to see the bridge")
        yield found


@contextlib.contextmanager
def visitor(made: Studio, *more: str, name: str = "Ana") -> Iterator[httpx.Client]:
    """A client that has paired."""
    with httpx.Client(base_url=made.url, timeout=30) as client:
        reply = client.post("/pair", data={"secret": made.code(*more), "name": name})
        assert reply.status_code == 303, reply.text
        yield client


def asked(client: httpx.Client, what: str = "restore", **more: object) -> httpx.Response:
    token = client.get("/api/session").json()["token"]
    headers = {"X-Studiobridge-Token": token}
    return client.post(f"/api/sets/{SET}/ask", json={"what": what, **more}, headers=headers)


SET = "shelf-corner"
CLOSED = [
    ("GET", f"/s/{SET}"),
    ("GET", f"/s/{SET}/events"),
    ("GET", f"/s/{SET}/d/shelf-light"),
    ("GET", f"/s/{SET}/record"),
    ("GET", f"/s/{SET}/record.csv"),
    ("GET", "/api/session"),
    ("GET", "/api/sets"),
    ("GET", f"/api/sets/{SET}/state"),
    ("POST", f"/api/sets/{SET}/ask"),
]


@needs_mosquitto
@pytest.mark.parametrize(("method", "path"), CLOSED)
def test_nothing_is_seen_without_a_session(made: Studio, method: str, path: str) -> None:
    for cookie in ({}, {"studiobridge": "guessed"}, {"studiobridge": "x" * 5000}):
        reply = httpx.request(method, made.url + path, cookies=cookie)
        assert reply.status_code in (401, 400), reply.text
        assert "shelf-light" not in reply.text
    page = httpx.request(method, made.url + path, headers={"accept": "text/html"})
    assert page.status_code == 303
    assert page.headers["location"].startswith("/pair")


@needs_mosquitto
def test_a_code_opens_one_page_and_one_only(made: Studio) -> None:
    code = made.command("panel", "pair").stdout.strip()
    first = httpx.post(f"{made.url}/pair", data={"secret": code.lower(), "name": "Ana"})
    assert first.status_code == 303
    cookie = first.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    again = httpx.post(f"{made.url}/pair", data={"secret": code, "name": "Bo"})
    assert again.status_code == 403


@needs_mosquitto
def test_a_viewer_sees_and_cannot_ask(made: Studio) -> None:
    code = made.command("panel", "pair", "--viewer").stdout.strip()
    with visitor(made) as operator, httpx.Client(base_url=made.url, timeout=30) as viewer:
        viewer.post("/pair", data={"secret": code, "name": "Vi"})
        assert viewer.get(f"/api/sets/{SET}/state").json()["set"] == SET
        refused = asked(viewer, "up")
        assert refused.status_code == 403
        assert "viewer" in refused.json()["text"]
        assert 'data-role="viewer"' in viewer.get(f"/s/{SET}").text
        assert operator.get(f"/api/sets/{SET}/state").json()["state"] == "dark"
        assert asked(operator, "restore").status_code in (200, 409)


@needs_mosquitto
def test_what_is_asked_is_recorded_with_who_asked(made: Studio) -> None:
    with visitor(made, name="Dorotea") as client:
        assert asked(client, "lockout", targets=["shelf-light"], why="a cable").status_code == 200
        state = client.get(f"/api/sets/{SET}/state").json()
        assert state["lockouts"][0]["by"] == "Dorotea (page)"
        assert asked(client, "release", targets=["shelf-light"]).status_code == 200


@needs_mosquitto
def test_another_site_cannot_ask_in_our_name(made: Studio) -> None:
    with visitor(made) as client:
        token = client.get("/api/session").json()["token"]
        path, body = f"/api/sets/{SET}/ask", {"what": "up"}
        for headers in (
            {},
            {"X-Studiobridge-Token": "guessed"},
            {"X-Studiobridge-Token": token, "Origin": "https://elsewhere.example"},
            {"X-Studiobridge-Token": token, "Sec-Fetch-Site": "cross-site"},
        ):
            assert client.post(path, json=body, headers=headers).status_code == 403
        form = client.post(path, data={"what": "up"}, headers={"X-Studiobridge-Token": token})
        assert form.status_code == 415
        assert client.get(f"/api/sets/{SET}/state").json()["state"] == "dark"


@needs_mosquitto
@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"{", 400),
        (b"[]", 422),
        (b'{"what": "explode"}', 422),
        (b'{"what": "up", "by": "somebody else"}', 422),
        (b'{"what": "up", "look": "nowhere"}', 422),
        (b'{"what": "cut"}', 422),
        (b'{"what": "restore", "targets": ["nobody"]}', 422),
        (b'{"what": "up", "why": "' + b"x" * 5000 + b'"}', 413),
    ],
)
def test_bad_input_is_refused_with_a_sentence(made: Studio, body: bytes, status: int) -> None:
    with visitor(made) as client:
        token = client.get("/api/session").json()["token"]
        headers = {"X-Studiobridge-Token": token, "Content-Type": "application/json"}
        reply = client.post(f"/api/sets/{SET}/ask", content=body, headers=headers)
        assert reply.status_code == status, reply.text
        assert reply.json()["text"]


@needs_mosquitto
def test_an_address_that_no_page_has_says_where_there_are_pages(made: Studio) -> None:
    for path, start in (("/session", "/"), ("/s/no/such/page", "/s/no"), ("/s/<b>/x", "/")):
        reply = httpx.get(f"{made.url}{path}")
        assert reply.status_code == 404
        assert reply.json()["text"] == (
            f"there is no page at this address: {start} leads to all there are"
        )
    with visitor(made) as client:
        reply = client.get(f"/s/{SET}/session")
        assert (reply.status_code, reply.headers["location"]) == (303, f"/s/{SET}/record")


@needs_mosquitto
def test_a_foreign_host_name_is_refused(made: Studio) -> None:
    reply = httpx.get(f"{made.url}/pair", headers={"Host": "rebound.example"})
    assert reply.status_code == 400
    assert httpx.get(f"{made.url}/pair").status_code == 200
    assert httpx.get(f"{made.url}/authority.crt").status_code == 404  # it has none
    # the address a request came in at is always this machine's own, another one is not
    for host, code in (("127.0.0.1", 200), ("192.0.2.9:8450", 400), ("127.0.0.1.example", 400)):
        assert httpx.get(f"{made.url}/pair", headers={"Host": host}).status_code == code, host


@needs_mosquitto
def test_the_page_keeps_to_itself(made: Studio) -> None:
    with visitor(made) as client:
        for path in ("/pair", f"/s/{SET}", f"/s/{SET}/record", "/static/page.js", "/health"):
            reply = client.get(path)
            rules = reply.headers["content-security-policy"]
            assert "default-src 'none'" in rules
            assert "unsafe" not in rules
            assert reply.headers["x-content-type-options"] == "nosniff"
        text = client.get(f"/s/{SET}").text
        assert re.findall(r"""(?:src|href)=["'](?:https?:)?//""", text) == []
        assert " style=" not in text
        assert "<script>" not in text


@needs_mosquitto
def test_nobody_is_forgotten_slowly(made: Studio) -> None:
    """An ended session ends its stream too."""
    with visitor(made, name="Guest") as client:
        with client.stream("GET", f"/s/{SET}/events", timeout=20) as stream:
            lines = stream.iter_lines()
            next(lines)
            assert made.command("panel", "forget", "Guest").stdout.startswith("1 page ended")
            began = time.monotonic()
            assert any(line == "event: end" for line in lines)
            assert time.monotonic() - began < 10
        assert client.get("/api/session").status_code == 401


@needs_mosquitto
def test_a_moment_that_is_no_number_is_the_usual_moment(made: Studio) -> None:
    with visitor(made) as client:
        assert asked(client, "up").status_code == 200
        state = f"/api/sets/{SET}/state"
        until(lambda: client.get(state).json()["state"] == "ready", "ready")
        usual = client.get(f"/s/{SET}/record/1")
        assert usual.status_code == 200, usual.text
        for second in ("²", "٣", "9" * 5000, "-1", "nan", "1_0"):
            reply = client.get(f"/s/{SET}/record/1", params={"second": second})
            assert (reply.status_code, reply.text) == (200, usual.text), second[:9]
        assert client.get(f"/s/{SET}/record/1.csv").status_code == 200
        assert asked(client, "down").status_code == 200
        until(lambda: client.get(state).json()["state"] == "dark", "dark")


@needs_mosquitto
def test_tries_are_limited(tmp_path: Path) -> None:
    with studio(tmp_path, "one-plug-one-light") as own:
        for _ in range(6):
            reply = httpx.post(f"{own.url}/pair", data={"secret": "AAAA-AAAA", "name": "x"})
            assert reply.status_code == 403
        code = own.code()
        reply = httpx.post(f"{own.url}/pair", data={"secret": code, "name": "x"})
        assert reply.status_code == 429  # even the right one


@needs_mosquitto
def test_over_tls_the_cookie_is_secure_and_old_versions_are_refused(tmp_path: Path) -> None:
    cert, key = tmp_path / "page.crt", tmp_path / "page.key"
    subprocess.run(
        [
            *[
                "openssl",
                "req",
                "-x509",
                "-newkey",
                "ec",
                "-pkeyopt",
                "ec_paramgen_curve:prime256v1",
                "-nodes",
            ],
            *f"-days 2 -subj /CN=localhost -keyout {key} -out {cert}".split(),
            *["-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"],
        ],
        check=True,
        capture_output=True,
    )
    settings = "panel: {port: 0, cert: page.crt, key: page.key, ca: page.crt}\n"
    with studio(tmp_path, "one-plug-one-light", settings) as own:
        assert own.url.startswith("https://")
        trust = ssl.create_default_context(cafile=str(cert))
        reply = httpx.post(
            f"{own.url}/pair", data={"secret": own.code(), "name": "x"}, verify=trust
        )
        assert reply.status_code == 303
        assert "Secure" in reply.headers["set-cookie"]
        # who vouches for it is shown beside the drawing, and handed out to whoever asks
        asked = ["openssl", "x509", "-in", str(cert), "-noout", "-fingerprint", "-sha256"]
        shown = subprocess.run(asked, check=True, capture_output=True, text=True).stdout
        drawn = own.command("panel", "pair", "--qr")
        assert drawn.returncode == 0, drawn.stderr
        assert "▀" in drawn.stdout and shown.strip().rpartition("=")[2] in drawn.stdout
        assert "https://127.0.0.1" in drawn.stdout
        handed = httpx.get(f"{own.url}/authority.crt", verify=trust)
        assert handed.content == cert.read_bytes()
        old = ssl.create_default_context(cafile=str(cert))
        old.set_ciphers("DEFAULT:@SECLEVEL=0")
        old.minimum_version = ssl.TLSVersion.TLSv1
        old.maximum_version = ssl.TLSVersion.TLSv1_1
        with pytest.raises(httpx.ConnectError):
            httpx.get(f"{own.url}/pair", verify=old)
        with pytest.raises(httpx.ConnectError):
            httpx.get(f"{own.url}/pair")  # a certificate nobody vouches for


# ---- keys, without a server --------------------------------------------------------------


def test_keys_are_kept_as_hashes_for_their_owner_only(tmp_path: Path) -> None:
    keys = Keys(tmp_path / "keys.json")
    code = keys.new_code("operator")
    keys.set_password("a long enough one", "viewer")
    opened = keys.open(code, "Ana")
    assert opened is not None
    token, session = opened
    text = (tmp_path / "keys.json").read_text()
    assert code.replace("-", "") not in text
    assert "a long enough one" not in text
    assert token not in text
    assert (tmp_path / "keys.json").stat().st_mode & 0o077 == 0
    assert keys.session(token) == session
    assert Keys(tmp_path / "keys.json").session(token) == session  # after a restart
    assert keys.session(token[:-1]) is None


def test_a_code_runs_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keys = Keys(tmp_path / "keys.json")
    code = keys.new_code("operator")
    real = time.time
    monkeypatch.setattr(time, "time", lambda: real() + CODE_LASTS + 1)
    assert keys.open(code, "Ana") is None


def test_passwords_open_their_own_role(tmp_path: Path) -> None:
    keys = Keys(tmp_path / "keys.json")
    keys.set_password("for the crew only", "operator")
    keys.set_password("for the visitors", "viewer")
    for password, role in (("for the crew only", "operator"), ("for the visitors", "viewer")):
        opened = keys.open(password, "x")
        assert opened is not None
        assert opened[1].role == role
    assert keys.open("for nobody at all", "x") is None
    with pytest.raises(KeysError, match="10 characters"):
        keys.set_password("short", "operator")


def test_a_broken_file_of_keys_is_said(tmp_path: Path) -> None:
    (tmp_path / "keys.json").write_text("{")
    with pytest.raises(KeysError, match="move it away"):
        Keys(tmp_path / "keys.json").session("x")


def test_the_network_is_not_served_without_tls_unless_told() -> None:
    check(PanelSettings())
    with pytest.raises(CannotServe, match="without TLS"):
        check(PanelSettings(listen="0.0.0.0"))
    check(PanelSettings(listen="0.0.0.0", plain=True))
    check(PanelSettings(listen="0.0.0.0", behind="https://studio.example"))
    with pytest.raises(CannotServe, match="needs its key"):
        check(PanelSettings(cert=Path("x.crt")))
    assert "studio.example" in hosts_of(PanelSettings(behind="https://studio.example"))


def test_who_and_forget(tmp_path: Path) -> None:
    keys = Keys(tmp_path / "keys.json")
    for name in ("Ana", "Bo", "Ana"):
        assert keys.open(keys.new_code("viewer"), name)
    assert json.dumps([s.name for s in keys.sessions()]) == '["Ana", "Bo", "Ana"]'
    assert keys.forget("Ana") == 2
    assert keys.forget(None) == 1


@pytest.mark.skipif(os.geteuid() != 0, reason="root's own doing")
def test_a_code_that_root_makes_is_read_by_the_user_of_the_service(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    os.chown(folder, 4321, 4322)
    Keys(folder / "keys.json").new_code("operator")
    for name in ("keys.json", "keys.lock"):
        made_by = (folder / name).stat()
        assert (made_by.st_uid, made_by.st_gid, made_by.st_mode & 0o777) == (4321, 4322, 0o600)


@pytest.mark.skipif(os.geteuid() != 0, reason="root's own doing")
@pytest.mark.parametrize("other_name", ["symlink_to", "hardlink_to"])
def test_no_file_of_roots_is_given_away_by_a_link_in_the_services_folder(
    other_name: str, tmp_path: Path
) -> None:
    """Who takes the page over may lay one there, and wait for root to ask for a code."""
    folder = tmp_path / "data"
    folder.mkdir()
    secret = tmp_path / "secret"
    secret.write_text("root's own")
    secret.chmod(0o600)
    getattr(folder / "keys.lock", other_name)(secret)
    os.chown(folder, 4321, 4322)
    with pytest.raises(KeysError):
        Keys(folder / "keys.json").new_code("operator")
    assert (secret.stat().st_uid, secret.read_text()) == (0, "root's own")
    # and a profile that root drafted there, put aside for a link before it is handed over
    profile = folder / "corner.yaml"
    getattr(profile, other_name)(secret)
    with pytest.raises(OSError):
        _belongs_to_the_shelf(profile)
    assert (secret.stat().st_uid, secret.stat().st_mode & 0o777) == (0, 0o600)


def test_the_file_of_keys_is_nobody_elses_and_is_said_when_it_is(tmp_path: Path) -> None:
    before = os.umask(0o000)
    try:
        keys = Keys(tmp_path / "of" / "ours" / "keys.json")
        keys.new_code("operator")
        for folder in (keys.path.parent, keys.path.parent.parent):
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        for file in keys.path.parent.iterdir():
            assert stat.S_IMODE(file.stat().st_mode) == 0o600
    finally:
        os.umask(before)
    assert keys.warnings() == []
    for mode, words in ((0o604, "others can read it"), (0o602, "anybody can change it")):
        keys.path.chmod(mode)
        (warning,) = keys.warnings()
        assert words in warning

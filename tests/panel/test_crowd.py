"""What strangers can take from the page's server: time, memory, connections, tries. Real sockets."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest

from studiobridge.panel.doors import guest_of
from studiobridge.panel.keys import Keys, keys_path
from studiobridge.panel.past import whole
from tests.panel.studio import CONFIG, Process

SET = "shelf-corner"


class Page:
    """The page's server alone: no broker is needed to knock at its door."""

    def __init__(self, folder: Path, settings: str) -> None:
        chosen = folder / "settings.yaml"
        chosen.write_text(settings, encoding="utf-8")
        clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
        self.data = folder / "data"
        env = {
            **clean,
            "HOME": str(folder),
            "STUDIOBRIDGE_BROKER": "mqtt://127.0.0.1:1",
            "STUDIOBRIDGE_DATA": str(self.data),
            "STUDIOBRIDGE_SETTINGS": str(chosen),
        }
        self.process = Process(env, "panel", "serve", CONFIG / "one-plug-one-light.yaml").start()
        self.process.said("the page is at")
        # the port it really has, whatever it is called from outside
        self.port = _listens(self.process.pid)
        self.url = f"http://127.0.0.1:{self.port}"
        self.keys = Keys(keys_path(self.data))

    def memory(self) -> float:
        """MB this process has had in memory at most."""
        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
        return int(status.split("VmHWM:")[1].split()[0]) / 1024

    def connect(self, source: str = "127.0.0.1") -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), 5.0, (source, 0))

    def reached_from(self, source: str, path: str = "/pair") -> int:
        """The status a request from this address gets, in a connection of its own."""
        with httpx.Client(transport=httpx.HTTPTransport(local_address=source)) as client:
            return client.get(self.url + path, timeout=5.0).status_code

    def try_from(self, source: str, secret: str = "AAAA-AAAA", **headers: str) -> int:
        with httpx.Client(transport=httpx.HTTPTransport(local_address=source)) as client:
            said = {"secret": secret, "name": "x"}
            named = {k.replace("_", "-"): v for k, v in headers.items()}
            reply = client.post(f"{self.url}/pair", data=said, headers=named, timeout=60.0)
            return reply.status_code


def _listens(pid: int) -> int:
    inodes = set()
    for link in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(OSError):
            inodes.add(str(link.readlink()))
    for line in Path("/proc/net/tcp").read_text(encoding="ascii").splitlines()[1:]:
        parts = line.split()
        if parts[3] == "0A" and f"socket:[{parts[9]}]" in inodes:
            return int(parts[1].split(":")[1], 16)
    raise AssertionError("it listens nowhere")


@contextlib.contextmanager
def serving(folder: Path, settings: str = "panel: {port: 0}\n") -> Iterator[Page]:
    page = Page(folder, settings)
    try:
        yield page
    finally:
        page.process.stop()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """One for all who try no wrong code at it: that is remembered."""
    with serving(tmp_path_factory.mktemp("page")) as found:
        yield found


@pytest.fixture
def own_page(tmp_path: Path) -> Iterator[Page]:
    """At whose door nobody has tried a code yet."""
    with serving(tmp_path) as found:
        yield found


def answer(taken: socket.socket, within: float = 5.0) -> bytes:
    taken.settimeout(within)
    found = b""
    with contextlib.suppress(TimeoutError, ConnectionError):
        while b"\r\n\r\n" not in found and (more := taken.recv(4096)):
            found += more
    return found


def pour(taken: socket.socket, megabytes: int) -> int:
    """Send this much in chunks of 64 kB, until it is refused. How many MB went out."""
    chunk = b"10000\r\n" + b"x" * 65536 + b"\r\n"
    sent = 0
    with contextlib.suppress(OSError):
        for _ in range(megabytes * 16):
            taken.sendall(chunk)
            sent += 65536
    return sent // 1_000_000


FORM = "application/x-www-form-urlencoded"


@pytest.mark.parametrize("path", ["/pair", f"/api/sets/{SET}/ask", "/leave", "/health", "/nowhere"])
def test_a_body_without_end_is_refused_while_it_comes(page: Page, path: str) -> None:
    """Not after all of it is in memory: nobody has to be paired to send it."""
    httpx.get(f"{page.url}/health")
    before = page.memory()
    with page.connect() as taken:
        head = f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: {FORM}\r\n"
        taken.sendall((head + "Transfer-Encoding: chunked\r\n\r\n").encode())
        began = time.monotonic()
        sent = pour(taken, 105)
        assert time.monotonic() - began < 15
        said = answer(taken)
    assert sent < 20, f"{sent} MB were taken"
    assert page.memory() - before < 10
    if path == "/pair":
        assert b" 413 " in said.split(b"\r\n")[0]


def test_a_body_that_says_it_is_large_is_refused_before_it_comes(page: Page) -> None:
    with page.connect() as taken:
        head = f"POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: {FORM}\r\n"
        taken.sendall((head + "Content-Length: 100000000\r\n\r\n").encode())
        began = time.monotonic()
        assert b" 413 " in answer(taken).split(b"\r\n")[0]
        assert time.monotonic() - began < 2


def test_many_idle_connections_deny_nobody(page: Page) -> None:
    """Others get in, and so does one more page at the address they come from."""
    with contextlib.ExitStack() as stack:
        for _ in range(230):
            stack.enter_context(page.connect("127.0.0.1"))
        time.sleep(0.5)
        assert page.reached_from("127.0.0.2") == 200
        assert page.reached_from("127.0.0.1") == 200


def test_many_addresses_together_deny_nobody(page: Page) -> None:
    with contextlib.ExitStack() as stack:
        for n in range(300):
            stack.enter_context(page.connect(f"127.0.1.{n % 30 + 1}"))
        time.sleep(0.5)
        assert page.reached_from("127.0.0.2") == 200


BEGUN = {
    "nothing": b"",
    "head": b"GET /pair HTTP/1.1\r\nHost: 127.0.0.1\r\n",
    "body": f"POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: {FORM}\r\n"
    "Content-Length: 4000\r\n\r\n".encode(),
}


def dawdle(page: Page, begun: bytes) -> float:
    """A byte every half second: how long until one is shown out."""
    with page.connect() as taken:
        taken.sendall(begun)
        taken.settimeout(0.5)
        began = time.monotonic()
        while time.monotonic() - began < 25:
            try:
                taken.sendall(b"a" if begun else b"")
                if taken.recv(4096) == b"":
                    break
            except TimeoutError:
                continue
            except ConnectionError:
                break
        return time.monotonic() - began


def test_who_dawdles_is_shown_out(page: Page) -> None:
    """A byte a second keeps no door open: the whole request has its time."""
    with ThreadPoolExecutor() as pool:
        took = dict(zip(BEGUN, pool.map(lambda it: dawdle(page, it), BEGUN.values()), strict=True))
    assert all(5 < seconds < 20 for seconds in took.values()), took


def test_a_slow_phone_still_gets_in(page: Page) -> None:
    """A request that takes three seconds to come is a bad network, not an attack."""
    with page.connect() as taken:
        for part in (b"GET /pair HTTP/1.1\r\n", b"Host: 127.0.0.1\r\n", b"\r\n"):
            time.sleep(1.0)
            taken.sendall(part)
        assert b" 200 " in answer(taken).split(b"\r\n")[0]


def test_a_stream_is_no_idle_connection(own_page: Page) -> None:
    """The stream of a page stays for longer than a request has, in whatever crowd."""
    with httpx.Client(base_url=own_page.url) as client:
        client.post("/pair", data={"secret": own_page.keys.new_code("viewer"), "name": "x"})
        with client.stream("GET", f"/s/{SET}/events", timeout=5) as stream:
            lines = stream.iter_lines()
            next(lines)
            with contextlib.ExitStack() as stack:
                for _ in range(230):
                    stack.enter_context(own_page.connect("127.0.0.1"))
                began = time.monotonic()
                beats = 0
                while time.monotonic() - began < 16:
                    beats += next(lines) == "event: beat"
            assert beats > 10


def test_wrong_codes_of_one_guest_deny_nobody_else(own_page: Page) -> None:
    tries = [own_page.try_from("127.0.0.1") for _ in range(50)]
    assert tries[:6] == [403] * 6
    assert set(tries[6:]) == {429}
    assert own_page.try_from("127.0.0.2", own_page.keys.new_code("viewer")) == 303


def test_wrong_codes_of_many_guests_slow_and_do_not_deny(own_page: Page) -> None:
    for n in range(41):
        assert own_page.try_from(f"127.0.2.{n + 1}") == 403
    began = time.monotonic()
    assert own_page.try_from("127.0.0.2", own_page.keys.new_code("viewer")) == 303
    assert 1.0 < time.monotonic() - began < 20


def test_behind_a_proxy_a_guest_is_who_the_proxy_says(tmp_path: Path) -> None:
    behind = "panel: {port: 0, behind: 'https://localhost'}\n"
    with serving(tmp_path, behind) as page:

        def tried(guest: str, secret: str = "AAAA-AAAA") -> int:
            return page.try_from("127.0.0.1", secret, X_Forwarded_For=guest)

        # what stands before the proxy's own word is the guest's: it may say anything there
        tries = [tried(f"198.51.100.{n}, 203.0.113.7") for n in range(12)]
        assert tries == [403] * 6 + [429] * 6
        assert tried("203.0.113.8", page.keys.new_code("viewer")) == 303
        assert tried("203.0.113.7", page.keys.new_code("viewer")) == 429
        # who comes past the proxy cannot speak for it
        past = [page.try_from("127.0.0.3", X_Forwarded_For=f"192.0.2.{n}") for n in range(8)]
        assert past == [403] * 6 + [429] * 2


@pytest.mark.parametrize(
    ("address", "guest"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        # a house gets a whole network of IPv6: each of its addresses is the same guest
        ("2001:db8:1:2::7", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::1", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("nonsense", "unknown"),
        ("", "unknown"),
    ],
)
def test_guests_are_told_apart_by_their_address(address: str, guest: str) -> None:
    assert guest_of(address) == guest


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("7", 7),
        ("0", 0),
        ("²", None),
        ("٣", None),
        ("-1", None),
        ("1_0", None),
        (" 1", None),
        ("1e3", None),
        ("nan", None),
        ("", None),
        ("9" * 9, None),
        ("9" * 5000, None),
    ],
)
def test_only_plain_digits_are_a_number(text: str, found: int | None) -> None:
    assert whole(text) == found


def test_nonsense_in_an_address_is_no_fault_of_ours(page: Page) -> None:
    with httpx.Client(base_url=page.url) as client:
        client.post("/pair", data={"secret": page.keys.new_code("operator"), "name": "x"})
        for number in ("²", "9" * 30, "9" * 5000, "-1", "1_0", "nan"):
            for end in ("", ".csv", "?second=%C2%B2"):
                reply = client.get(f"/s/{SET}/record/{number}{end}")
                assert reply.status_code == 404, (number[:40], reply.status_code)
        token = client.get("/api/session").json()["token"]
        for origin in ("http://[", "null", "http://[::1", "²"):
            headers = {"Origin": origin.encode(), "X-Studiobridge-Token": token}
            assert client.post("/leave", headers=headers).status_code == 403
    assert "Traceback" not in "\n".join(page.process.lines)


def test_who_never_shakes_hands_is_shown_out(tmp_path: Path) -> None:
    """A silent connection to a page with TLS: the handshake has its time too."""
    names = ["-keyout", str(tmp_path / "page.key"), "-out", str(tmp_path / "page.crt")]
    made = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2"
    subprocess.run(
        [*made.split(), "-subj", "/CN=localhost", *names], check=True, capture_output=True
    )
    with (
        serving(tmp_path, "panel: {port: 0, cert: page.crt, key: page.key}\n") as page,
        page.connect() as taken,
    ):
        taken.settimeout(20)
        began = time.monotonic()
        with contextlib.suppress(ConnectionError):
            assert taken.recv(1) == b""
        assert 3 < time.monotonic() - began < 15

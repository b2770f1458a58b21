"""Starting the panel: where it listens, with what certificate, under which names."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import ipaddress
import socket
import ssl
from collections.abc import Callable, Sequence
from pathlib import Path
from urllib.parse import urlsplit

import uvicorn

from studiobridge.bridge.settings import PanelSettings, Settings
from studiobridge.bridge.shelf import LOOK_EVERY, Shelf, load
from studiobridge.panel.app import Panel
from studiobridge.panel.doors import HANDSHAKE_WITHIN, Crowd, Door
from studiobridge.profile.model import SetProfile


class CannotServe(Exception):
    """The page cannot be served as asked; the text says why and what to do."""


def loopback(listen: str) -> bool:
    if listen == "localhost":
        return True
    try:
        return ipaddress.ip_address(listen).is_loopback
    except ValueError:
        return False


def check(panel: PanelSettings) -> None:
    """May the page be served like this? Raises CannotServe."""
    if (panel.cert is None) != (panel.key is None):
        raise CannotServe("panel: a certificate needs its key, and a key its certificate")
    for file in (panel.cert, panel.key, panel.ca):
        if file is not None and not file.is_file():
            raise CannotServe(f"panel: there is no file {file}")
    safe = panel.cert is not None or panel.behind is not None or loopback(panel.listen)
    if not safe and not panel.plain:
        raise CannotServe(
            f"panel: listening on {panel.listen} without TLS would show its sessions to everybody"
            " on that network; give it 'cert' and 'key', put it behind a proxy ('behind:"
            " https://…'), or say 'plain: yes' if you trust them all"
        )


def hosts_of(panel: PanelSettings) -> list[str]:
    """The names this panel answers to; another Host header is refused."""
    found = ["localhost", "127.0.0.1", "[::1]", *panel.hosts]
    if panel.behind is not None:
        found.append(urlsplit(panel.behind).hostname or "")
    if panel.listen not in ("0.0.0.0", "::"):
        found.append(panel.listen)
    else:
        found += [socket.gethostname(), f"{socket.gethostname()}.local"]
        with contextlib.suppress(OSError):
            found.extend(str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None))
    return list(dict.fromkeys(h for h in found if h))


def url_of(panel: PanelSettings, port: int) -> str:
    if panel.behind is not None:
        return panel.behind
    host = panel.listen
    if host in ("0.0.0.0", "::"):
        host = socket.gethostname()
    return f"{'https' if panel.cert is not None else 'http'}://{host}:{port}"


def address_for_others(panel: PanelSettings) -> str:
    """Where a phone finds the page: a name it was given, else this machine's own address."""
    if panel.behind is not None:
        return panel.behind
    host = panel.hosts[0] if panel.hosts else panel.listen
    if host in ("0.0.0.0", "::"):
        host = own_address() or socket.gethostname()
    shown = f"[{host}]" if ":" in host else host
    return f"{'https' if panel.cert is not None else 'http'}://{shown}:{panel.port}"


def own_address() -> str | None:
    """The address this machine has on the way out; None where it has none. Sends nothing."""
    # any address that is not on this network will do; these are for documentation (RFC 5737, 3849)
    for family, there in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as way:
            way.connect((there, 9))
            return str(way.getsockname()[0])
    return None


def way_in(address: str, code: str) -> str:
    """An address that fills in the code. What stands behind '#' is never sent to anybody."""
    return f"{address}/pair#{code}"


def fingerprint_of(certificate: Path) -> str:
    """SHA-256 of a certificate as phones show it: pairs of digits. Raises OSError, ValueError."""
    der = ssl.PEM_cert_to_DER_cert(certificate.read_text(encoding="ascii").strip())
    return hashlib.sha256(der).digest().hex(":").upper()


class PanelServer:
    """The running server. `start` returns when it listens; `stop` ends it."""

    def __init__(self, settings: Settings, profiles: Sequence[SetProfile]) -> None:
        check(settings.panel)
        self.settings = settings
        made = settings.panel
        self.panel = Panel(
            settings,
            profiles,
            secure=made.cert is not None or made.behind is not None,
            hosts=hosts_of(made),
        )
        proxies = [str(proxy) for proxy in made.proxies]
        config = uvicorn.Config(
            self.panel.app(),
            host=made.listen,
            port=made.port,
            log_level="warning",
            access_log=False,
            server_header=False,
            ssl_certfile=str(made.cert) if made.cert is not None else None,
            ssl_keyfile=str(made.key) if made.key is not None else None,
            proxy_headers=made.behind is not None,
            forwarded_allow_ips=proxies,
            timeout_graceful_shutdown=1,
            ws="none",
            h11_max_incomplete_event_size=16384,
        )
        if made.cert is not None:
            try:
                config.load()
            except (ssl.SSLError, OSError) as error:
                raise CannotServe(f"panel: the certificate cannot be used: {error}") from None
            assert config.ssl is not None
            config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2
        self._server = uvicorn.Server(config)
        self._server.install_signal_handlers = lambda: None  # type: ignore[attr-defined]
        self._task: asyncio.Task[None] | None = None
        self.crowd = Crowd(proxies if made.behind is not None else [])
        self.port = made.port

    @property
    def url(self) -> str:
        return url_of(self.settings.panel, self.port)

    async def start(self) -> None:
        """Listen. Raises CannotServe."""
        made = self.settings.panel
        family = socket.AF_INET6 if ":" in made.listen else socket.AF_INET
        listener = socket.socket(family, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((made.listen, made.port))
        except OSError as error:
            listener.close()
            raise CannotServe(
                f"panel: cannot listen on {made.listen}:{made.port}: {error.strerror}"
            ) from None
        self.port = listener.getsockname()[1]
        # signals are the caller's: it has more to end than this server
        self._task = asyncio.create_task(self._server._serve([]))
        try:
            while not self._server.started:
                if self._task.done():
                    self._task.result()
                    raise CannotServe("panel: the server ended at once")
                await asyncio.sleep(0.02)
        except BaseException:
            listener.close()
            raise
        ssl_context = self._server.config.ssl
        # ours and not the server's own, for the time a handshake may take
        self._server.servers.append(
            await asyncio.get_running_loop().create_server(
                self._door,
                sock=listener,
                ssl=ssl_context,
                ssl_handshake_timeout=HANDSHAKE_WITHIN if ssl_context is not None else None,
            )
        )

    def _door(self) -> Door:
        server = self._server
        state = server.lifespan.state
        return Door(server.config, server.server_state, state, crowd=self.crowd)

    async def stop(self) -> None:
        self.panel.house.stopping.set()
        self._server.should_exit = True
        if self._task is not None:
            await self._task


async def serve(
    settings: Settings,
    profiles: Sequence[SetProfile],
    stopped: asyncio.Event,
    say: Callable[[str], None],
    shelf: Shelf | None = None,
) -> int:
    """Serve until stopped. Returns an exit code. A set that appears in a folder gets its page."""
    known = list(profiles)
    said = ""
    while True:
        if shelf is not None:
            _take_up(shelf, known, say)
        try:
            server = PanelServer(settings, known)
            await server.start()
        except CannotServe as error:
            say(str(error))
            return 2
        if said != server.url:
            said = server.url
            say(f"the page is at {said}")
            if not server.panel.house.keys.sessions():
                say("nobody is paired yet: `studiobridge panel pair` shows a code")
            if settings.panel.plain and settings.panel.cert is None:
                say("warning: served without TLS: everybody on this network can read its sessions")
            for warning in server.panel.house.keys.warnings():
                say(f"warning: {warning}")
        while not stopped.is_set():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_EVERY if shelf else None):
                    await stopped.wait()
            if shelf is not None and _take_up(shelf, known, say):
                break
        # its pages come back to the next one by themselves
        await server.stop()
        if stopped.is_set():
            return 0


def _take_up(shelf: Shelf, known: list[SetProfile], say: Callable[[str], None]) -> bool:
    """Sets that appeared go to those that have pages. Are there any?"""
    before = len(known)
    for path in shelf.fresh():
        profile = load(path, say)
        if profile is not None and profile.name not in [other.name for other in known]:
            known.append(profile)
    return len(known) > before

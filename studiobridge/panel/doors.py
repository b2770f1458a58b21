"""What a stranger may take from the page's server before anybody knows who it is.

Connections are counted by where they come from, a request has to arrive whole within its time,
and no body is taken that is larger than the page ever sends. Who holds a place without using it
gives way to whoever comes next, so that a crowd of silent connections keeps nobody out.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from collections.abc import Iterable
from typing import Any

from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

# Connections at once: a browser opens six to a server, and a stream more for each page.
MOST_EACH = 32
# All together. A process may have 1,024 files open, and the record's readers need some.
MOST_ALL = 200
# A request (its head and its body) has to be here this long (s) after its connection opened or
# its first byte came. A page asks with 2 kB at most: a network that needs longer carries no page.
WHOLE_WITHIN = 10.0
# A TLS handshake is two short messages each way (s).
HANDSHAKE_WITHIN = 5.0
# What was sent has to be taken by the other side within this (s), or it is not there any more.
TAKEN_WITHIN = 20.0
# The largest body (bytes): a request names 200 devices at most.
LARGEST_BODY = 4096


def guest_of(address: str) -> str:
    """One name for all addresses that one guest can have: of IPv6 that is a network of /64."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is None:
            return str(ipaddress.ip_network((found, 64), strict=False))
        found = found.ipv4_mapped
    return str(found)


class Crowd:
    """All connections that are open now, by guest. `proxies` bring many guests each."""

    def __init__(self, proxies: Iterable[str] = ()) -> None:
        self._proxies = {guest_of(proxy) for proxy in proxies}
        self._doors: dict[str, dict[Door, None]] = {}

    def enter(self, door: Door) -> bool:
        """Is there a place for it? Makes one where somebody holds a place without using it."""
        own = self._doors.get(door.guest, {})
        if door.guest not in self._proxies and len(own) >= MOST_EACH:
            if not self._give_way(own):
                return False
        elif sum(map(len, self._doors.values())) >= MOST_ALL:
            # whoever holds most unused places loses one
            most = max(self._doors.values(), key=lambda doors: sum(d.waiting for d in doors))
            if not self._give_way(most):
                return False
        self._doors.setdefault(door.guest, {})[door] = None
        return True

    def leave(self, door: Door) -> None:
        own = self._doors.get(door.guest, {})
        own.pop(door, None)
        if not own:
            self._doors.pop(door.guest, None)

    def _give_way(self, doors: dict[Door, None]) -> bool:
        oldest = next((door for door in doors if door.waiting), None)
        if oldest is None:
            return False
        self.leave(oldest)
        oldest.transport.abort()
        return True


class Door(H11Protocol):
    """One connection, as uvicorn serves it, with a place in the crowd and a time to ask."""

    def __init__(self, *args: Any, crowd: Crowd, **more: Any) -> None:
        super().__init__(*args, **more)
        self.crowd = crowd
        self.guest = ""
        self._late: asyncio.TimerHandle | None = None

    @property
    def waiting(self) -> bool:
        """Is no request here that is whole and not answered yet?"""
        cycle = self.cycle
        return cycle is None or cycle.response_complete or cycle.more_body

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.guest = guest_of(self.client[0] if self.client else "")
        taken = transport.get_extra_info("socket")
        if taken is not None and hasattr(socket, "TCP_USER_TIMEOUT"):
            # else a phone that went away keeps its place until the kernel gives up, in a
            # quarter of an hour
            milliseconds = int(TAKEN_WITHIN * 1000)
            taken.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, milliseconds)
        if self.crowd.enter(self):
            self._watch()
        else:
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        self.crowd.leave(self)
        self._in_time()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._watch()

    def _watch(self) -> None:
        """Time runs while a request is awaited, and not anew with each of its bytes."""
        if not self.waiting:
            self._in_time()
        elif self._late is None:
            self._late = self.loop.call_later(WHOLE_WITHIN, self._shown_out)

    def _in_time(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _shown_out(self) -> None:
        self._late = None
        if self.waiting:
            self.transport.abort()


class Bounded:
    """Takes each body whole before anything is done with it, and none that is too large."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        # h11 has seen to it that these are digits, and not many
        declared = int(dict(scope["headers"]).get(b"content-length", b"0"))
        body, more = bytearray(), True
        while more and max(declared, len(body)) <= LARGEST_BODY:
            message = await receive()
            if message["type"] != "http.request":
                return
            body += message.get("body", b"")
            more = message.get("more_body", False)
        if max(declared, len(body)) > LARGEST_BODY:
            # what still comes is not read: the connection ends with this answer
            text = {"text": f"larger than {LARGEST_BODY} bytes"}
            await JSONResponse(text, 413, {"connection": "close"})(scope, receive, send)
            return
        whole: Message | None = {"type": "http.request", "body": bytes(body), "more_body": False}

        async def once() -> Message:
            nonlocal whole
            given, whole = whole, None
            return given if given is not None else await receive()

        await self.app(scope, once, send)

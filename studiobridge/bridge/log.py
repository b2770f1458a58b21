"""What a bridge says of itself to who runs the machine: lines, or JSON, and the service manager."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Protocol

from studiobridge.profile.plain import plain

Say = Callable[[str], None]


class Log(Protocol):
    """Where a set writes down what it does, for who runs the machine."""

    def __call__(self, set_name: str, text: str, **more: object) -> None: ...


def no_log(set_name: str, text: str, **more: object) -> None:
    pass


def to_stderr(text: str) -> None:
    with contextlib.suppress(OSError, ValueError):  # a terminal that went away ends no set
        print(text, file=sys.stderr, flush=True)


def text_log(set_name: str, text: str, **more: object) -> None:
    """A line a thing: `wheel-corner: up taken (request r-7)`."""
    known = ", ".join(f"{k} {v}" for k, v in more.items() if v not in (None, ""))
    to_stderr(plain(f"{set_name}: {text}" + (f" ({known})" if known else "")))


def json_log(set_name: str, text: str, **more: object) -> None:
    """A JSON object a line, for programs that collect logs."""
    said = {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), "set": set_name}
    more = {k: v for k, v in more.items() if v not in (None, "")}
    to_stderr(json.dumps({**said, "text": text, **more}, ensure_ascii=False))


def notify(text: str) -> None:
    """Tell the service manager (sd_notify), where there is one."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.sendto(text.encode(), address)

"""The process that reads: a file, a folder, an address or a camera, one frame when it is asked.

Started by `frames.py` and told by a line of JSON on its input what to read, then a line each time
a frame is wanted; answers on its output with a line of JSON and the codes. It ends when its input
does, writes no file (the limit on it is zero), and needs nothing of the project's other rooms.
What it reads is each a file of its own: `written.py` (files, folders), `addresses.py` (a still,
MJPEG), `streams.py` (by OpenCV). Here is what holds for all of them: the limits of the process, one
question after another, and that the same picture again is no new one.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import resource
import select
import ssl
import sys
import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import IO, Any
from urllib.parse import quote, urlsplit

import cv2
import numpy as np

from studiobridge.witness.addresses import Address
from studiobridge.witness.frames import now
from studiobridge.witness.given import Got, Nothing, Source, ago
from studiobridge.witness.pictures import NotAPicture, NotWhole, decoded, scaled
from studiobridge.witness.streams import Stream, camera, network
from studiobridge.witness.written import File, Folder

# A picture whose mean code is below this is all but black, and may well come twice.
BLACK = 2.0
# So many pictures are known again: a stream that hangs may repeat its last seconds.
REMEMBERED = 256
# What libjpeg says of a picture it had to fill up in grey; it has no other way to say so.
MISSING = b"premature end of data segment"
# Memory (bytes) of this process.
MOST_MEMORY = 1_000_000_000


def source(said: dict[str, Any]) -> Source:
    kind, where = said["kind"], str(said["where"])
    if kind == "file":
        return File(where)
    if kind == "folder":
        return Folder(where)
    if kind == "device":
        return Stream(f"device {where}", lambda: camera(where))
    user, password = said.get("user"), said.get("password")
    if urlsplit(where).scheme in ("http", "https"):
        return Address(where, user, password, said.get("ca"))
    return Stream(where, lambda: network(where, user, password))


class Answering:
    """Answers one question after another."""

    def __init__(
        self,
        found: Source,
        widest: int,
        password: str | None,
        out: IO[bytes],
        murmured: Callable[[], bytes],
    ) -> None:
        self._source = found
        self._widest = widest
        self._password = password
        self._out = out
        self._firsts: OrderedDict[bytes, float] = OrderedDict()  # when each picture came first
        self._same = 0
        self._murmured = murmured

    def answer(self, said: dict[str, Any]) -> None:
        until = now() + min(float(said["within"]), 600.0)
        after = said.get("after")
        try:
            self._frame(until, -1e18 if after is None else float(after))
        except Nothing as error:
            self._say({"nothing": self._plain(str(error)), "final": error.final})
            if getattr(self._source, "hangs", False):
                os._exit(70)

    def _frame(self, until: float, after: float) -> None:
        why = ""  # what was wrong with the last that came: nothing after it does not make it good
        while True:
            try:
                got = self._source.next(until, after)
            except Nothing as error:
                raise (Nothing(why) if why and not error.final else error) from None
            picture = got.picture
            whole = picture if isinstance(picture, bytes) else np.ascontiguousarray(picture).data
            digest = hashlib.blake2b(whole, digest_size=16).digest()
            try:
                if isinstance(picture, bytes):
                    self._murmured()
                    codes, size = decoded(picture, self._widest)
                    if MISSING in self._murmured():
                        raise NotWhole("a piece of it is missing")
                else:
                    codes, size = scaled(picture, self._widest), picture.shape[1::-1]
            except (NotWhole, NotAPicture) as error:
                why = f"no picture: {error}"
                if now() < until:
                    continue
                raise Nothing(why) from None
            self._same = self._same + 1 if digest in self._firsts else 0
            taken = min(self._firsts.get(digest, got.taken), got.taken)
            if float(codes.mean()) >= BLACK:
                self._firsts[digest] = taken
                self._firsts.move_to_end(digest)
                if len(self._firsts) > REMEMBERED:
                    self._firsts.popitem(last=False)
            if taken > after:
                break
            for_ = ago(now() - taken)
            why = f"the same picture again and again, for {for_}: it stands still"
            if now() >= until:
                raise Nothing(why)
        said = {"shape": codes.shape[:2], "taken": taken, "size": size, "same": self._same}
        self._say(said, np.ascontiguousarray(codes).data)

    def _say(self, said: dict[str, Any], data: memoryview | None = None) -> None:
        notes = getattr(self._source, "notes", [])
        self._out.write(json.dumps({**said, "notes": notes}).encode() + b"\n")
        if data is not None:
            self._out.write(data)
        self._out.flush()

    def _plain(self, text: str) -> str:
        """Whatever a library said: one line, and no password in it."""
        text = " ".join(text.split())
        if self._password:
            for secret in (self._password, quote(self._password, safe="")):
                text = text.replace(secret, "…")
        return text


def main() -> None:
    """Read until whoever wants frames is gone."""
    for limit, most in (
        (resource.RLIMIT_CORE, 0),  # a core has the picture in it
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_DATA, MOST_MEMORY),
    ):
        with contextlib.suppress(OSError, ValueError):  # a service may be bound more narrowly
            resource.setrlimit(limit, (most, most))
    cv2.setNumThreads(1)
    lines = sys.stdin.buffer
    said = json.loads(lines.readline())
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb", buffering=1 << 16)
    # what a library prints must not come between our words
    murmured = _murmurs()
    threading.Thread(target=_gone, daemon=True).start()
    try:
        found: Source = source(said)
    except (OSError, ssl.SSLError, ValueError) as error:
        text = f"{said['where']}: {error}"

        class Wrong:
            def next(self, until: float, after: float) -> Got:
                raise Nothing(text, True)

        found = Wrong()
    answering = Answering(found, int(said["widest"]), said.get("password"), out, murmured)
    out.write(b"{}\n")
    out.flush()
    while line := lines.readline():
        try:
            answering.answer(json.loads(line))
        except MemoryError:
            os._exit(70)
    os._exit(0)  # also when a library does not come back


def _murmurs() -> Callable[[], bytes]:
    """What libraries print goes nowhere but here: all that came since the last time."""
    into, from_ = os.pipe()
    for end in (into, from_):
        os.set_blocking(end, False)  # nobody waits, and nobody is kept waiting
    os.dup2(from_, sys.stderr.fileno())
    os.dup2(from_, sys.stdout.fileno())

    def murmured() -> bytes:
        said = b""
        with contextlib.suppress(BlockingIOError):
            while len(said) < 1 << 20:
                said += os.read(into, 1 << 16)
        return said

    return murmured


def _gone() -> None:
    """End with whoever started this, also in the middle of a long picture."""
    watched = select.poll()
    # an end of the input that somebody has closed says so by itself
    watched.register(sys.stdin.fileno(), select.POLLHUP)
    while True:
        if any(what & (select.POLLHUP | select.POLLERR) for _, what in watched.poll(1000)):
            os._exit(0)


if __name__ == "__main__":
    main()

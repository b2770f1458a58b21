"""Cameras that are plugged in and network streams, by OpenCV.

Each is read by a thread of its own all the time, so that no frame waits in a buffer. After a gap it
is opened anew: what it then holds may be from before.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import quote, urlsplit, urlunsplit

import cv2
import numpy as np

from studiobridge.witness.frames import now
from studiobridge.witness.given import (
    ANSWERS_WITHIN,
    FIRST_WAIT,
    GAP,
    HANGS,
    LONGEST_WAIT,
    Got,
    Newest,
    Nothing,
    reason_of,
)
from studiobridge.witness.pictures import MOST_PIXELS

# A camera that was just opened has frames from before it settled: so many are let go.
WARM = 4


class Capture(Protocol):
    """What is used of OpenCV's VideoCapture."""

    def isOpened(self) -> bool: ...
    def grab(self) -> bool: ...
    def retrieve(self) -> tuple[bool, Any]: ...
    def release(self) -> None: ...


class Stream:
    """A camera that is read all the time, so that no frame waits in its buffer."""

    def __init__(self, shown: str, opened: Callable[[], tuple[Capture, list[str]]]) -> None:
        self.notes: list[str] = []
        self._shown = shown
        self._opened = opened
        self._newest = Newest()
        self._wanted = False
        self._why: Nothing | None = None
        self.busy_since: float | None = None  # in the library, which may not come back
        threading.Thread(target=self._run, daemon=True).start()

    @property
    def hangs(self) -> bool:
        since = self.busy_since
        return since is not None and now() - since > HANGS

    def next(self, until: float, after: float) -> Got:
        self._wanted = True
        try:
            got = self._newest.next(until, after, lambda: False)
        finally:
            self._wanted = False
        if got is None:
            why = self._why or Nothing("it gave no frame in time")
            raise Nothing(f"{self._shown}: {why}", why.final)
        return got

    def _run(self) -> None:
        wait = FIRST_WAIT
        while True:
            try:
                self.busy_since = now()
                capture, notes = self._opened()
            except Nothing as error:
                self._failed(error)
            except Exception as error:  # of the library
                self._failed(Nothing(f"it cannot be opened: {type(error).__name__}"))
            else:
                self.notes = notes
                if self._read(capture):
                    wait = FIRST_WAIT
                self.busy_since = now()
                with contextlib.suppress(Exception):
                    capture.release()
            self.busy_since = None
            time.sleep(wait)
            wait = min(2 * wait, LONGEST_WAIT)

    def _failed(self, error: Nothing) -> None:
        self._why = error

    def _read(self, capture: Capture) -> bool:
        """Until it ends. Did any frame come?"""
        count = 0
        while True:
            # a frame was taken at the earliest when the one before it had been
            before = self.busy_since = now()
            try:
                good = capture.grab()
            except Exception:
                good = False
            if not good:
                self._failed(
                    Nothing("it gives no frames any more" if count else "it gives no frame")
                )
                return count > WARM
            if now() - before > GAP:
                self._failed(Nothing(f"it stood still for {now() - before:.0f} s"))
                return count > WARM
            count += 1
            if count <= WARM or not self._wanted:
                continue
            try:
                good, codes = capture.retrieve()
            except Exception:
                good, codes = False, None
            if not good or not _is_picture(codes):
                self._failed(Nothing("its frames cannot be read"))
                continue
            self._why = None
            self._newest.put(Got(codes, before))


def _is_picture(codes: object) -> bool:
    return (
        isinstance(codes, np.ndarray)
        and codes.dtype == np.uint8
        and codes.ndim == 3
        and codes.shape[2] == 3
        and min(codes.shape[:2]) >= 16
        and codes.shape[0] * codes.shape[1] <= MOST_PIXELS
    )


def camera(where: str) -> tuple[Capture, list[str]]:
    """What is plugged in here, with what it sets by itself switched off where it lets itself."""
    path = Path(f"/dev/video{where}" if where.isdigit() else where)
    if not path.exists():
        there = ", ".join(sorted(str(p) for p in Path("/dev").glob("video*"))[:8]) or "none"
        raise Nothing(f"there is no {path} (there is: {there}); is it plugged in?")
    if not os.access(path, os.R_OK | os.W_OK):
        raise Nothing(f"{path} may not be read: who runs this has to be in the group video", True)
    found = cv2.VideoCapture(str(path), cv2.CAP_V4L2)
    if not found.isOpened():
        found.release()
        raise Nothing(f"{path} does not open: another program may have it, or it is no camera")
    # the largest picture that is of use; what it cannot give it gives as near as it can
    found.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))
    found.set(cv2.CAP_PROP_FRAME_WIDTH, 1920)
    found.set(cv2.CAP_PROP_FRAME_HEIGHT, 1080)
    notes = []
    # of V4L2: exposure 1 is by hand (3 is automatic)
    for name, key, value in (
        ("exposure", cv2.CAP_PROP_AUTO_EXPOSURE, 1),
        ("white", cv2.CAP_PROP_AUTO_WB, 0),
        ("focus", cv2.CAP_PROP_AUTOFOCUS, 0),
    ):
        if not found.set(key, value) or found.get(key) != value:
            notes.append(f"its {name} cannot be fixed from here: set it by hand at the camera")
    return found, notes


def network(where: str, user: str | None, password: str | None) -> tuple[Capture, list[str]]:
    """A network stream, over TCP: what was lost on the way would be lies in the picture."""
    parts = urlsplit(where)
    if parts.scheme == "rtsps" and password is not None:
        raise Nothing(
            "whom rtsps reaches is not verified by what reads it, so no password is sent there: use"
            " https, or rtsp on a network of your own",
            True,
        )
    if user is not None:
        name = f"{quote(user, safe='')}:{quote(password or '', safe='')}@{parts.netloc}"
        parts = parts._replace(netloc=name)
    host, port = parts.hostname or "", parts.port or (322 if parts.scheme == "rtsps" else 554)
    try:  # the library would say no more than that it did not open
        socket.create_connection((host, port), ANSWERS_WITHIN).close()
    except OSError as error:
        raise Nothing(f"not reached: {reason_of(error)}") from None
    options = "rtsp_transport;tcp|fflags;nobuffer|flags;low_delay"
    os.environ["OPENCV_FFMPEG_CAPTURE_OPTIONS"] = options
    found = cv2.VideoCapture(
        urlunsplit(parts),
        cv2.CAP_FFMPEG,
        [
            *(cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, int(1000 * ANSWERS_WITHIN)),
            *(cv2.CAP_PROP_READ_TIMEOUT_MSEC, int(1000 * ANSWERS_WITHIN)),
            *(cv2.CAP_PROP_N_THREADS, 1),
        ],
    )
    if not found.isOpened():
        found.release()
        raise Nothing("it gives no stream: is the address right, and user and password?")
    return found, []

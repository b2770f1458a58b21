"""The process that reads: a file, a folder, an address or a camera, one frame when it is asked.

Started by `frames.py` and told by a line of JSON on its input what to read, then a line each time
a frame is wanted; answers on its output with a line of JSON and the codes. It ends when its input
does, writes no file (the limit on it is zero), and needs nothing of the project's other rooms.

- A picture counts when it is whole, and is as old as its own time says: of a file when it was
  written. A time in the future says nothing: then it is as old as the last look at the file
  before it, and one that was there from the beginning is not taken at all.
- An address is asked over one connection at a time, with bounds on everything. Its certificate is
  verified; it may lead on to the same host only, so a password goes nowhere else.
- A stream is read by a thread of its own all the time, so that no frame waits in a buffer. After
  a gap it is opened anew: what it then holds may be from before.
"""

from __future__ import annotations

import contextlib
import email.utils
import hashlib
import http.client
import json
import os
import resource
import select
import socket
import ssl
import stat
import sys
import threading
import time
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Protocol
from urllib.error import HTTPError, URLError
from urllib.parse import quote, urlsplit, urlunsplit

import cv2
import numpy as np

from studiobridge.witness.frames import now
from studiobridge.witness.learned import Codes
from studiobridge.witness.pictures import (
    MOST_BYTES,
    MOST_PIXELS,
    Finder,
    NotAPicture,
    NotWhole,
    decoded,
    scaled,
)

# A file or folder is looked at so often (s), and a folder no more than a tenth of the time.
LOOK_EVERY = 0.1
# In a folder whose own time stands still files may be written anew: looked at so often (s).
LOOK_AGAIN = 1.0
# So many files in a folder are looked at.
MOST_FILES = 50_000
# Clocks that agree differ by this (s): file systems of memory cards count in two seconds.
AGREE = 2.5
# An address gets so long (s) to answer, or to say the next word.
ANSWERS_WITHIN = 5.0
# A stream that says nothing for longer (s) is opened anew.
GAP = 2.0
# A camera that was just opened has frames from before it settled: so many are let go.
WARM = 4
# Tries to open a stream: after so long (s), doubled up to the last.
FIRST_WAIT, LONGEST_WAIT = 0.5, 8.0
# A library that does not come back for so long (s) hangs: only the end of the process helps.
HANGS = 20.0
# A picture whose mean code is below this is all but black, and may well come twice.
BLACK = 2.0
# Memory (bytes) of this process.
MOST_MEMORY = 1_000_000_000


class Nothing(Exception):
    """There is no frame; `final`: and there will be none until a person does something."""

    def __init__(self, text: str, final: bool = False) -> None:
        super().__init__(text)
        self.final = final


@dataclass(slots=True)
class Got:
    """A picture, as bytes or already as codes, and when it was taken."""

    picture: bytes | Codes
    taken: float


class Source(Protocol):
    def next(self, until: float, after: float) -> Got:
        """One that was not given before, taken after `after`. Raises Nothing."""
        ...


# ---- files ---------------------------------------------------------------------------------------


def _reason(error: OSError) -> str:
    return error.strerror or str(error)


def ago(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 172800 else f"{seconds / 86400:.0f} days"


Identity = tuple[int, int, int, int]


def _identity(found: os.stat_result) -> Identity:
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def whole_file(path: str, follow: bool) -> tuple[bytes, Identity] | None:
    """All of a file, if it stood still meanwhile. Raises OSError, NotAPicture."""
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | (0 if follow else os.O_NOFOLLOW)
    handle = os.open(path, flags)
    with os.fdopen(handle, "rb", buffering=0) as file:
        before = os.fstat(handle)
        if not stat.S_ISREG(before.st_mode):
            raise NotAPicture("it is no file")
        if before.st_size > MOST_BYTES:
            raise NotAPicture(f"it has more than {MOST_BYTES // 1_000_000} MB")
        data = bytearray()
        while chunk := file.read(min(1 << 20, MOST_BYTES + 1 - len(data))):
            data += chunk
        after = os.fstat(handle)
    if _identity(before) != _identity(after) or len(data) != after.st_size:
        return None
    return bytes(data), _identity(after)


class Written:
    """When files were written, by their times and by when they were seen to change."""

    def __init__(self) -> None:
        self._looked: float | None = None  # the look before this one

    def looked(self, at: float) -> None:
        self._looked = at

    def taken(self, mtime: float, fresh: bool) -> float | None:
        """When (`now()`) it was written; `fresh`: it was not so at the last look. None: unknown."""
        age = time.time() - mtime
        if age >= -AGREE:
            return now() - max(age, 0.0)
        return self._looked if fresh else None


class File:
    """A file that is written anew."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._seen: Identity | None = None  # how it stood at the last look
        self._given: Identity | None = None
        self._written = Written()
        self._ahead: Identity | None = None  # its time is of the future, and it was there before us

    def next(self, until: float, after: float) -> Got:
        why, final = "", False
        while True:
            at = now()
            try:
                got, why = self._look(after)
                final = False
            except OSError as error:
                got, why = None, f"{self._path}: {_reason(error)}"
                final = not isinstance(error, FileNotFoundError)
            except NotAPicture as error:
                got, why, final = None, f"{self._path}: {error}", True
            self._written.looked(at)
            if got is not None:
                return got
            if now() >= until:
                raise Nothing(why, final)
            time.sleep(LOOK_EVERY)

    def _look(self, after: float) -> tuple[Got | None, str]:
        found = Path(self._path).stat()
        identity = _identity(found)
        fresh = self._seen is not None and identity != self._seen
        if identity == self._given:
            return None, f"{self._path} was not written anew for {ago(self._age(found))}"
        if self._seen is None or fresh:
            self._ahead = None
        taken = self._written.taken(found.st_mtime, fresh)
        if taken is None or identity == self._ahead:
            self._seen = self._ahead = identity
            ahead = ago(found.st_mtime - time.time())
            return None, (
                f"{self._path} is written {ahead} in the future, by this computer's clock, and so"
                " nothing is known of how old it is: set the clock of what writes it"
            )
        if taken <= after:
            return None, f"{self._path} was not written anew for {ago(now() - taken)}"
        try:
            read = whole_file(self._path, follow=True)
            if read is None or read[1] != identity:
                return None, f"{self._path} is being written"
            picture = Got(read[0], taken)
            decodable(picture)
        except NotWhole as error:
            # as long as it is not whole it is as new as ever
            return None, f"{self._path} is not whole: {error}"
        self._seen = self._given = identity
        return picture, ""

    @staticmethod
    def _age(found: os.stat_result) -> float:
        return max(0.0, time.time() - found.st_mtime)


class Folder:
    """A folder that a camera or a phone writes into. Nothing in it is ever changed."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._known: dict[str, tuple[int, int]] | None = (
            None  # name: time and size, at the last look
        )
        self._times: dict[str, float | None] = {}  # of those whose own time is of the future
        self._written = Written()
        self._folder: int | None = None
        self._listed = -1e9
        self._took = 0.0
        self._newest: list[tuple[float, str]] = []
        self._given: tuple[float, str, int] | None = None

    def next(self, until: float, after: float) -> Got:
        while True:
            why, final = "", False
            try:
                self._list()
                got, why = self._look(after)
                if got is not None:
                    return got
            except OSError as error:
                why, final = f"{self._path}: {_reason(error)}", True
            if now() >= until:
                raise Nothing(why, final)
            time.sleep(max(LOOK_EVERY, 10 * self._took))

    def _list(self) -> None:
        began = now()
        folder = Path(self._path).stat().st_mtime_ns
        if folder == self._folder and began - self._listed < LOOK_AGAIN:
            return
        known: dict[str, tuple[int, int]] = {}
        times: dict[str, float | None] = {}
        newest: list[tuple[float, str]] = []
        with os.scandir(self._path) as entries:
            for count, entry in enumerate(entries):
                if count >= MOST_FILES:
                    break
                if not entry.name.lower().endswith((".jpg", ".jpeg", ".png")):
                    continue
                try:
                    if entry.name.startswith(".") or not entry.is_file(follow_symlinks=False):
                        continue
                    found = entry.stat(follow_symlinks=False)
                except OSError:
                    continue
                mark = (found.st_mtime_ns, found.st_size)
                known[entry.name] = mark
                before = None if self._known is None else self._known.get(entry.name)
                fresh = self._known is not None and before != mark
                taken = self._written.taken(found.st_mtime, fresh)
                if found.st_mtime - time.time() > AGREE:
                    if not fresh and entry.name in self._times:
                        taken = self._times[entry.name]
                    times[entry.name] = taken
                if taken is not None:
                    newest.append((taken, entry.name))
        newest.sort(key=lambda one: (round(one[0], 3), one[1]), reverse=True)
        self._known, self._times = known, times
        self._newest = newest[:5]
        self._folder, self._listed = folder, began
        self._took = now() - began
        self._written.looked(began)

    def _look(self, after: float) -> tuple[Got | None, str]:
        if not self._newest:
            if self._times:
                return None, (
                    f"{self._path}: its pictures are of the future by this computer's clock: set"
                    " the clock of what writes them"
                )
            return None, f"{self._path} has no JPEG and no PNG in it yet"
        why = ""
        for taken, name in self._newest:
            path = str(Path(self._path, name))
            old = f"{self._path}: nothing new for {ago(now() - taken)}, since {name}"
            if taken <= after:
                return None, why or old
            try:
                found = Path(path).lstat()
                mark = (round(taken, 3), name, found.st_mtime_ns)
                # of one second several may be: by name then, and none of before the one given
                if self._given is not None and (mark == self._given or mark[:2] < self._given[:2]):
                    return None, why or old
                read = whole_file(path, follow=False)
                if read is None:
                    why = why or f"{path} is being written"
                    continue
                picture = Got(read[0], taken)
                decodable(picture)
            except FileNotFoundError:
                continue
            except OSError as error:
                why = why or f"{path}: {_reason(error)}"
                continue
            except NotWhole as error:
                why = why or f"{path} is not whole: {error}"
                continue
            except NotAPicture as error:
                why = why or f"{path}: {error}"
                continue
            self._given = mark
            return picture, ""
        return None, why


def decodable(got: Got) -> None:
    """Walk through it, so that half a picture is waited for. Raises NotWhole, NotAPicture."""
    from studiobridge.witness.pictures import outline

    assert isinstance(got.picture, bytes)
    outline(got.picture)


# ---- addresses -----------------------------------------------------------------------------------


class _SameHost(urllib.request.HTTPRedirectHandler):
    """Leads on to the same host only, and never out of TLS."""

    def redirect_request(
        self, req: Any, fp: Any, code: int, msg: str, headers: Any, newurl: str
    ) -> urllib.request.Request | None:
        here, there = urlsplit(req.full_url), urlsplit(newurl)
        if there.hostname != here.hostname:
            raise Nothing(
                f"it leads on to another host ({there.hostname}): if that is meant, name that"
                " address in the profile",
                True,
            )
        if there.scheme != here.scheme and there.scheme != "https":
            raise Nothing("it leads on from https to something else", True)
        return super().redirect_request(req, fp, code, msg, headers, newurl)


class Address:
    """An address that answers with one picture, or with one after another (MJPEG)."""

    def __init__(self, url: str, user: str | None, password: str | None, ca: str | None) -> None:
        self._url = url
        self._user = user
        passwords = urllib.request.HTTPPasswordMgrWithDefaultRealm()
        if user is not None:
            parts = urlsplit(url)
            passwords.add_password(None, f"{parts.scheme}://{parts.netloc}", user, password or "")
        self._opener = urllib.request.build_opener(
            # asked directly: a proxy of the environment is for the outside world
            urllib.request.ProxyHandler({}),
            _SameHost(),
            urllib.request.HTTPSHandler(context=ssl.create_default_context(cafile=ca)),
            urllib.request.HTTPDigestAuthHandler(passwords),
            urllib.request.HTTPBasicAuthHandler(passwords),
        )
        self._stream: Pictures | None = None

    def next(self, until: float, after: float) -> Got:
        wait = FIRST_WAIT
        while True:
            try:
                return self._try(until, after)
            except Nothing as error:
                if error.final or now() + wait >= until:
                    raise Nothing(f"{self._url}: {error}", error.final) from None
            time.sleep(wait)
            wait = min(2 * wait, LONGEST_WAIT)

    def _try(self, until: float, after: float) -> Got:
        if self._stream is not None:
            try:
                return self._stream.next(until, after)
            except Nothing:
                self._stream.close()
                self._stream = None
                raise
        began = now()
        answer = self._open()
        kind = answer.headers.get_content_type()
        if kind.startswith("multipart/"):
            self._stream = Pictures(answer)
            return self._try(until, after)
        with contextlib.closing(answer):
            if kind.startswith(("text/", "video/", "audio/")) or "json" in kind:
                raise Nothing(
                    f"it answers with {kind[:40]}, no picture: its manual has the address of a"
                    " still or of MJPEG",
                    True,
                )
            data = self._read(answer, until)
        got = Got(data, began - _age_of(answer.headers))
        if got.taken <= after:
            raise Nothing(f"its picture is {ago(now() - got.taken)} old, by its own word")
        try:
            decodable(got)
        except (NotWhole, NotAPicture) as error:
            raise Nothing(f"what it sent is no picture: {error}") from None
        return got

    def _open(self) -> Any:
        headers = {"User-Agent": "studiobridge", "Accept": "image/jpeg, image/png, multipart/*"}
        request = urllib.request.Request(self._url, headers=headers | {"Cache-Control": "no-cache"})
        try:
            return self._opener.open(request, timeout=ANSWERS_WITHIN)
        except HTTPError as error:
            error.close()
            if error.code in (401, 403):
                who = "nobody in particular" if self._user is None else f"user {self._user}"
                text = (
                    f"it refuses {who} ({error.code}): name user and password_file under `frames`"
                    " in the settings"
                )
                raise Nothing(text, True) from None
            raise Nothing(
                f"it answers {error.code} {error.reason}"[:120], error.code == 404
            ) from None
        except URLError as error:
            if isinstance(error.reason, ssl.SSLCertVerificationError):
                raise Nothing(
                    f"its certificate does not hold ({error.reason.verify_message}): name who"
                    " signed it as `ca` under `frames` in the settings",
                    True,
                ) from None
            raise Nothing(f"not reached: {error.reason}") from None
        except TimeoutError:
            raise Nothing(f"it says nothing for {ANSWERS_WITHIN:.0f} s") from None
        except (OSError, http.client.HTTPException, ValueError) as error:
            raise Nothing(f"no answer that is one: {type(error).__name__}: {error}"[:200]) from None

    @staticmethod
    def _read(answer: Any, until: float) -> bytes:
        data = bytearray()
        try:
            while chunk := answer.read1(65536):
                data += chunk
                if len(data) > MOST_BYTES:
                    raise Nothing(f"its picture has more than {MOST_BYTES // 1_000_000} MB", True)
                if now() > until:
                    raise Nothing("its picture does not end in the time there is")
        except TimeoutError:
            raise Nothing(f"it stopped in the middle of a picture, {len(data)} bytes") from None
        except (OSError, http.client.HTTPException) as error:
            raise Nothing(f"it hung up in the middle of a picture: {error}"[:200]) from None
        return bytes(data)


def _age_of(headers: Any) -> float:
    """How old (s) a picture is by the word of who sends it: both times are of its own clock."""
    age = 0.0
    with contextlib.suppress(TypeError, ValueError, OverflowError):
        said = email.utils.parsedate_to_datetime(headers["Date"])
        made = email.utils.parsedate_to_datetime(headers["Last-Modified"])
        age = max(age, (said - made).total_seconds())
    with contextlib.suppress(TypeError, ValueError):
        age = max(age, float(min(int(headers["Age"]), 10**9)))
    return age


class Pictures:
    """Pictures one after another over one answer, read all the time: the newest is kept."""

    def __init__(self, answer: Any) -> None:
        self._answer = answer
        self._news = threading.Condition()
        self._newest: Got | None = None
        self._given = -1e18
        self._over: str | None = None
        threading.Thread(target=self._drain, daemon=True).start()

    def next(self, until: float, after: float) -> Got:
        after = max(after, self._given)
        with self._news:
            while True:
                got = self._newest
                if got is not None and got.taken > after:
                    self._given = got.taken
                    return got
                left = until - now()
                if self._over is not None or left <= 0:
                    raise Nothing(self._over or "no whole picture came")
                self._news.wait(min(left, 1.0))

    def close(self) -> None:
        self._over = "closed"
        with contextlib.suppress(Exception):
            self._answer.close()

    def _drain(self) -> None:
        finder, over = Finder(), "it ended the stream"
        try:
            while self._over is None:
                before = now()
                chunk = self._answer.read1(65536)
                if not chunk:
                    break
                if now() - before > GAP:
                    over = f"it said nothing for {now() - before:.0f} s"
                    break
                found = finder.feed(chunk, before)
                if found is not None:
                    with self._news:
                        self._newest = Got(*found)
                        self._news.notify_all()
        except TimeoutError:
            over = f"it says nothing any more for {ANSWERS_WITHIN:.0f} s"
        except Exception as error:  # of a library, on bytes from outside
            over = f"the stream broke off: {type(error).__name__}"
        with self._news:
            # what came before the end is not of now for long; it has its time
            self._over = self._over or over
            self._news.notify_all()
        with contextlib.suppress(Exception):
            self._answer.close()


# ---- cameras and network streams, by OpenCV ------------------------------------------------------


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
        self._news = threading.Condition()
        self._newest: Got | None = None
        self._given = -1e18
        self._wanted = False
        self._why: Nothing | None = None
        self.busy_since: float | None = None  # in the library, which may not come back
        threading.Thread(target=self._run, daemon=True).start()

    @property
    def hangs(self) -> bool:
        since = self.busy_since
        return since is not None and now() - since > HANGS

    def next(self, until: float, after: float) -> Got:
        after = max(after, self._given)
        with self._news:
            self._wanted = True
            try:
                while True:
                    got = self._newest
                    if got is not None and got.taken > after:
                        self._given = got.taken
                        return got
                    left = until - now()
                    if left <= 0:
                        why = self._why or Nothing("it gave no frame in time")
                        raise Nothing(f"{self._shown}: {why}", why.final)
                    self._news.wait(min(left, 0.5))
            finally:
                self._wanted = False

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
        with self._news:
            self._why = error
            self._news.notify_all()

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
            with self._news:
                self._why = None
                self._newest = Got(codes, before)
                self._news.notify_all()


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
        raise Nothing(f"not reached: {_reason(error)}") from None
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


# ---- the process ---------------------------------------------------------------------------------


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

    def __init__(self, found: Source, widest: int, password: str | None, out: IO[bytes]) -> None:
        self._source = found
        self._widest = widest
        self._password = password
        self._out = out
        self._digest = b""
        self._first = 0.0  # when the picture with this digest came first
        self._same = 0

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
                    codes, size = decoded(picture, self._widest)
                else:
                    codes, size = scaled(picture, self._widest), picture.shape[1::-1]
            except (NotWhole, NotAPicture) as error:
                why = f"no picture: {error}"
                if now() < until:
                    continue
                raise Nothing(why) from None
            if digest == self._digest and float(codes.mean()) >= BLACK:
                self._same += 1
            else:
                self._digest, self._first, self._same = digest, got.taken, 0
            taken = min(self._first, got.taken)
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
        """Whatever a library said: no password in it."""
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
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    threading.Thread(target=_gone, daemon=True).start()
    try:
        found: Source = source(said)
    except (OSError, ssl.SSLError, ValueError) as error:
        text = f"{said['where']}: {error}"

        class Wrong:
            def next(self, until: float, after: float) -> Got:
                raise Nothing(text, True)

        found = Wrong()
    answering = Answering(found, int(said["widest"]), said.get("password"), out)
    out.write(b"{}\n")
    out.flush()
    while line := lines.readline():
        try:
            answering.answer(json.loads(line))
        except MemoryError:
            os._exit(70)
    os._exit(0)  # also when a library does not come back


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

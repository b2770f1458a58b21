"""An address that answers with a picture, or with one after another (MJPEG).

It is asked over one connection at a time, with bounds on everything; who waits may go and come
again meanwhile. Its certificate is verified; it may lead on to the same host only, so a password
goes nowhere else. A stream is read by a thread of its own all the time, so that no frame waits in a
buffer.
"""

from __future__ import annotations

import contextlib
import email.utils
import http.client
import ssl
import threading
import time
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit

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
    ago,
    decodable,
)
from studiobridge.witness.pictures import MOST_BYTES, Finder, NotAPicture, NotWhole

# A picture that began to come gets so long (s) to end.
ENDS_WITHIN = 15.0
# A still that nobody came for is not given any more after so long (s): it is asked for anew.
STALE = 2.0
# After a silence what had waited on the way comes at once, within (s).
WAITED = 0.5


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


@dataclass(slots=True)
class _Still(Got):
    old: bool = False  # its sender says that it was taken before it was asked for


class _Asked:
    """One request, in a thread of its own: a still may take longer than anybody waits at once."""

    def __init__(self, work: Callable[[], Pictures | _Still]) -> None:
        self.began = now()
        self._work = work
        self._found: Pictures | _Still | Nothing | None = None
        self._ended = 0.0
        self._done = threading.Event()
        threading.Thread(target=self._run, daemon=True).start()

    @property
    def stale(self) -> bool:
        """It was there some time ago, and nobody came for it."""
        still = not isinstance(self._found, Pictures)
        return self._done.is_set() and still and now() - self._ended > STALE

    def result(self, until: float) -> Pictures | _Still:
        if not self._done.wait(max(0.0, until - now())):
            raise Nothing(f"it takes its time: nothing whole came yet, {ago(now() - self.began)}")
        if isinstance(self._found, Nothing):
            raise self._found
        assert self._found is not None
        return self._found

    def _run(self) -> None:
        try:
            self._found = self._work()
        except Nothing as error:
            self._found = error
        except Exception as error:  # of a library, on what a stranger sent
            self._found = Nothing(f"no answer that is one: {type(error).__name__}")
        self._ended = now()
        self._done.set()


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
        self._asked: _Asked | None = None

    @property
    def hangs(self) -> bool:
        """Is one asked that drips and never ends? Only the end of the process helps."""
        return self._asked is not None and now() - self._asked.began > HANGS

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
        while True:
            if self._stream is not None:
                try:
                    return self._stream.next(until, after)
                except Nothing:
                    if self._stream.over is not None:
                        self._stream = None
                    raise
            if self._asked is None or self._asked.stale:
                self._asked = _Asked(self._ask)
            found = self._asked.result(until)
            self._asked = None
            if isinstance(found, Pictures):
                self._stream = found
            elif found.taken > after:
                return found
            elif now() >= until or found.old:
                raise Nothing(f"its picture is {ago(now() - found.taken)} old, by its own word")

    def _ask(self) -> Pictures | _Still:
        began = now()
        answer = self._open()
        kind = answer.headers.get_content_type()
        if kind.startswith("multipart/"):
            return Pictures(answer)
        with contextlib.closing(answer):
            if kind.startswith(("text/", "video/", "audio/")) or "json" in kind:
                raise Nothing(
                    f"it answers with {kind[:40]}, no picture: its manual has the address of a"
                    " still or of MJPEG",
                    True,
                )
            data = self._read(answer, began + ENDS_WITHIN)
        age = _age_of(answer.headers)
        got = _Still(data, began - age, age > 0.0)
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
        said, made = (
            # "-0000" is UTC and says nothing of the place (RFC 5322, 3.3): no zone in Python
            email.utils.parsedate_to_datetime(headers[name]).replace(tzinfo=None)
            - (email.utils.parsedate_to_datetime(headers[name]).utcoffset() or timedelta())
            for name in ("Date", "Last-Modified")
        )
        age = max(age, (said - made).total_seconds())
    with contextlib.suppress(TypeError, ValueError):
        age = max(age, float(min(int(headers["Age"]), 10**9)))
    return age


class Pictures:
    """Pictures one after another over one answer, read all the time: the newest is kept.

    A stream that came fast and says nothing for a while is over: what comes then may have waited
    somewhere. One that was slow from the beginning is let be; its picture is as old as the silence.
    """

    def __init__(self, answer: Any) -> None:
        self.over: str | None = None
        self._answer = answer
        self._newest = Newest()
        threading.Thread(target=self._drain, daemon=True).start()

    def next(self, until: float, after: float) -> Got:
        got = self._newest.next(until, after, lambda: self.over is not None)
        if got is None:
            raise Nothing(self.over or "no whole picture came")
        return got

    def _drain(self) -> None:
        finder, over = Finder(), "it ended the stream"
        fast, last = False, -1e18  # when the last picture came
        silent, until = 0.0, -1e18  # what comes until then may have waited since that silence began
        try:
            while True:
                before = now()
                chunk = self._answer.read1(65536)
                if not chunk:
                    break
                at = now()
                if at - before > GAP:
                    if fast:
                        over = f"it said nothing for {at - before:.0f} s"
                        break
                    silent, until = before, at + WAITED
                found = finder.feed(chunk, before)
                if found is None:
                    continue
                fast, last = fast or at - last < GAP, at
                picture, taken = found
                self._newest.put(Got(picture, min(taken, silent) if at < until else taken))
        except TimeoutError:
            over = f"it says nothing any more for {ANSWERS_WITHIN:.0f} s"
        except Exception as error:  # of a library, on bytes from outside
            over = f"the stream broke off: {type(error).__name__}"
        # what came before the end is not of now for long; it has its time
        self.over = over
        self._newest.wake()
        with contextlib.suppress(Exception):
            self._answer.close()

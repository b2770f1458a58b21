"""What a source of frames gives, and the word for none: of files, addresses and streams alike."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from studiobridge.witness.frames import now
from studiobridge.witness.learned import Codes
from studiobridge.witness.pictures import outline

# An address gets so long (s) to answer, or to say the next word.
ANSWERS_WITHIN = 5.0
# A stream that says nothing for longer (s) is opened anew.
GAP = 2.0
# A library that does not come back for so long (s) hangs: only the end of the process helps.
HANGS = 20.0
# Tries to open a stream: after so long (s), doubled up to the last.
FIRST_WAIT, LONGEST_WAIT = 0.5, 8.0


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


class Newest:
    """The newest picture of a thread that reads all the time, for who comes for one."""

    def __init__(self) -> None:
        self._news = threading.Condition()
        self._got: Got | None = None
        self._given = -1e18

    def put(self, got: Got) -> None:
        with self._news:
            self._got = got
            self._news.notify_all()

    def wake(self) -> None:
        """Nothing more may come: whoever waits looks whether it is over."""
        with self._news:
            self._news.notify_all()

    def next(self, until: float, after: float, over: Callable[[], bool]) -> Got | None:
        """One not given before, taken after `after`; None where none came in time or it is over."""
        after = max(after, self._given)
        with self._news:
            while True:
                got = self._got
                if got is not None and got.taken > after:
                    self._given = got.taken
                    return got
                left = until - now()
                if left <= 0 or over():
                    return None
                self._news.wait(min(left, 0.5))


class Source(Protocol):
    def next(self, until: float, after: float) -> Got:
        """One that was not given before, taken after `after`. Raises Nothing."""
        ...


def reason_of(error: OSError) -> str:
    return error.strerror or str(error)


def ago(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 172800 else f"{seconds / 86400:.0f} days"


def decodable(got: Got) -> None:
    """Walk through it, so that half a picture is waited for. Raises NotWhole, NotAPicture."""
    assert isinstance(got.picture, bytes)
    outline(got.picture)

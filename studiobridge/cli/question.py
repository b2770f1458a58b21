"""Asking the person at the terminal: may something be told, does a camera still roll.

A take or a lamp hangs on the answer, so an empty line is none, and what was typed before the
question was there is not taken for one.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studiobridge.cli import show
from studiobridge.cli.base import BAD_INPUT, NOT_THERE, Stop
from studiobridge.shown import step_words, words

if TYPE_CHECKING:
    from studiobridge.profile.text import Document

# Waits for a change, so many seconds at most.
Changed = Callable[[float], Awaitable[object]]


class Question:
    """Asked in a terminal; elsewhere what is waited for is said, and waited for.

    `tell` says `rolling_on` or `rolling_off` of a camera to whoever runs the set.
    """

    def __init__(self, tell: Callable[[str, str], Awaitable[None]], as_json: bool) -> None:
        self._tell = tell
        self._terminal = not as_json and sys.stdin.isatty() and sys.stdout.isatty()
        self._said: set[str] = set()
        # cameras of which an answer was given, or nobody is there to give one
        self._done: set[str] = set()

    def answered(self, detail: Mapping[str, Any]) -> None:
        """An answer came that is not the last: it says what is waited for."""
        if isinstance(detail.get("waits"), str):
            self._say(detail["waits"])

    def look(self, state: Mapping[str, Any]) -> str | None:
        """The camera to ask about now; where nobody can be asked it is said instead."""
        for name in step_words.asked_about(state):
            if self._terminal:
                if name not in self._done:
                    return name
            else:
                self._say(next(w["why"] for w in state["waiting_for"] if w["device"] == name))
        return None

    def _say(self, why: str) -> None:
        if not self._terminal and why not in self._said:
            self._said.add(why)
            show.fail(f"waits: {words.clean(why)}")

    async def put(self, camera: str, open_still: Callable[[], bool], changed: Changed) -> None:
        """Ask, until there is an answer or it is not asked any more (`open_still`)."""
        shown = words.clean(camera, 40)
        while True:
            forget_what_was_typed()
            print(f"Does {shown} still roll? (y/n) ", end="", flush=True)
            line = await _line(open_still, changed)
            if line is None:
                show.out("\n  no answer needed any more")
                return
            said = line.strip().lower()
            if said in ("n", "no"):
                self._done.add(camera)
                await self._tell("rolling_off", camera)
                return
            if said in ("y", "yes") or not line:
                self._done.add(camera)
                if said:
                    await self._tell("rolling_on", camera)
                else:
                    show.out()  # the end of the input, without a line of its own
                show.out(
                    "  the run-down waits; when it has stopped, say `studiobridge rolling off`,"
                    " here or anywhere"
                )
                return


def may_i(what: str = "") -> None:
    """Goes on with a person's yes alone; raises Stop where nobody can be asked, or it is no yes.

    Asked on the error stream: what is printed may be read by a program.
    """
    if not sys.stdin.isatty():
        before = f"{what}; " if what else ""
        raise Stop(BAD_INPUT, f"{before}nothing was sent: a person has to say yes, or --yes")
    if what:
        show.fail(f"{what}.")
    forget_what_was_typed()
    sys.stderr.write("May I? (y/N) ")
    sys.stderr.flush()
    line = sys.stdin.readline()
    if line.strip().lower() not in ("y", "yes"):
        raise Stop(NOT_THERE, "nothing was sent" if line else "\nnothing was sent")


async def typed() -> str:
    """The next line from the terminal, "" at its end. Ctrl-C ends the wait, as it should."""

    async def a_while(seconds: float) -> None:
        await asyncio.sleep(seconds)

    return await _line(lambda: True, a_while) or ""


def forget_what_was_typed() -> None:
    with contextlib.suppress(ImportError, OSError):
        import termios

        with contextlib.suppress(termios.error):
            termios.tcflush(sys.stdin, termios.TCIFLUSH)


async def _line(open_still: Callable[[], bool], changed: Changed) -> str | None:
    """A line from the terminal, "" at its end; None when it is not waited for any more."""
    loop = asyncio.get_running_loop()
    typed: asyncio.Future[str] = loop.create_future()

    def read() -> None:
        if not typed.done():
            typed.set_result(sys.stdin.readline())

    loop.add_reader(sys.stdin.fileno(), read)
    try:
        while not typed.done():
            if not open_still():
                return None
            await changed(0.25)
        return typed.result()
    finally:
        loop.remove_reader(sys.stdin.fileno())


def answers_in(file: Path) -> Document:
    """A file of answers given beforehand (YAML, a question's name to its answer)."""
    from studiobridge.profile.text import ProfileError, bytes_of, read_document

    try:
        document = read_document(bytes_of(file), str(file))
    except OSError as error:
        raise Stop(BAD_INPUT, f"{file} cannot be read: {error.strerror or error}") from None
    except ProfileError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    if document.problems:
        raise Stop(BAD_INPUT, "\n".join(map(str, document.problems)))
    return document

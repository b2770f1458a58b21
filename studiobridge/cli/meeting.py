"""The command that meets gear nobody has described: a conversation at a real broker.

What is said and sent is decided in meeting/, which does no I/O; here is the terminal, the clock
and the link. Only what comes out there as a `Send` is published, and nothing else ever.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
import textwrap
import time
from collections import deque
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    DONE,
    NO_BRIDGE,
    NOT_THERE,
    JsonOption,
    SettingsOption,
    Stop,
    app,
    run_asking,
    settings_or_stop,
)
from studiobridge.cli.question import forget_what_was_typed
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.link import Link
    from studiobridge.bridge.settings import Settings
    from studiobridge.meeting.first_meeting import Meeting
    from studiobridge.meeting.met import Acquaintance
    from studiobridge.meeting.outs import Ask, Out
    from studiobridge.speech.message import Message

# What is told and has not reached the broker in so long (s) must not arrive later.
REACHES_WITHIN = 2.0
# What somebody types ahead and never ends with Enter is kept to this (bytes).
LONGEST_TYPED = 64 * 1024
# The questions, as a file with answers names them.
QUESTIONS = ("press", "which", "name", "ask", "tell", "eyes")

BookOption = Annotated[Path, typer.Option("--book", help="The book of what was met.")]


@app.command()
def meet(
    book: BookOption = Path("met.yaml"),
    answers: Annotated[
        Path | None,
        typer.Option("--answers", help="Answers in a file (YAML), like 'tell: y'."),
    ] = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Meet one device: press its button, name it, and say whether it may be tried. Writes the book.

    Nothing is sent unless you say yes to a question that shows it.
    """
    loaded = settings_or_stop(settings)
    known = _known(book)
    given = None if answers is None else read_answers(answers)
    if given is None and not sys.stdin.isatty():
        raise Stop(
            BAD_INPUT,
            "meet asks somebody who stands at the gear, and this is no terminal: run it in one, or"
            " say --answers FILE",
        )
    run_asking(_meet(loaded, book, known, given, as_json))


def _known(book: Path) -> list[Acquaintance]:
    """The devices in the book already. A book that cannot be read is not written over."""
    from studiobridge.meeting.book import read
    from studiobridge.profile.text import ProfileError, bytes_of

    folder = book.parent
    if not folder.is_dir():
        raise Stop(BAD_INPUT, f"{book}: there is no folder {folder}")
    if not os.access(folder, os.W_OK):  # said before somebody goes to the gear, not after
        raise Stop(BAD_INPUT, f"{book}: nothing can be written in {folder}; say --book FILE")
    try:
        data = bytes_of(book)
    except FileNotFoundError:
        return []
    except OSError as error:
        raise Stop(BAD_INPUT, f"{book}: it cannot be read: {error.strerror or error}") from None
    try:
        return read(data, str(book))
    except ProfileError as error:
        raise Stop(BAD_INPUT, str(error)) from None


def read_answers(path: Path) -> dict[str, list[str]]:
    """A file of answers: `press:`, `name: desk-lamp light`, `tell: y`, or `tell: [y, n]`."""
    from studiobridge.cli.question import answers_in

    found: dict[str, list[str]] = {}
    document = answers_in(path)
    for key, value in document.root.pairs or ():
        name = key.scalar or ""
        if name not in QUESTIONS:
            asked = f"'{words.clean(name, 40)}' answers none of {words.listed(QUESTIONS, 9)}"
            problem = document.problem((name,), asked, "write it like 'tell: y'", key=True)
            raise Stop(BAD_INPUT, str(problem))
        found[name] = [said.scalar or "" for said in value.entries or [value]]
    return found


class _Table:
    """The conversation between a person and the gear: what comes out of it is carried out here."""

    def __init__(self, talk: Meeting, given: dict[str, list[str]] | None, as_json: bool) -> None:
        self.talk = talk
        self.link: Link | None = None
        self.done = asyncio.Event()
        self.sent: list[Message] = []
        self.who: Acquaintance | None = None
        self.code: int | None = None
        self._given = given
        self._open: Ask | None = None
        self._typed = b""
        self._timer: asyncio.TimerHandle | None = None
        self._late: deque[asyncio.TimerHandle] = deque()
        self._print = show.fail if as_json else show.out
        self._loop = asyncio.get_running_loop()

    def _say(self, text: str) -> None:
        """A sentence, or several lines: on a terminal no wider than it is, and nothing left out."""
        for line in text.split("\n"):
            inside = "      " if line.startswith(" ") else ""
            wide = show.width() if show.terminal() else 10_000
            self._print(textwrap.fill(line, wide, subsequent_indent=inside) if line else "")

    def take(self, outs: Sequence[Out]) -> None:
        from studiobridge.meeting.outs import Ask, Done, Say, Send, Wake

        for out in outs:
            if isinstance(out, Say):
                self._say(words.clean(out.text, 400))
            elif isinstance(out, Send):
                if not self._send(out.message):
                    self.lost("the link to the broker was lost")
                    return
            elif isinstance(out, Ask):
                self._ask(out)
            elif isinstance(out, Wake):
                if self._timer is not None:
                    self._timer.cancel()
                wait = max(0.0, out.at - time.monotonic())
                self._timer = self._loop.call_later(wait, self._wake)
            elif isinstance(out, Done):
                self.who = out.who
                self.done.set()

    def _wake(self) -> None:
        if not self.done.is_set():
            self.take(self.talk.wake(time.monotonic()))

    def heard(self, message: Message) -> None:
        if not self.done.is_set():
            self.take(self.talk.heard(message, time.monotonic()))

    def _send(self, message: Message) -> bool:
        """Out it goes, and must have reached the broker soon: at QoS 0 nothing else says so."""
        link = self.link
        if link is None or not link.publish(message):
            return False
        self.sent.append(message)
        self._late.append(self._loop.call_later(REACHES_WITHIN, self._never_reached))
        return link.probe(self._reached)

    def _reached(self) -> None:
        self._late.popleft().cancel()  # they are answered in order

    def _never_reached(self) -> None:
        if self.link is not None:
            self.link.cut(f"what was told did not reach the broker in {REACHES_WITHIN:g} s")

    def lost(self, why: str) -> None:
        """The link is gone: nothing more can be told, and nothing more is."""
        if not self.done.is_set():
            self.code = NO_BRIDGE
            self._say(words.clean(why))
            self.take(self.talk.stop(why, time.monotonic(), lost=True))
        self.done.set()

    def stop(self, code: int, why: str) -> None:
        if not self.done.is_set():
            self.code = code
            self.take(self.talk.stop(why, time.monotonic()))
        self.done.set()

    def _ask(self, ask: Ask) -> None:
        hint = {"tell": "\nMay I? (y/N)", "ask": "\nMay I? (y/N)", "eyes": " (y/N)"}.get(
            ask.key, ""
        )
        if self._given is None:
            # what was typed before it was asked is no answer to it
            forget_what_was_typed()
            self._typed = b""
        lines = [words.clean(line, 2000) for line in ask.text.split("\n")]
        self._say("\n" + "\n".join(lines) + hint)
        if self._given is not None:
            left = self._given.get(ask.key, [])
            answer = left.pop(0) if left else None
            self._say(f"> {words.clean(answer) if answer is not None else '(no answer)'}")
            # not from inside of what is being carried out
            self._loop.call_soon(self._answer, answer)
            return
        self._open = ask

    def _answer(self, answer: str | None) -> None:
        if not self.done.is_set():
            self.take(self.talk.answered(answer, time.monotonic()))

    def _go_on(self) -> None:
        """Enter with no question open: what was to be done by hand is done. Not an answer."""
        if not self.done.is_set():
            self.take(self.talk.done_by_hand(time.monotonic()))

    def typed(self) -> None:
        """A line came from the terminal; its end is like Ctrl-C."""
        # not through a buffer, where a second line would lie until the next question
        data = os.read(sys.stdin.fileno(), 4096)
        if not data:
            self.stop(NOT_THERE, "the input ended")
            return
        self._typed = (self._typed + data)[-LONGEST_TYPED:]
        line, newline, _ = self._typed.partition(b"\n")
        if not newline:
            return
        self._typed = b""
        said = line.decode("utf-8", "replace").strip()
        if self._open is not None:
            self._open = None
            self._answer(said)
        elif said.lower() in ("n", "no", "stop"):
            self.stop(NOT_THERE, "you said stop")
        elif not said:
            self._go_on()


async def _meet(
    settings: Settings,
    book: Path,
    known: list[Acquaintance],
    given: dict[str, list[str]] | None,
    as_json: bool,
) -> int:
    from studiobridge.bridge.once import once
    from studiobridge.meeting.first_meeting import Meeting

    table = _Table(Meeting(known=known), given, as_json)
    async with once(
        settings.broker,
        "meet",
        lambda: [("#", 0)],
        table.heard,
        lambda why: table.lost(f"the link to the broker is gone ({why})"),
    ) as link:
        table.link = link
        if link.refused:
            raise Stop(
                NOT_THERE,
                f"{settings.broker.shown} lets this user read nothing of #: ask for the right",
            )
        with _signals(table), _typing(table, given is None):
            table.take(table.talk.begin(time.monotonic()))
            await table.done.wait()
    return _ended(table, book, as_json)


@contextlib.contextmanager
def _signals(table: _Table) -> Iterator[None]:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, table.stop, 128 + number, "you stopped it")
    try:
        yield
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)


@contextlib.contextmanager
def _typing(table: _Table, terminal: bool) -> Iterator[None]:
    if not terminal:
        yield
        return
    loop = asyncio.get_running_loop()
    loop.add_reader(sys.stdin, table.typed)
    try:
        yield
    finally:
        loop.remove_reader(sys.stdin)


def _ended(table: _Table, book: Path, as_json: bool) -> int:
    """The book written, what came of it said, and how the command ends."""
    who = table.who
    written = False
    if who is not None and table.code is None and (who.halves or who.homie is not None):
        write_book(book, who)
        written = True
    told = [h for h in who.halves if h.half == "tell"] if who is not None else []
    good = written and who is not None and (bool(told) or who.homie is not None)
    good = good and who is not None and not who.missing
    if as_json:
        show.print_json(_json(table, who, book if written else None))
    else:
        for why in who.missing if who is not None else ():
            show.out(f"missing: {words.clean(why, 400)}")
        if written and who is not None:
            show.out(f"{words.clean(who.name)} is in {book}")
            if good:
                show.out("next: `studiobridge meet` for another, or `studiobridge draft NAME`")
        else:
            show.out(f"{book} is as it was")
    if table.code is not None:
        return table.code
    return DONE if good else NOT_THERE


def _json(table: _Table, who: Acquaintance | None, book: Path | None) -> dict[str, Any]:
    halves = who.halves if who is not None else ()
    return {
        "device": who.name if who is not None else None,
        "kind": who.kind if who is not None else None,
        "homie": who.homie if who is not None else None,
        "halves": [
            {"point": h.point, "half": h.half, "rule": h.rule, "ground": h.ground, "why": h.why}
            for h in halves
        ],
        "missing": list(who.missing) if who is not None else [],
        "answers": table.talk.answers,
        "sent": [
            {"topic": m.topic, "payload": m.payload.decode("utf-8", "replace")} for m in table.sent
        ],
        "book": str(book) if book is not None else None,
    }


def write_book(path: Path, who: Acquaintance) -> None:
    """The book with this device in it, whole or not at all, beside what stands there by now."""
    from studiobridge.meeting.book import joined, read, text_of
    from studiobridge.profile.keep import CannotKeep, change_file, write_new
    from studiobridge.profile.text import ProfileError

    def with_it(data: bytes) -> bytes:
        return text_of(joined(read(data, str(path)), [who])).encode()

    try:
        if not path.exists():
            try:
                write_new(path, text_of([who]).encode())
                return
            except CannotKeep:
                if not path.exists():
                    raise
        change_file(path, with_it)
    except (CannotKeep, ProfileError) as error:
        raise Stop(BAD_INPUT, str(error)) from None

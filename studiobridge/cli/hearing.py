"""The command that listens to gear nobody has described: it hears everything and says nothing."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any, get_args

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
from studiobridge.shown import heard, words

if TYPE_CHECKING:
    from studiobridge.bridge.listening import Listening
    from studiobridge.bridge.settings import Settings
    from studiobridge.meeting.hearing import Hearing
    from studiobridge.meeting.overheard import Change
    from studiobridge.speech.message import Message

# The screen is drawn anew this often (s), and seldomer where thinking takes longer: a tenth of the
# time at most goes into it.
DRAWN_EVERY, SHARE = 0.25, 10.0
# In a pipe a value that changes all the time has this many lines, and is then left to the summary.
MOST_LINES_EACH = 8


@app.command()
def listen(
    topic: Annotated[
        list[str] | None, typer.Option("--topic", help="Only these topics (MQTT filters).")
    ] = None,
    for_: Annotated[
        str | None, typer.Option("--for", help="Stop after this time, like '60 s'.")
    ] = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """What speaks on the broker, and what each of it seems to be. Never sends anything."""
    loaded = settings_or_stop(settings)
    seconds = None if for_ is None else _time(for_)
    filters = topic or ["#"]
    for found in filters:
        _check_filter(found)
    run_asking(_listen(loaded, filters, seconds, as_json))


def _time(text: str) -> float:
    from studiobridge.profile import quantity

    try:
        return quantity.parse(text, quantity.TIME)
    except ValueError as error:
        raise Stop(BAD_INPUT, f"--for: {error}") from None


def _check_filter(text: str) -> None:
    """What no broker would take as a filter is refused here, with what is wrong (MQTT 5.0, 4.7)."""
    parts = text.split("/")
    why = ""
    if not text or len(text.encode()) > 65535 or "\0" in text:
        why = "a topic filter has 1 to 65535 bytes and no zero in it"
    elif any("#" in part and (part != "#" or i < len(parts) - 1) for i, part in enumerate(parts)):
        why = "'#' stands alone, and last, like corner/#"
    elif any("+" in part and part != "+" for part in parts):
        why = "'+' stands alone between slashes, like corner/+/state"
    if why:
        raise Stop(BAD_INPUT, f"--topic '{words.clean(text, 60)}': {why}")


class _Out:
    """Where what is heard goes to: a terminal that is redrawn, a pipe, or JSON."""

    def __init__(self, hearing: Hearing, where: str, as_json: bool) -> None:
        self.hearing = hearing
        self.where = where
        self.as_json = as_json
        self.drawn = show.terminal() and not as_json
        self._live: Any = None
        # what the broker kept comes before it is known whether anything may be read
        self._early: list[tuple[Change, ...]] | None = []
        self._said: dict[tuple[str, tuple[str | int, ...]], int] = {}

    def start(self) -> None:
        if not self.drawn:
            if not self.as_json:
                show.out(f"listening to {self.where}; Ctrl-C stops")
            early, self._early = self._early or [], None
            for changes in early:
                self.changed(changes)
            return
        from rich.console import Console
        from rich.live import Live

        console = Console(no_color=True, highlight=False)
        self._live = Live(console=console, auto_refresh=False, screen=True)
        self._live.start()

    def changed(self, changes: tuple[Change, ...]) -> None:
        if self.drawn:
            return
        if self._early is not None:
            self._early.append(changes)
            return
        from studiobridge.meeting.summary import change_of

        began = self.hearing.overheard.began or 0.0
        for change in changes:
            said = change_of(change, began)
            if self.as_json:
                self._print_json(said)
                continue
            key = (change.topic, change.field)
            lines = self._said[key] = self._said.get(key, 0) + 1
            if lines <= MOST_LINES_EACH:
                show.out(heard.change_line(said))
            elif lines == MOST_LINES_EACH + 1:
                show.out(f"           {heard.where(said)} goes on changing; no more lines of it")
            if len(self._said) > 20_000:
                self._said.clear()

    def word(self, text: str) -> None:
        """Something about the link: said at once where lines are, shown with the rest elsewhere."""
        if not self.drawn:
            show.fail(words.clean(text))
        self.news = text

    news = ""

    def pressed(self, press: dict[str, Any]) -> None:
        if self.as_json:
            self._print_json({"press": press})
        elif not self.drawn:
            for line in heard.press_lines(press):
                show.out(line)

    def draw(self) -> None:
        if self._live is None:
            return
        import shutil

        from rich.text import Text

        from studiobridge.meeting.summary import summary_of

        size = shutil.get_terminal_size((80, 24))
        lines = heard.live_lines(
            summary_of(self.hearing), self.where, size.columns, size.lines - bool(self.news)
        )
        if self.news:
            lines.insert(1, words.clean(self.news, size.columns))
        self._live.update(Text("\n".join(lines), no_wrap=True, overflow="crop"), refresh=True)

    def end(self) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def summary(self, seconds: float) -> None:
        from studiobridge.meeting.summary import summary_of

        whole = {**summary_of(self.hearing), "heard_for_s": round(seconds, 3)}
        if self.as_json:
            self._print_json({"whole": whole})
            return
        lines = heard.summary_lines(whole, self.where)
        for line in heard.wrapped(lines, show.width()) if show.terminal() else lines:
            show.out(line)

    def _print_json(self, value: object) -> None:
        import json

        show.out(json.dumps(value, ensure_ascii=False, allow_nan=False))


async def _listen(
    settings: Settings, filters: list[str], seconds: float | None, as_json: bool
) -> int:
    from studiobridge.bridge.listening import Listening
    from studiobridge.meeting.hearing import Hearing

    hearing = Hearing()
    where = f"{' '.join(words.clean(f, 60) for f in filters)} on {settings.broker.shown}"
    out = _Out(hearing, where, as_json)
    stopped = asyncio.Event()
    loop = asyncio.get_running_loop()

    def message(said: Message, at: float) -> None:
        out.changed(hearing.heard(said, at))

    began = time.monotonic()
    async with Listening(settings.broker, filters, message, out.word) as listening:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stopped.set)
        try:
            if listening.deaf:
                user = settings.broker.user
                who = f"user {words.clean(user, 60)}" if user else "somebody without a user"
                raise Stop(
                    NOT_THERE,
                    f"{settings.broker.shown} lets {who} read nothing of {' '.join(filters)}: ask"
                    " for the right to read it, or name what may be read with --topic",
                )
            out.start()
            with _presses(hearing, out, stopped):
                await _until(stopped, began, seconds, out, listening)
        finally:
            out.end()
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.remove_signal_handler(number)
    out.summary(time.monotonic() - began)
    if listening.ended is not None:
        raise Stop(NO_BRIDGE, listening.ended)
    return DONE


async def _until(
    stopped: asyncio.Event, began: float, seconds: float | None, out: _Out, listening: Listening
) -> None:
    """Draw until it is over, and never think for longer than a tenth of the time."""
    pause = DRAWN_EVERY
    while not stopped.is_set() and listening.ended is None:
        left = None if seconds is None else began + seconds - time.monotonic()
        if left is not None and left <= 0:
            return
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(pause if left is None else min(pause, left)):
                await stopped.wait()
        start = time.monotonic()
        out.draw()
        pause = max(DRAWN_EVERY, (time.monotonic() - start) * SHARE)


@contextlib.contextmanager
def _presses(hearing: Hearing, out: _Out, stopped: asyncio.Event) -> Iterator[None]:
    """While in here, Enter in a terminal is a press, with what was typed before it as its kind."""
    from studiobridge.meeting.overheard import AT_ONCE, Deed

    if not sys.stdin.isatty():
        yield
        return
    loop = asyncio.get_running_loop()
    deeds = get_args(Deed)

    def typed() -> None:
        line = sys.stdin.readline()
        if not line:  # Ctrl-D
            stopped.set()
            return
        said: Any = line.strip().lower() or "press"
        if said not in deeds:
            out.word(f"'{words.clean(said, 20)}' is not one of {words.listed(deeds, 9)}")
            return
        out.news = ""
        hearing.pressed(time.monotonic(), said)
        loop.call_later(AT_ONCE + 0.2, answered)

    def answered() -> None:
        from studiobridge.meeting.summary import press_of

        presses = hearing.presses()
        if presses:
            out.pressed(press_of(presses[-1], hearing.overheard.began or 0.0))

    with _unseen_typing(out.drawn):
        loop.add_reader(sys.stdin, typed)
        try:
            yield
        finally:
            loop.remove_reader(sys.stdin)


@contextlib.contextmanager
def _unseen_typing(drawn: bool) -> Iterator[None]:
    """Keys are not echoed into what is drawn, and are again afterwards, however it ends."""
    if not drawn:
        yield
        return
    import termios

    before = termios.tcgetattr(sys.stdin)
    quiet = list(before)
    quiet[3] = int(quiet[3]) & ~termios.ECHO
    termios.tcsetattr(sys.stdin, termios.TCSADRAIN, quiet)
    try:
        yield
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)

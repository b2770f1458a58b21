"""Following a request until it is done: live bars in a terminal, plain lines elsewhere."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any

from studiobridge.cli import draw, fit, show
from studiobridge.cli.question import Changed, Question
from studiobridge.shown import step_words, words

Shown = Callable[[], tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]]


def notes(run: Mapping[str, Any]) -> dict[str, str]:
    """A few words behind each device's bar: what it is doing, or what became of it."""
    said: dict[str, str] = {}
    for step in run["steps"]:
        device, phase = str(step["device"]), step_words.phase_of(step)
        if phase == "sent":
            said[device] = step_words.step_said(step) + " …"
        elif phase == "confirmed":
            said[device] = f"{step_words.MARKS[phase]} {step_words.step_said(step)}"
        elif phase == "waited out":
            # beside a bar there is room for the mark and the time
            said[device] = f"{step_words.MARKS[phase]} {step_words.waited(step)}"
        elif phase in step_words.MARKS:
            said[device] = f"{step_words.MARKS[phase]} {phase}"
        else:
            said.setdefault(device, "waits")
    return said


def progress(state: Mapping[str, Any], run: Mapping[str, Any]) -> str:
    """`rising: about 6 s left, 7 of 15 steps; waits for lesson-pc (booting)`."""
    said = words.state(state.get("state"))
    left = words.number(state.get("ready_in_s"))
    line = said
    if left is not None:
        line += f": about {words.about(left)} left"
    if state.get("steps"):
        line += f", {state.get('steps_done', 0)} of {state['steps']} steps"
    waits = step_words.waits(state)
    if waits:
        line += f"; {waits}"
    return line


class Follower:
    """Shows a run as it goes. `shown` gives the latest state and run."""

    def __init__(self, shown: Shown) -> None:
        self._shown = shown
        self._printed: set[tuple[int, int, str]] = set()
        self._live: Any = None
        self._said = False

    def start(self) -> None:
        if show.terminal():
            from rich.console import Console
            from rich.live import Live

            console = Console(no_color=True, highlight=False)
            self._live = Live(console=console, auto_refresh=False, transient=False)
            self._live.start()

    def update(self) -> None:
        """Whoever may write on the broker may write nonsense: it must not end who waits."""
        try:
            self._update()
        except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError):
            if not self._said:
                show.fail(
                    "what the bridge says of the run cannot be shown; its answer is waited for"
                )
            self._said = True

    def _update(self) -> None:
        state, run = self._shown()
        if state is None or run is None:
            return
        if self._live is not None:
            from rich.text import Text

            lines = draw.chart(run["steps"], show.width(), notes(run)) if run["steps"] else []
            if run["steps"]:
                lines.extend(["", draw.legend(run["steps"], show.width())])
            said = fit.wrapped(progress(state, run), show.width())
            text = "\n".join([*lines, "", *said])
            self._live.update(Text(text, no_wrap=True), refresh=True)
            return
        skipped = []
        for step in run["steps"]:
            key = (int(run["run"]), int(step["n"]), str(step["phase"]))
            if step["phase"] == "waiting" or key in self._printed:
                continue
            self._printed.add(key)
            phase, what = step_words.phase_of(step), step_words.step_said(step)
            if phase == "skipped":
                skipped.append(step)
                continue
            if phase == "waited out":
                what = f"{step_words.MARKS[phase]} {what}"
            elif phase not in ("sent", "confirmed"):
                what = f"{phase}: {words.clean(step['text'])}"
            device = words.clean(step["device"], 40)
            show.out(f"{run['elapsed_s']:6.1f} s  {device}: {what}")
        for line in step_words.skipped(skipped):
            show.out(f"{run['elapsed_s']:6.1f} s  {line}")

    def stop(self) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None


async def follow(
    shown: Shown, changed: Changed, until: asyncio.Future[Any], question: Question | None = None
) -> None:
    """Show changes until the future is done, and once more after; ask what has to be asked."""
    follower = Follower(shown)
    follower.start()
    try:
        while not until.done():
            await changed(0.25)
            follower.update()
            camera = question.look(shown()[0] or {}) if question is not None else None
            if question is not None and camera is not None:

                def open_still(camera: str = camera) -> bool:
                    return not until.done() and camera in step_words.asked_about(shown()[0] or {})

                follower.stop()
                await question.put(camera, open_still, changed)
                follower.start()
        await changed(0.3)
        follower.update()
    finally:
        follower.stop()

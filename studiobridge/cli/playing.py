"""`rehearse --page`: the page of a simulated set, and a hand and a camera moved by typed lines.

Only served, never opened: whose phone or browser looks at it is their own.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from studiobridge.bridge.daemon import SetRunner
from studiobridge.bridge.settings import Settings
from studiobridge.cli import scenes, show
from studiobridge.cli.evening import a_light, until_interrupted
from studiobridge.profile.model import SetProfile
from studiobridge.profile.plain import plain
from studiobridge.rehearsal.hands import check, read_touch, turn
from studiobridge.rehearsal.live import LiveRoom
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.rehearsal.eye import Eye

# Somebody brushes past a light when it has been ready so long (s), if nobody types anything.
TOUCHED_AFTER = 20.0
# A line typed is a few words; what is longer is none (bytes).
LONGEST = 1000

VIEWS = (
    ("in the hand", ""),
    ("across the room", "/stand"),
    ("at the mark", "/mark"),
    ("takes", "/takes"),
    ("before it rolls", "/before"),
    ("after the take", "/after"),
    ("the picture", "/picture"),
    ("the record", "/record"),
    ("setup", "/setup"),
    ("without scripts", "/plain"),
)


@dataclass(frozen=True, slots=True)
class Said:
    """A line read: what it does in the room, or why nothing; `text` is what to say of it."""

    text: str
    did: bool = False


def ways(profile: SetProfile, eye: Eye | None = None) -> list[str]:
    """The lines that can be typed, with this set's own names."""
    found = a_light(profile, profile.default_look)
    lines = []
    if found is not None:
        name = found[0]
        lines.append(
            f"touch {name}           somebody turns it; also touch {name} 80 %, 3200 K, off"
        )
    if _camera(profile) is not None:
        lines += ["roll                the camera rolls", "stop                it stops"]
    if eye is not None:
        lines.append("kick                somebody kicks the tripod; kick back puts it right")
        if eye.has_window:
            lines.append("blind open          daylight comes in at the window; also blind shut")
    return lines


def _camera(profile: SetProfile) -> str | None:
    return next((d.name for d in profile.devices.values() if d.kind == "camera"), None)


def read_line(
    line: str,
    profile: SetProfile,
    room: LiveRoom,
    say: Callable[[str], None],
    eye: Eye | None = None,
) -> Said:
    """Do what a line says: `touch key`, `touch key 80 %`, `roll`, `stop`; with a simulated camera
    also `blind open`, `blind shut`, `kick`, `kick back`."""
    parts = line.split()
    what, rest = (parts[0].lower(), parts[1:]) if parts else ("", [])
    if eye is not None and (done := _before_the_camera(eye, [word.lower() for word in parts])):
        return Said(done, True)
    camera = _camera(profile)
    if what in ("roll", "stop") and not rest:
        if camera is None:
            return Said("this set has no camera")
        room.roll(camera, what == "roll")
        return Said(f"{camera} {'rolls' if what == 'roll' else 'stops'}", True)
    if what == "touch" and rest:
        name, to = rest[0], rest[1:]
        try:
            if not to:
                to = [f"{_turned(profile, name)} %"]
            touch = read_touch(to)
            check(profile, name, touch)
        except ValueError as error:
            return Said(str(error))

        def hand() -> list[tuple[str, object]]:
            _, text, happenings = turn(room, name, touch)
            say(text)
            return happenings  # type: ignore[return-value]

        room.do(hand)  # type: ignore[arg-type]
        return Said("", True)
    said = f"'{plain(line.strip())[:40]}' is nothing that can be done here" if parts else ""
    known = ["`touch NAME`", "`roll`", "`stop`"]
    if eye is not None:
        known += ["`kick`", "`kick back`"]
        known += ["`blind open`", "`blind shut`"] if eye.has_window else []
    can = f"type {', '.join(known[:-1])} or {known[-1]}"
    return Said("; ".join(filter(None, (said, can))))


def _before_the_camera(eye: Eye, words_: list[str]) -> str:
    """What is no gear's doing; empty where the line is none of it."""
    from studiobridge.cli.pictured import BLIND, KICKED

    mishap = eye.mishap
    if words_ == ["blind", "open"] and eye.has_window:
        mishap.blind = BLIND
        return f"the blind is open: the window gives the face {100 * BLIND:.0f} % of its light"
    if words_ == ["blind", "shut"] and eye.has_window:
        mishap.blind = 0.0
        return "the blind is shut"
    if words_ == ["kick"]:
        mishap.kicked = KICKED
        return f"the camera looks {KICKED} px further right"
    if words_ == ["kick", "back"]:
        mishap.kicked = 0
        return "the camera looks where it did"
    return ""


def _turned(profile: SetProfile, name: str) -> int:
    """So far (%) somebody turns a light who only says which: plainly seen, from where it stood."""
    look = profile.looks.get(profile.default_look or "")
    preset = None if look is None else look.presets.get(name)
    level = 50.0 if preset is None or preset.level is None else preset.level
    return round(level * 1.4 if level * 1.4 <= 100.0 else level * 0.6)


async def with_page(
    copy: Path,
    profile: SetProfile,
    settings: Settings,
    room: LiveRoom,
    eye: Eye | None = None,
) -> int:
    """The bridge and the page, until interrupted; what a person types moves the room."""
    from studiobridge.panel.serve import CannotServe, PanelServer, address_for_others, loopback

    stopped = until_interrupted()
    runner = SetRunner(copy, profile, settings, say=lambda text: None)
    running = asyncio.create_task(runner.run())
    try:
        server = PanelServer(settings, [profile])
        await server.start()
    except CannotServe as error:
        show.fail(str(error))
        runner.stop()
        await running
        return 2
    for name in scenes.told_quiet(profile):
        room.press(name, True)
    panel = settings.panel.model_copy(update={"port": server.port})
    address = server.url if loopback(panel.listen) else address_for_others(panel)
    _say_where(address, server.panel.house.keys.new_code("operator"), settings, profile, eye)
    with Typed(profile, room, eye) as typed:
        await _until_stopped(stopped, typed.done, runner, profile, room)
    await server.stop()
    runner.stop()
    await running
    return 0


def _say_where(
    address: str, code: str, settings: Settings, profile: SetProfile, eye: Eye | None
) -> None:
    from studiobridge.panel.serve import loopback, way_in

    show.out(f"The page of {profile.title or profile.name}: simulated gear, the real bridge.")
    show.out()
    for title, path in VIEWS:
        show.out(f"    {title + ':':17} {address}/s/{profile.name}{path}")
    if eye is None:
        show.out("    (a camera for the picture comes with `--page --witness`)")
    show.out()
    show.out(f"Its code: {code}    It opens one page within ten minutes, and so does this:")
    _draw(way_in(address, code))
    if loopback(settings.panel.listen):
        show.out("It is served to this machine only; with --phone also to a phone on this network.")
    elif settings.panel.cert is None and settings.panel.behind is None:
        show.out("Served to this network without TLS: whoever is on it can read along.")
    show.out()
    show.out("Bring the set up from the page, then type here, with Enter:")
    for text in (*ways(profile, eye), "Ctrl-C              ends it"):
        show.out(f"    {text}")


def _draw(address: str) -> None:
    try:
        import segno
    except ImportError:
        return  # the code can be typed
    segno.make(address, error="m", micro=False).terminal(out=sys.stdout, border=2, compact=True)


class Typed:
    """Lines as they are typed, and done in the room. A context manager.

    `done` is set when the first of them did something. Where nobody can type it hears nothing.
    """

    def __init__(self, profile: SetProfile, room: LiveRoom, eye: Eye | None = None) -> None:
        self.done = asyncio.Event()
        self._eye = eye
        self._profile, self._room = profile, room
        self._rest = b""

    def __enter__(self) -> Typed:
        # a file, or closed: there is nobody
        with contextlib.suppress(OSError, ValueError):
            asyncio.get_running_loop().add_reader(0, self._ready)
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError, ValueError):
            asyncio.get_running_loop().remove_reader(0)

    def _ready(self) -> None:
        if os.isatty(0) and os.tcgetpgrp(0) != os.getpgrp():
            return  # in the background: what is typed is for the shell, and reading would stop us
        try:
            said = os.read(0, LONGEST)
        except OSError:
            said = b""
        if not said:
            self.__exit__()  # nobody types there any more: the rest goes on
            return
        *lines, rest = (self._rest + said).split(b"\n")
        self._rest = rest[-LONGEST:]
        for line in lines:
            self._heard(line.decode("utf-8", "replace"))

    def _heard(self, line: str) -> None:
        said = read_line(line, self._profile, self._room, show.out, self._eye)
        if said.did:
            self.done.set()
        if said.text:
            show.out(words.clean(said.text, 500))


async def _until_stopped(
    stopped: asyncio.Event,
    typed: asyncio.Event,
    runner: SetRunner,
    profile: SetProfile,
    room: LiveRoom,
) -> None:
    """Somebody brushes past a light now and then, until a person does such things themselves."""
    found = a_light(profile, profile.default_look)
    ready_since: float | None = None
    touched = False
    while not stopped.is_set():
        state = runner.core.controller.state if runner.ready.is_set() else ""
        if state != "ready" or touched or typed.is_set():
            ready_since = None if state != "ready" else ready_since
            touched = touched and state in ("ready", "adrift")
        elif ready_since is None:
            ready_since = time.monotonic()
        elif time.monotonic() - ready_since > TOUCHED_AFTER and found is not None:
            name, preset = found
            assert preset.level is not None
            room.touch(name, level=preset.level * (1.4 if preset.level * 1.4 <= 100.0 else 0.6))
            show.out(f"Somebody brushes past {name}.")
            touched = True
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(0.25):
                await stopped.wait()

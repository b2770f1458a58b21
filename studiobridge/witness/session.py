"""Carries a lesson out: tries at the bridge, frames from the camera, a person at the dials.

The rules:

- It visits the set like anybody else. A lamp is told by `try` alone, so every gate of the bridge
  stands before it: lockouts, a camera that rolls, circuits.
- It begins only where the set is up, nothing rolls and a picture comes, and ends where that ends.
- A frame counts that was taken after the lamp had confirmed what it was told, and had time to fade.
- Whatever happens, the look is asked for again at the end, once, and before what was seen is
  reckoned: nobody waits for that in the dark. What could not be put back is said. Nothing half
  learned is kept.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from studiobridge.bridge.asking import Asker, NoBridge, NoBroker
from studiobridge.profile.model import Point, SetProfile, Value
from studiobridge.profile.said import Answer
from studiobridge.witness.beside import Hangs, in_thread
from studiobridge.witness.frames import Frames, FramesError, now
from studiobridge.witness.learned import Codes
from studiobridge.witness.lesson import ByHand, Done, Lesson, Look, Refused, Tell

# A frame comes within (s), or the camera is said to be away.
FRAME_WITHIN = 15.0
# What was seen is reckoned for so long (s) at most: on a small computer, with many lamps.
RECKONED_WITHIN = 900.0
# The camera follows a lamp's light this much (s) later at most: exposure, encoding, a stream.
SETTLES = 0.7
# States of a set in which lamps may be tried one by one.
MAY_LEARN = ("ready", "adrift")
# A try that just ends is waited for: asked so often, so far apart (s).
BUSY_TRIES, BUSY_EVERY = 20, 0.3
# What the bridge says of a try that it takes a moment later: another run is just ending, or this
# lamp was tried within half a second (nothing flashes here).
SOON = ("under way", "tried a moment ago")


class CannotLearn(Exception):
    """Why the lesson did not come to its end, and what to do; `left`: what was not undone."""

    def __init__(self, why: str, todo: str = "", left: str = "") -> None:
        super().__init__(why + (f": {todo}" if todo else ""))
        self.left = left


@dataclass(slots=True)
class Session:
    """One lesson with a set. `hand` asks a person, `said` is told how far it is."""

    profile: SetProfile
    asker: Asker
    frames: Frames
    hand: Callable[[ByHand], Awaitable[bool]]
    said: Callable[[Lesson], None]
    levels: tuple[float, ...] | None = None
    _back: asyncio.Task[str] | None = field(default=None, init=False)

    async def learn(self, made: str) -> Done:
        """Raises CannotLearn; the look was asked for again then, too."""
        self._may_begin()
        lesson = Lesson(self.profile, made, without=self._without(), levels=self.levels)
        await self._first_picture(lesson)
        try:
            done = await self._carry_out(lesson)
        except asyncio.CancelledError:
            await self._put_back()
            raise
        except CannotLearn as error:
            error.left = await self._put_back()
            raise
        except (NoBridge, NoBroker) as error:
            raise CannotLearn(str(error), "nothing is kept", await self._put_back()) from None
        except Exception as error:
            # whatever it was, nobody is left standing in the dark
            why = f"a fault of the witness itself ({type(error).__name__})"
            raise CannotLearn(why, "nothing is kept", await self._put_back()) from error
        left = await self._put_back()
        if left:
            done = Done(done.learned, done.left_out, (*done.notes, left))
        return done

    # ---- may it be, and with which lamps -----------------------------------------------------

    def _may_begin(self) -> None:
        if not self.asker.shown.bridge_alive:
            raise CannotLearn("no bridge runs this set", "start it, and bring the set up")
        state = self.asker.shown.state_now()
        if state.get("state") not in MAY_LEARN:
            moving = state.get("state") in ("rising", "lowering", "unheard")
            todo = "wait until that is over" if moving else "bring it up first"
            raise CannotLearn(f"the set is {state.get('state')}", todo)
        if state.get("rolling"):
            raise CannotLearn("a camera rolls", "wait until the take is over")

    async def _first_picture(self, lesson: Lesson) -> None:
        """No lamp is touched before a picture came that is of now."""
        lesson.doing, doing = "does a picture come? no lamp is touched yet", lesson.doing
        self.said(lesson)
        try:
            await self.frames.next(FRAME_WITHIN, now())
        except FramesError as error:
            raise CannotLearn(str(error), "no lamp was touched; see to the camera") from None
        lesson.doing = doing

    def _without(self) -> dict[str, str]:
        """What is not touched, and why."""
        state = self.asker.shown.state_now()
        said = state.get("lockouts") or []
        locked = {str(one.get("target")) for one in said if isinstance(one, dict)}
        found = {}
        for name, device in self.profile.devices.items():
            if name in locked or locked & set(device.feeds) or device.circuit in locked:
                found[name] = "it is locked out"
        return found

    # ---- wishes ------------------------------------------------------------------------------

    async def _carry_out(self, lesson: Lesson) -> Done:
        changed = now()
        while True:
            wish = lesson.wish
            self.said(lesson)
            if isinstance(wish, Done):
                return wish
            if isinstance(wish, Refused):
                raise CannotLearn(wish.why, wish.todo)
            if isinstance(wish, Tell):
                why = await self._tell(wish)
                changed = now() + self.profile.devices[wish.device].fade
                if lesson.seen:
                    self._back = asyncio.create_task(self._restore())
                # what is reckoned takes long at the end, and the link has to be kept meanwhile
                await self._step(lesson.told, not why, why)
            elif isinstance(wish, ByHand):
                await self._step(lesson.by_hand, await self.hand(wish))
                changed = now()
            else:
                found = await self._look(wish, changed + SETTLES)
                await self._step(lesson.frames, found)

    @staticmethod
    async def _step(step: Callable[..., None], *values: object) -> None:
        try:
            await in_thread(step, *values, within=RECKONED_WITHIN)
        except Hangs:
            why = f"what was seen was not reckoned within {RECKONED_WITHIN / 60:.0f} min"
            raise CannotLearn(why, "nothing is kept") from None

    async def _tell(self, wish: Tell) -> str:
        """Tried; empty when it was confirmed or may well be so, else why not."""
        for point, value in wish.values:
            answer = await _ask(
                self.asker, "try", targets=[wish.device], value=_written(point, value)
            )
            if answer.code != 0:
                if not self.asker.shown.bridge_alive:
                    raise NoBridge("the bridge is gone")
                return answer.text
        return ""

    async def _look(self, wish: Look, after: float) -> list[Codes]:
        found: list[Codes] = []
        for _ in range(wish.count):
            try:
                frame = await self.frames.next(FRAME_WITHIN, after)
            except FramesError as error:
                raise CannotLearn(str(error), "see to the camera, and begin anew") from None
            found.append(frame.codes)
            after = frame.taken
        return found

    async def _put_back(self) -> str:
        """The look again, asked for once, however often this is."""
        if self._back is None:
            self._back = asyncio.create_task(self._restore())
        return await asyncio.shield(self._back)

    async def _restore(self) -> str:
        return await restore(self.asker)


async def restore(asker: Asker) -> str:
    """The look again; what to ask for where that was not to be had."""
    with contextlib.suppress(NoBridge, NoBroker, TimeoutError):
        async with asyncio.timeout(60.0):
            answer = await _ask(asker, "restore")
            if answer.code == 0:
                return ""
            return f"the lights are not back as they were: {answer.text}"
    return "the lights are as the lesson left them: ask for `restore`, or turn them back"


async def _ask(asker: Asker, what: str, **more: object) -> Answer:
    final: Answer | None = None
    for _ in range(BUSY_TRIES):
        async for answer in asker.ask(what, **more):
            final = answer
        assert final is not None
        if final.code == 0 or not any(word in final.text for word in SOON):
            return final
        await asyncio.sleep(BUSY_EVERY)
    assert final is not None
    return final


def _written(point: Point, value: Value) -> str:
    """As a person writes it behind the name of a device."""
    if point == "switch":
        return "on" if value else "off"
    return f"{value:g} %" if point == "level" else f"{value:g} K"

"""The process that looks at the picture of a set and says what it sees.

A visitor of the set like the page. The rules:

- It looks while the set is up, or for a while after somebody asked; else the camera is let go.
- A frame is in memory and nowhere else. Only `keep` writes a picture, with whoever stands in it
  left out, and says so. Nothing is said twice, late, or of a frame that is old: while the link is
  down, or the bridge is not heard, nothing is published and nothing waits.
- Its `alive` has a last will. Of two on one set the later looks (`others.py`); the other stands
  down and ends with 0, so that no service starts it again.
- A source that fails is said and tried again, less and less often. A look that fails costs that
  look; LOOKS_FAIL in a row, or one that does not end, end the process with 1: it is started anew.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import secrets
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

import cv2
from pydantic import ValidationError

from studiobridge.bridge.asking import LONGEST_WITHIN, Asker, picture_within
from studiobridge.bridge.settings import Settings, SettingsError
from studiobridge.bridge.topics import (
    answered_at,
    seen_topic,
    witness_alive_topic,
    witness_answer_topic,
    witness_ask_topic,
)
from studiobridge.profile.model import SetProfile
from studiobridge.profile.sighting import Sighting
from studiobridge.speech.message import Message
from studiobridge.witness import keeping, stored
from studiobridge.witness.asked import LONGEST_ASK, AskBody, Cannot
from studiobridge.witness.beside import Hangs, in_thread
from studiobridge.witness.eyes import Eyes, Last
from studiobridge.witness.frames import Frame, Frames, FramesError, now, open_frames
from studiobridge.witness.learned import Codes
from studiobridge.witness.others import Others

# States of a set in which its picture is looked at.
GOING = frozenset(("rising", "lowering"))
UP = frozenset(("rising", "ready", "adrift", "lowering", "stalled"))
# A look so often (s) while a hand is on a dial, and for so long (s) after somebody asked.
FAST, FAST_FOR = 0.4, 30.0
# A frame older than this (s), or than so many times `every`, is not of now.
OLD, OLD_TIMES = 30.0, 3.0
# How long (s) a frame is waited for before others get their turn.
FRAME_WITHIN = 1.5
# Whoever asked and waits for the camera's next picture is behind the others after so long (s).
ASKED_AGAIN = 0.05
# After a source that failed: waits (s), doubled each time, up to the last.
FIRST_WAIT, LONGEST_WAIT = 1.0, 15.0
LOOKS_FAIL = 5
# What is said of what was seen is worth nothing after so long (s).
SEEN_LIVES = 10.0
MOST_ASKED = 8

State = Literal["looking", "waiting", "no frames", "not learned", "failed"]


@dataclass(slots=True)
class _Asked:
    body: AskBody
    topic: str
    correlation: bytes | None
    ends: float  # when (`now()`) whoever asks stops waiting: nothing is done after it
    again: bool = False  # it waits for the camera's next picture


def pace(every: float, devices: Mapping[str, Mapping[str, Any]], asked: bool) -> float:
    """How long (s) from one look to the next: short while a hand is on a dial, or one asked."""
    fast = asked or any(device.get("turning_by") for device in devices.values())
    return min(FAST, every) if fast else every


class Serving(Asker):
    """Looks at the picture of one set, until stopped."""

    def __init__(
        self,
        profile: SetProfile,
        path: Path,
        settings: Settings,
        say: Callable[[str], None],
        stopped: asyncio.Event,
    ) -> None:
        assert profile.witness is not None
        self.run_id = secrets.token_hex(4)
        self._began = round(time.time(), 3)
        self.profile, self.witness = profile, profile.witness
        topic = witness_alive_topic(profile.name)
        gone = self._alive_payload(False, "waiting", "it is gone", None)
        super().__init__(
            settings, profile.name, stays=True, will=Message(topic, gone, qos=1, retain=True)
        )
        self._say = say
        self._stopped = stopped
        self._eyes = Eyes(profile, keeping.folder_of(path), self.run_id)
        self._frames: Frames = open_frames(profile.witness, settings, path.absolute().parent)
        self._asks: deque[_Asked] = deque()
        self._asked_ids: deque[str] = deque(maxlen=64)
        self._answered_last = False
        self._woken = asyncio.Event()
        self._code: int | None = None
        self._others = Others(self.run_id, self._began)
        self._told = b""
        self._state: tuple[State, str] = ("waiting", "it has just begun")
        self._newest: Last | None = None
        self._fast_until = 0.0
        self._due = 0.0
        self._wait = FIRST_WAIT
        self._failed = 0
        self._open = False
        self._frame_at = now()  # when the last one came, or frames began to be wanted
        self._away = False  # the broker is away, and that was said

    @property
    def looks_at(self) -> str:
        """Where frames come from, for people."""
        return self._frames.shown

    # ---- what is heard -----------------------------------------------------------------------

    def _subscriptions(self) -> list[tuple[str, int]]:
        return [*super()._subscriptions(), (witness_ask_topic(self.set_name), 1)]

    def _came(self) -> None:
        super()._came()
        self._others.anew()
        self._told = b""
        if self._away:
            self._say(f"{self.set_name}: the broker is there again")
        self._away = False
        self._tell()

    def _went(self, why: str) -> None:
        super()._went(why)
        self._say_away()

    def _fault(self, text: str) -> None:
        super()._fault(text)
        self._say_away()

    def _say_away(self) -> None:
        """Once: whoever reads would take silence for a look."""
        if self.up or self._away or self._stopped.is_set():
            return
        self._away = True
        self._say(f"{self.set_name}: {self.why}; nothing is looked at until it is there")

    def _changed(self) -> None:
        super()._changed()
        self._woken.set()

    def _message(self, message: Message) -> None:
        if message.topic == witness_ask_topic(self.set_name):
            self._heard_ask(message)
        elif message.topic == witness_alive_topic(self.set_name):
            self._heard_alive(message)
        super()._message(message)

    def _heard_alive(self, message: Message) -> None:
        word = self._others.hear(message.payload, message.retain)
        if word == "again":
            self._told = b""
            self._tell()
        elif word == "end" and self._code is None:
            self._say(f"{self.set_name}: another witness looks at this set now: this one ends")
            self._code = 0
            self._woken.set()

    def _heard_ask(self, message: Message) -> None:
        if message.retain or len(message.payload) > LONGEST_ASK:
            return
        try:
            body = AskBody.model_validate_json(message.payload)
        except (ValidationError, ValueError, RecursionError):
            return
        left = picture_within(body.what, self.witness.every)
        if body.until is not None:
            left = body.until - (time.time() + (self.shown.clock or 0.0))
        if left < 0 or body.id in self._asked_ids:
            return
        self._asked_ids.append(body.id)
        topic = answered_at(message.response_topic, witness_answer_topic(self.set_name))
        asked = _Asked(body, topic, message.correlation, now() + min(left, LONGEST_WITHIN))
        if len(self._asks) >= MOST_ASKED:
            self._answer(asked, 1, "too much is asked at once: ask again", {})
            return
        self._asks.append(asked)
        self._woken.set()

    # ---- what is said ------------------------------------------------------------------------

    def _alive_payload(self, alive: bool, what: State, why: str, learned: str | None) -> bytes:
        said = {
            "alive": alive,
            "run": self.run_id,
            "what": what,
            "why": why[:200],
            "learned": learned,
            "every": self.witness.every,
            "began": self._began,
        }
        return json.dumps(said).encode()

    def _goes(self, what: State, why: str = "") -> None:
        """How it goes, said where it changes."""
        changed = self._state != (what, why) if what == "looking" else what != self._state[0]
        if changed and why and what != "waiting":
            self._say(f"{self.set_name}: {what}: {why}")
        self._state = (what, why)
        self._tell()

    def _tell(self) -> None:
        learned = self._eyes.learned
        made = None if learned is None else learned.made
        payload = self._alive_payload(True, *self._state, made)
        if payload == self._told or self._code is not None:
            return
        topic = witness_alive_topic(self.set_name)
        if self.link.publish(Message(topic, payload, qos=1, retain=True)):
            self._told = payload

    def _publish(self, sighting: Sighting) -> None:
        """What is seen, while somebody is there to hear it now; else nobody hears it, ever."""
        if not self.sure:
            return
        payload = json.dumps(asdict(sighting), allow_nan=False).encode()
        self.link.publish(Message(seen_topic(self.set_name), payload, qos=0, expiry=SEEN_LIVES))

    def _answer(self, asked: _Asked, code: int, text: str, detail: Mapping[str, Any]) -> None:
        said = {"id": asked.body.id, "final": True, "code": code, "text": text, "detail": detail}
        self.link.publish(
            Message(
                asked.topic,
                json.dumps(said, ensure_ascii=False).encode(),
                # at QoS 0, or a broker keeps the picture on its disk for an asker who has left
                qos=0,
                # not longer than it is waited for, in the whole seconds a broker counts
                expiry=max(1.0, asked.ends - now()),
                correlation=asked.correlation,
            )
        )

    # ---- when it looks -----------------------------------------------------------------------

    @property
    def _counts_from(self) -> float | None:
        """From when on a frame says something of now, by the bridge (s since 1970); endless while
        the set comes up or goes down."""
        state = self.shown.state or {}
        if state.get("state") in GOING:
            return math.inf
        seen = state.get("picture_seen")
        found = seen.get("counts_from") if isinstance(seen, dict) else None
        if isinstance(found, bool) or not isinstance(found, int | float):
            return None
        return float(found) if abs(found) < 1e11 else None

    @property
    def _look_name(self) -> str | None:
        found = (self.shown.state or {}).get("look")
        return found if isinstance(found, str) and found in self.profile.looks else None

    def _wanted(self) -> str:
        """Why nothing is looked at now; empty: it is wanted."""
        if not self.up:
            return self.why or "not connected"
        if now() < self._fast_until:
            return ""
        if not self.sure:
            return "no bridge is heard"
        state = (self.shown.state or {}).get("state")
        return "" if state in UP else f"the set is {state}"[:60]

    def _every(self) -> float:
        return pace(self.witness.every, self.shown.devices, now() < self._fast_until)

    async def serve(self) -> int:
        """Look until stopped. Returns an exit code."""
        ending = asyncio.create_task(self._stopped.wait())
        looking = asyncio.create_task(self._run())
        try:
            await asyncio.wait((ending, looking), return_when=asyncio.FIRST_COMPLETED)
            return looking.result() if looking.done() else 0
        finally:
            for task in (ending, looking):
                task.cancel()
            with contextlib.suppress(asyncio.CancelledError, Exception):
                await looking
            if self._code != 0:
                self._code = self._code or 0  # set: nothing says `alive` again after the goodbye
                topic = witness_alive_topic(self.set_name)
                state, why = self._state if self._code else ("waiting", "it was stopped")
                gone = self._alive_payload(False, state, why, None)
                self.link.publish(Message(topic, gone, qos=1, retain=True))
            await self._frames.close()

    async def _run(self) -> int:
        while self._code is None:
            self._woken.clear()
            why = self._wanted()
            # questions come first; but a look that is due gets its turn between two of them
            due = not why and now() >= self._due
            if self._asks and not (due and self._answered_last):
                self._answered_last = True
                await self._asked(self._asks.popleft())
                continue
            self._answered_last = False
            if why:
                await self._rest(why)
            elif now() >= self._due:
                await self._look()
                continue
            pause = 1.0 if why else min(1.0, max(0.0, self._due - now()))
            # a hand on a dial is not waited for
            if not why and self._every() < self.witness.every:
                self._due = min(self._due, now() + self._every())
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(pause):
                    await self._woken.wait()
            if self._woken.is_set() and not self._asks:
                await asyncio.sleep(0.02)  # a burst of what is shown is one change
        return self._code

    async def _rest(self, why: str) -> None:
        if self._open:
            await self._frames.close()
            self._open = False
        self._newest = None
        self._due, self._wait = 0.0, FIRST_WAIT
        self._goes("waiting", why)

    async def _look(self) -> None:
        """One look of those that come by themselves."""
        began = now()
        self._due = began + self._every()
        try:
            if await in_thread(self._eyes.ready, self._look_name) is None:
                self._goes("not learned", "no lamp was seen alone yet: studiobridge witness learn")
                self._due = began + max(2.0, self.witness.every)
                return
            sighting = await self._see()
        except FramesError as error:
            self._no_frame(error)
        except Hangs:
            self._say(f"{self.set_name}: a look did not end; this process does")
            self._code = 1
        except Exception as error:
            self._fails(error)
        else:
            if sighting is not None:
                self._publish(sighting)
                self._goes("looking", self._eyes.unkept)

    def _no_frame(self, error: FramesError) -> None:
        """It is tried again; and said once it has lasted, or will last."""
        self._due = now() + min(self._wait, max(self._every(), LONGEST_WAIT))
        self._wait = min(2 * self._wait, LONGEST_WAIT)
        if self._every() < self.witness.every:
            self._due = min(self._due, now() + 1.0)
        patience = max(OLD_TIMES * self.witness.every, 2 * FRAME_WITHIN)
        if error.final or now() - self._frame_at > patience or self._state[0] != "looking":
            self._newest = None
            self._goes("no frames", str(error))

    def _fails(self, error: Exception) -> None:
        self._failed += 1
        kind = "" if isinstance(error, (Cannot, stored.CannotRead)) else type(error).__name__ + ": "
        self._goes("failed", f"{kind}{error}")
        if self._failed >= LOOKS_FAIL and kind:
            self._say(f"{self.set_name}: {LOOKS_FAIL} looks in a row failed; this process ends")
            self._code = 1

    async def _see(self) -> Sighting | None:
        """The next frame and what it shows. Raises FramesError, and what a look may raise."""
        if not self._open:
            self._open, self._frame_at = True, now()
            if self._eyes.seeing is not None:
                self._eyes.seeing.forget()
        frame = await self._frames.next(FRAME_WITHIN)
        age = now() - frame.taken
        if age > max(OLD, OLD_TIMES * self.witness.every):
            again = ", the same again and again" if frame.same else ""
            why = f"its newest picture is {age:.0f} s old, by its own time{again}"
            raise FramesError(f"{self._frames.shown}: {why}")
        self._frame_at, self._wait = now(), FIRST_WAIT
        codes: Codes
        sighting: Sighting | None
        codes, sighting = await in_thread(
            self._eyes.look,
            frame.codes,
            self._by_bridge(frame),
            age,
            self._look_name,
            self._counts_from,
        )
        if sighting is not None:
            # the look took time: its age is reckoned again as it is said
            age = round(max(0.0, now() - frame.taken), 3)
            sighting = replace(sighting, age=age)
        self._newest = Last(frame, codes, sighting)
        self._failed = 0
        return sighting

    def _by_bridge(self, frame: Frame) -> float | None:
        """When it was taken by the clock of the bridge; None where that was not heard."""
        clock = self.shown.clock
        return None if clock is None else round(time.time() + clock - (now() - frame.taken), 3)

    # ---- what is asked -----------------------------------------------------------------------

    async def _asked(self, asked: _Asked) -> None:
        body = asked.body
        code, text, detail = 1, "", {}
        if now() >= asked.ends:
            return  # it stood behind others for too long, and nobody waits for it any more
        try:
            if body.what == "preview":
                detail = await in_thread(self._eyes.preview, body)
            else:
                last = await self._now(asked)
                if last is None:
                    asked.again = True
                    self._asks.append(asked)
                    await asyncio.sleep(ASKED_AGAIN)
                    return
                if now() >= asked.ends:
                    return
                if body.what == "keep":
                    text = await self._keep_picture(body, last)
                elif body.what == "still":
                    detail = await in_thread(self._eyes.drawn, last.codes, last.sighting)
                elif last.sighting is not None:
                    detail = {"sighting": asdict(last.sighting)}
                if body.what == "look" and last.sighting is None:
                    raise Cannot("no lamp was learned yet: `studiobridge witness learn`")
            code = 0
        except (Cannot, FramesError, stored.CannotRead) as error:
            text = str(error)
        except Hangs:
            text, self._code = "the look did not end", 1
        except Exception as error:
            # it costs this question: whoever asks must not be able to end this process
            text = f"it failed: {type(error).__name__}"
            self._say(f"{self.set_name}: asked to {body.what}: {text}: {error}"[:300])
        self._answer(asked, code, text, detail)

    async def _now(self, asked: _Asked) -> Last | None:
        """A frame of now: a new one, or where none comes at once, the last that is not old.

        None where there is neither yet and whoever asks waits: a camera may take its time, and
        others get their turn meanwhile.
        """
        self._fast_until = now() + FAST_FOR
        if asked.again and (last := self._not_old()) is not None:
            return last  # it came to a look meanwhile
        try:
            sighting = await self._see()
        except (Cannot, Hangs, stored.CannotRead):
            raise
        except Exception as error:
            if not isinstance(error, FramesError):
                self._fails(error)
                raise Cannot(f"the look failed: {type(error).__name__}") from error
            last = self._not_old()
            # another turn comes when a look and whoever else asks have had theirs
            turn = FRAME_WITHIN * (2 + len(self._asks))
            if last is None and (error.final or now() + turn >= asked.ends):
                raise
            return last
        if sighting is not None:
            self._publish(sighting)
            self._goes("looking", self._eyes.unkept)
        assert self._newest is not None
        return self._newest

    def _not_old(self) -> Last | None:
        last = self._newest
        if last is None or now() - last.frame.taken > max(OLD, OLD_TIMES * self.witness.every):
            return None
        return last

    async def _keep_picture(self, body: AskBody, last: Last) -> str:
        look = body.look or self._look_name
        # a look that was saved a moment ago is none of the profile that was read here
        if look is None or (body.look is None and look not in self.profile.looks):
            raise Cannot("of which look? name one of the set")
        text = str(await in_thread(self._eyes.keep, look, last))
        self._say(f"{self.set_name}: {text}")
        return text


async def serve(
    found: Sequence[tuple[Path, SetProfile]],
    settings: Settings,
    stopped: asyncio.Event,
    say: Callable[[str], None],
) -> int:
    """Look at the pictures of these sets until stopped. Returns an exit code."""
    cv2.setNumThreads(1)

    async def one(path: Path, profile: SetProfile) -> int:
        try:
            serving = Serving(profile, path, settings, say, stopped)
        except SettingsError as error:
            say(str(error))
            return 2
        async with serving:
            say(f"{profile.name}: looks at {serving.looks_at} while the set is up")
            code = await serving.serve()
        if code == 1:
            stopped.set()  # it is started anew as a process, with all its sets
        return code

    return max(await asyncio.gather(*(one(path, profile) for path, profile in found)))


async def look_once(profile: SetProfile, path: Path, settings: Settings) -> Sighting | None:
    """One look without a process that serves. None: nothing was learned. Raises FramesError …"""
    assert profile.witness is not None
    eyes = Eyes(profile, keeping.folder_of(path), secrets.token_hex(4))
    async with open_frames(profile.witness, settings, path.absolute().parent) as source:
        frame = await source.next(picture_within("look", profile.witness.every))
        sighting: Sighting | None
        _, sighting = await in_thread(
            eyes.look, frame.codes, None, now() - frame.taken, profile.default_look
        )
        if sighting is None:
            return None
        age = max(0.0, now() - frame.taken)
        # no bridge takes part: `taken` is by the clock of this machine
        return replace(sighting, age=round(age, 3), taken=round(time.time() - age, 3))

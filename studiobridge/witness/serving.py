"""The process that looks at the picture of a set and says what it sees.

A visitor of the set like the page. The rules:

- It looks while the set is up, or for a while after somebody asked; else the camera is let go.
- A frame is in memory and nowhere else. Only `keep` writes a picture, with whoever stands in it
  left out, and says so. Nothing is said twice, late, or of a frame that is old: while the link is
  down, or the bridge is not heard, nothing is published and nothing waits.
- Its `alive` has a last will. Of two on one set the later looks: who hears another's live `alive`
  after its own stands down and ends with 0, so that no service starts it again.
- A source that fails is said and tried again, less and less often. A look that fails costs that
  look; LOOKS_FAIL in a row, or one that does not end, end the process with 1: it is started anew.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import secrets
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from studiobridge.bridge.asking import Asker
from studiobridge.bridge.settings import Settings, SettingsError
from studiobridge.bridge.topics import (
    answered_at,
    seen_topic,
    witness_alive_topic,
    witness_answer_topic,
    witness_ask_topic,
)
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.profile.sighting import Sighting
from studiobridge.speech.message import Message
from studiobridge.witness import keeping
from studiobridge.witness.beside import Hangs, in_thread
from studiobridge.witness.frames import Frame, Frames, FramesError, now, open_frames
from studiobridge.witness.learned import Codes, Kept, Learned
from studiobridge.witness.outlines import outlines
from studiobridge.witness.preview import At, preview
from studiobridge.witness.screen import FINE, contours, screen_map
from studiobridge.witness.seeing import Seeing

# States of a set in which its picture is looked at.
UP = frozenset(("rising", "ready", "adrift", "lowering", "stalled"))
# A look so often (s) while a hand is on a dial, and for so long (s) after somebody asked.
FAST, FAST_FOR = 0.4, 30.0
# A frame older than this (s), or than so many times `every`, is not of now.
OLD, OLD_TIMES = 30.0, 3.0
# How long (s) a frame is waited for before others get their turn.
FRAME_WITHIN = 1.5
# After a source that failed: waits (s), doubled each time, up to the last.
FIRST_WAIT, LONGEST_WAIT = 1.0, 15.0
LOOKS_FAIL = 5
# What is said of what was seen is worth nothing after so long (s).
SEEN_LIVES, ANSWER_LIVES = 10.0, 10.0
MOST_ASKED, LONGEST_ASK = 8, 4096
# A picture in an answer (bytes, before base64).
LARGEST_PICTURE = 150_000
# What is left out of a kept picture is left out so much wider (share of its width).
WIDER = 0.02
# Codes between a picture and the empty room under the same lamps, made smooth: somebody is there.
APART = 14
# With more than this left out there is too little left to hold later ones against.
MOST_LEFT_OUT = 0.4

State = Literal["looking", "waiting", "no frames", "not learned", "failed"]


class Cannot(Exception):
    """What was asked cannot be done; the text says why."""


class AskBody(BaseModel):
    """A message on witness/ask."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True, allow_inf_nan=False)

    id: str = Field(min_length=1, max_length=64)
    what: Literal["look", "still", "preview", "keep"]
    look: str | None = Field(default=None, max_length=40)
    lights: dict[str, dict[Literal["level", "cct"], float | None]] = Field(default_factory=dict)
    until: float | None = None


@dataclass(slots=True)
class _Asked:
    body: AskBody
    topic: str
    correlation: bytes | None


@dataclass(slots=True)
class _Last:
    """The last frame, while it is of now: for who asks for it."""

    frame: Frame
    codes: Codes
    sighting: Sighting | None


def pace(every: float, devices: Mapping[str, Mapping[str, Any]], asked: bool) -> float:
    """How long (s) from one look to the next: short while a hand is on a dial, or one asked."""
    fast = asked or any(device.get("turning_by") for device in devices.values())
    return min(FAST, every) if fast else every


def jpeg_of(codes: Codes) -> bytes:
    """A picture small enough for an answer."""
    for quality in (85, 70, 50, 30, 15):
        _, data = cv2.imencode(".jpg", codes, [cv2.IMWRITE_JPEG_QUALITY, quality])
        if len(data) <= LARGEST_PICTURE:
            break
    return data.tobytes()


@dataclass(slots=True)
class Eyes:
    """What was learned of a set, made ready to look with; without I/O of its own but reading."""

    profile: SetProfile
    folder: Path
    run: str
    learned: Learned | None = None
    seeing: Seeing | None = None
    # why what is kept of this look is of no use: it costs the reference, not the look
    unkept: str = ""
    _stamps: tuple[Any, ...] = field(default=())

    def ready(self, look: str | None) -> Seeing | None:
        """With what lies there now. None: nothing was learned. Raises keeping.CannotRead."""
        stamps = (look, *(self._stamp(n) for n in (keeping.LEARNED, f"kept-{look}.json")))
        if stamps == self._stamps:
            return self.seeing
        if self.seeing is None or stamps[1] != self._stamps[1]:
            self.seeing = None
            try:
                self.learned = keeping.load(self.folder)
            except FileNotFoundError:
                self.learned = None
                self._stamps = stamps
                return None
            self.seeing = Seeing(self.learned, None, self.profile, self.run)
        self._hold(look, self.seeing)
        self._stamps = stamps
        return self.seeing

    def _hold(self, look: str | None, seeing: Seeing) -> None:
        self.unkept = ""
        try:
            kept = keeping.kept_picture(look, self.folder) if look is not None else None
            seeing.hold_against(kept)
        except keeping.CannotRead as error:
            self.unkept = str(error)
            seeing.hold_against(None)
        except ValueError:
            self.unkept = f"the picture kept of '{look}' is of another size than what was learned"
            seeing.hold_against(None)

    def _stamp(self, name: str) -> tuple[int, int] | None:
        try:
            found = (self.folder / name).stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino

    def fitted(self, codes: Codes) -> Codes:
        """At the size that was learned. Raises Cannot where its sides are others."""
        if self.learned is None:
            return codes
        columns, rows = self.learned.size
        high, wide = codes.shape[:2]
        if (wide, high) == (columns, rows):
            return codes
        if abs(wide / high - columns / rows) > 0.01 * columns / rows:
            raise Cannot(
                f"the camera gives {wide} × {high} px now and was learned with {columns} × {rows}:"
                " set it as it was, or learn anew"
            )
        return cv2.resize(codes, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.uint8)

    def look(
        self,
        codes: Codes,
        taken: float | None,
        age: float,
        look: str | None,
        counts_from: float | None = None,
    ) -> tuple[Codes, Sighting | None]:
        seeing = self.ready(look)
        if seeing is None:
            return codes, None
        codes = self.fitted(codes)
        return codes, seeing.look(codes, taken, age, self.wanted(look), counts_from)

    def wanted(self, look: str | None) -> Mapping[str, Preset]:
        found = self.profile.looks.get(look) if look is not None else None
        return {} if found is None else found.presets

    def drawn(self, codes: Codes, sighting: Sighting | None) -> dict[str, Any]:
        """The picture with what is drawn over it."""
        detail: dict[str, Any] = {
            "picture": base64.b64encode(jpeg_of(codes)).decode(),
            "contours": [],
            "outlines": [],
            "sighting": None if sighting is None else asdict(sighting),
        }
        seeing = self.seeing
        if seeing is None or sighting is None or seeing.solved is None or self.learned is None:
            return detail
        keys = next((d.keys for d in self.profile.devices.values() if d.keys is not None), None)
        free = self._free(seeing, 0.0)
        found = screen_map(self.learned, self.learned.curve.linear(codes), free, keys, FINE)
        if found is not None:
            detail["contours"] = [
                {"stops": c.stops, "points": [[round(x, 4), round(y, 4)] for x, y in c.points]}
                for c in contours(found)
            ]
        detail["outlines"] = [
            {
                "what": "light",
                "name": one.device,
                "stops": round(one.stops, 2),
                "points": one.points,
            }
            for one in outlines(self.learned, sighting)
        ]
        if sighting.stray is not None:
            stray = sighting.stray
            sides = {s: round(getattr(stray, s), 4) for s in ("left", "top", "right", "bottom")}
            detail["outlines"].append({"what": "stray", "name": "light from nowhere", **sides})
        return detail

    def _free(self, seeing: Seeing, wider: float) -> Any:
        """Where nobody stands, pixel by pixel; what is left out is made wider by so much."""
        assert seeing.solved is not None
        columns, rows = seeing.solver.size
        blocks = seeing.solved.left_out.astype(np.uint8)
        out = cv2.resize(blocks, (columns, rows), interpolation=cv2.INTER_NEAREST)
        by = int(wider * columns)
        if by:
            out = cv2.dilate(out, np.ones((2 * by + 1, 2 * by + 1), np.uint8))
        return np.asarray(out) == 0

    def _as_learned(self, codes: Codes, seen: Sighting) -> Any:
        """Where the picture is what these lamps make of the empty room, pixel by pixel.

        Finer than the solver's blocks: it may leave part of somebody in who fits by chance.
        """
        assert self.learned is not None
        lights = {
            name: At(
                amount=max(0.0, light.amount.value), cct=light.cct.value if light.cct else None
            )
            for name, light in seen.lights.items()
        }
        empty = preview(self.learned, lights)
        apart = cv2.absdiff(cv2.GaussianBlur(codes, (0, 0), 2), cv2.GaussianBlur(empty, (0, 0), 2))
        other = (apart.max(axis=2) > APART).astype(np.uint8)
        by = max(3, int(WIDER * codes.shape[1]))
        round_ = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * by + 1, 2 * by + 1))
        other = cv2.dilate(cv2.morphologyEx(other, cv2.MORPH_CLOSE, round_), round_)
        # and what is inside of what differs
        outer, _ = cv2.findContours(other, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        return cv2.drawContours(np.zeros_like(other), outer, -1, 1, -1) == 0

    def preview(self, body: AskBody) -> dict[str, Any]:
        """A look as it would be, beside the one that is looked at. Raises Cannot."""
        self.ready(self._stamps[0] if self._stamps else None)
        if self.learned is None:
            raise Cannot("no lamp was learned yet: `studiobridge witness learn`")
        lights = {
            name: At(level=at.get("level"), cct=at.get("cct")) for name, at in body.lights.items()
        }
        if not lights:
            presets = self.wanted(body.look)
            known = {share.device for share in self.learned.shares}
            lights = {
                name: At(level=p.level, cct=p.cct)
                for name, p in presets.items()
                if name in known and p.level is not None
            }
        if not lights:
            raise Cannot("of which lights? name a look of the set, or lights and their levels")
        dimmers = {n: d.dimmer for n, d in self.profile.devices.items() if d.dimmer is not None}
        try:
            codes = preview(self.learned, lights, dimmers)
        except ValueError as error:
            raise Cannot(str(error)) from None
        return {"picture": base64.b64encode(jpeg_of(codes)).decode()}

    def keep(self, look: str, last: _Last) -> str:
        """Keep this frame as the picture of a look, without who stands in it. Raises Cannot."""
        seeing, seen = self.seeing, last.sighting
        if seeing is None or seen is None or seeing.solved is None:
            raise Cannot(
                "nothing was learned yet, so nobody could be left out of the picture: `studiobridge"
                " witness learn`"
            )
        bars = [h for h in seen.hinders if h != "moved"]
        if bars:
            raise Cannot(f"not a picture to hold others against: {', '.join(bars)}")
        free = self._free(seeing, WIDER) & self._as_learned(last.codes, seen)
        left_out = 1.0 - float(free.mean())
        if left_out > MOST_LEFT_OUT:
            raise Cannot(
                f"{100 * left_out:.0f} % of it is covered: step out of the picture and keep it then"
            )
        kept = Kept(
            look=look,
            made=datetime.now().astimezone().isoformat(timespec="seconds"),
            codes=last.codes,
            counts=free,
            amounts={name: max(0.0, light.amount.value) for name, light in seen.lights.items()},
            ccts={n: light.cct.value for n, light in seen.lights.items() if light.cct is not None},
        )
        try:
            keeping.keep_picture(kept, self.folder)
        except keeping.CannotWrite as error:
            raise Cannot(str(error)) from None
        without = f"; {100 * left_out:.0f} % of it, where somebody may stand, is not in it"
        return (
            f"the picture of '{look}' is kept in {self.folder}{without if left_out > 0 else ''}."
            " Look at it: who is missed by this is in it. It stays until it is kept anew, or"
            " deleted there"
        )


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
        self._own_heard = False
        self._told = b""
        self._state: tuple[State, str] = ("waiting", "it has just begun")
        self._newest: _Last | None = None
        self._fast_until = 0.0
        self._due = 0.0
        self._wait = FIRST_WAIT
        self._failed = 0
        self._open = False
        self._frame_at = now()  # when the last one came, or frames began to be wanted
        self._away = False  # the broker is, and it was said

    # ---- what is heard -----------------------------------------------------------------------

    def _subscriptions(self) -> list[tuple[str, int]]:
        return [*super()._subscriptions(), (witness_ask_topic(self.set_name), 1)]

    def _came(self) -> None:
        super()._came()
        self._told, self._own_heard = b"", False
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
        try:
            said = json.loads(message.payload[:4096]) if message.payload else {}
        except (ValueError, RecursionError):
            said = {}
        said = said if isinstance(said, dict) else {}
        if said.get("run") == self.run_id and said.get("alive") is True:
            self._own_heard = True
        elif not message.retain and self._own_heard:
            if said.get("alive") is True and self._is_later(said):
                if self._code is None:
                    self._say(
                        f"{self.set_name}: another witness looks at this set now: this one ends"
                    )
                self._code = 0
                self._woken.set()
            else:
                # one that began before and is to hear of this one; the last will of one that was
                # here before; or nonsense
                self._told = b""
                self._tell()

    def _is_later(self, said: Mapping[str, Any]) -> bool:
        """Of two that hear each other one stays, always: the order is the same for both.

        When each was heard is no such order: one that stood still speaks before it hears.
        """
        began, run = said.get("began"), said.get("run")
        if (
            isinstance(began, bool)
            or not isinstance(began, int | float)
            or not isinstance(run, str)
        ):
            return True  # it does not know of this order, and will not end
        return (began, run) > (self._began, self.run_id)

    def _heard_ask(self, message: Message) -> None:
        if message.retain or len(message.payload) > LONGEST_ASK:
            return
        try:
            body = AskBody.model_validate_json(message.payload)
        except (ValidationError, ValueError, RecursionError):
            return
        late = body.until is not None and body.until < time.time() + (self.shown.clock or 0.0)
        if late or body.id in self._asked_ids:
            return
        self._asked_ids.append(body.id)
        topic = answered_at(message.response_topic, witness_answer_topic(self.set_name))
        asked = _Asked(body, topic, message.correlation)
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
                # what waits for a name that is away a broker writes to its disk, unless it is this
                qos=0,
                expiry=ANSWER_LIVES,
                correlation=asked.correlation,
            )
        )

    # ---- when it looks -----------------------------------------------------------------------

    @property
    def _counts_from(self) -> float | None:
        """From when on a frame says something of now, by the bridge (s since 1970)."""
        seen = (self.shown.state or {}).get("picture_seen")
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
                self._code = self._code or 0  # from here on nothing puts the goodbye right
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
        kind = (
            "" if isinstance(error, (Cannot, keeping.CannotRead)) else type(error).__name__ + ": "
        )
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
            raise FramesError(f"{self._frames.shown}: its newest picture is {age:.0f} s old{again}")
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
            # its age is that of when it is said
            age = round(max(0.0, now() - frame.taken), 3)
            sighting = replace(sighting, age=age)
        self._newest = _Last(frame, codes, sighting)
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
        try:
            if body.what == "preview":
                detail = await in_thread(self._eyes.preview, body)
            else:
                last = await self._now()
                if body.what == "keep":
                    text = await self._keep_picture(body, last)
                elif body.what == "still":
                    detail = await in_thread(self._eyes.drawn, last.codes, last.sighting)
                elif last.sighting is not None:
                    detail = {"sighting": asdict(last.sighting)}
                if body.what == "look" and last.sighting is None:
                    raise Cannot("no lamp was learned yet: `studiobridge witness learn`")
            code = 0
        except (Cannot, FramesError, keeping.CannotRead) as error:
            text = str(error)
        except Hangs:
            text, self._code = "the look did not end", 1
        except Exception as error:
            # it costs this question: whoever asks must not be able to end this process
            text = f"it failed: {type(error).__name__}"
            self._say(f"{self.set_name}: asked to {body.what}: {text}: {error}"[:300])
        self._answer(asked, code, text, detail)

    async def _now(self) -> _Last:
        """A frame of now: a new one, or where none comes at once, the last that is not old."""
        self._fast_until = now() + FAST_FOR
        try:
            sighting = await self._see()
        except (Cannot, Hangs, keeping.CannotRead):
            raise
        except Exception as error:
            if not isinstance(error, FramesError):
                self._fails(error)
                raise Cannot(f"the look failed: {type(error).__name__}") from error
            last = self._newest
            if last is None or now() - last.frame.taken > max(OLD, 3 * self.witness.every):
                raise
            return last
        if sighting is not None:
            self._publish(sighting)
            self._goes("looking", self._eyes.unkept)
        assert self._newest is not None
        return self._newest

    async def _keep_picture(self, body: AskBody, last: _Last) -> str:
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
            say(f"{profile.name}: looks at {serving._frames.shown} while the set is up")
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
        frame = await source.next(10.0)
        sighting: Sighting | None
        _, sighting = await in_thread(
            eyes.look, frame.codes, None, now() - frame.taken, profile.default_look
        )
        if sighting is None:
            return None
        age = max(0.0, now() - frame.taken)
        # nobody else reads this: our own clock is the bridge's here
        return replace(sighting, age=round(age, 3), taken=round(time.time() - age, 3))

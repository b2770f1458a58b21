"""Scenes of a rehearsal with a simulated camera: what its picture tells of the set."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import os
import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studiobridge.bridge.asking import NoWitness
from studiobridge.profile.model import SetProfile, Witness
from studiobridge.profile.said import Answer
from studiobridge.rehearsal.eye import CLIPS, READ, SHOT, Eye, curve
from studiobridge.shown import seen
from studiobridge.shown.words import clean
from studiobridge.witness import keeping, shipped
from studiobridge.witness.frames import open_frames
from studiobridge.witness.learned import Curve, Kept, Learned, Share
from studiobridge.witness.learning import places_of
from studiobridge.witness.lesson import ByHand, Lesson
from studiobridge.witness.pupils import pupils
from studiobridge.witness.session import CannotLearn, Session

if TYPE_CHECKING:
    from studiobridge.bridge.settings import Settings
    from studiobridge.cli.evening import Evening
    from studiobridge.rehearsal.live import LiveRoom

# A look so often (s) here: an evening has to be over in a minute.
EVERY = 0.4
FRAME = "frame.jpg"
# At home four levels of each lamp are seen; here two (%), for an evening has to be over soon.
QUICK = (100.0, 25.0)
# So long (s) a scene of the picture may take.
WITHIN = 40.0
# So long (s) light from nowhere, once it is sure, may take to show from where it comes.
A_SIDE = 4.0
# So far (px) somebody kicks the tripod.
KICKED = 14
# So far somebody opens the blind: daylight as a share of the face's light.
BLIND = 0.12
# The white (K) of a lamp that has one, where one has to be named.
NEUTRAL = 4300.0
Look = Mapping[str, Any]


def pictures_of(path: Path) -> Path:
    """The rendered pictures that come with a profile."""
    return path.with_name(f"{path.stem}.pictures")


def with_file(profile: SetProfile, path: Path, copy: Path) -> SetProfile:
    """The same set, its frames from the simulated camera's file, and so in its copy."""
    regions = shipped.regions(pictures_of(path))
    lines = [f"  frames: file {FRAME}", f"  every: {EVERY} s"]
    for name, r in regions.items():
        across, down = (
            f"{100 * r.left:.1f}..{100 * r.right:.1f} %",
            f"{100 * r.top:.1f}..{100 * r.bottom:.1f} %",
        )
        lines.append(f"  {name}: {{across: {across}, down: {down}}}")
    text = re.sub(r"(?m)^witness:.*\n(?:[ #].*\n)*", "", copy.read_text(encoding="utf-8"))
    copy.write_text(text.rstrip("\n") + "\nwitness:\n" + "\n".join(lines) + "\n", encoding="utf-8")
    camera = Witness("file", str(copy.with_name(FRAME)), EVERY, **regions)
    return replace(profile, witness=camera)


@contextlib.contextmanager
def camera(copy: Path, path: Path, room: LiveRoom) -> Iterator[Eye]:
    """The simulated camera: its picture is in a file beside the copy of the profile."""
    pictures = pictures_of(path)
    shares, dark = shipped.shares(pictures), shipped.dark(pictures)
    window = shipped.foreign(pictures).get("window")
    with Eye(room.room, shares, dark, copy.with_name(FRAME), window) as eye:
        yield eye


def learned_before(copy: Path, path: Path, profile: SetProfile, eye: Eye) -> None:
    """What a lesson would have learned, and a kept picture of the usual look: for who plays by hand
    and did not wait for them."""
    pictures = pictures_of(path)
    regions = shipped.regions(pictures)
    light, sure = curve()
    columns, rows = shipped.SIZE
    learned = Learned(
        set_name=profile.name,
        made=datetime.now().astimezone().isoformat(timespec="seconds"),
        curve=Curve(light, sure),
        dark=shipped.dark(pictures),
        shares=tuple(
            Share(name, white, light)
            for name, whites in shipped.shares(pictures).items()
            for white, light in whites.items()
        ),
        dimmers={},
        read=READ,
        shot=SHOT,
        clips=CLIPS,
        error=0.0,
        places=places_of(profile),
        camera={"picture": f"{columns} x {rows} px"},
        face=regions.get("face"),
        card=regions.get("card"),
        screen=regions.get("screen"),
    )
    folder = keeping.folder_of(copy)
    keeping.save(learned, folder)
    look = profile.default_look
    if look is None:
        return
    given = _given(profile, look, eye)
    codes, counts = eye.frame(given)
    kept = Kept(
        look=look,
        made=learned.made,
        codes=codes,
        counts=counts,
        amounts={name: amount for name, (amount, _) in given.items()},
        ccts={name: cct for name, (_, cct) in given.items()},
    )
    keeping.keep_picture(kept, folder)


def _given(profile: SetProfile, look: str, eye: Eye) -> dict[str, tuple[float, float]]:
    """What the lamps that the camera sees would give in a look: share of full light, white (K)."""
    return {
        name: (profile.devices[name].dimmer.output(preset.level), preset.cct or NEUTRAL)
        for name, preset in profile.looks[look].presets.items()
        if name in eye.lamps and preset.level is not None
    }


class Looker:
    """What looks at the picture, a process of its own, while this is entered; `ended` says how it
    ended where it did by itself, which `told` hears at once."""

    def __init__(
        self,
        command: Sequence[str],
        env: Mapping[str, str],
        told: Callable[[str], None] = lambda text: None,
    ) -> None:
        self.ended = ""
        self._command, self._env, self._told = command, env, told

    async def __aenter__(self) -> Looker:
        # a file: nobody reads its words while it goes on, and a pipe would be full one day
        self._words = tempfile.TemporaryFile()  # noqa: SIM115 - closed in `__aexit__`
        try:
            self._process = await asyncio.create_subprocess_exec(
                *self._command,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=self._words,
                env={**os.environ, **self._env},
            )
        except BaseException:
            self._words.close()
            raise
        self._watched = asyncio.create_task(self._watch())
        return self

    async def __aexit__(self, *error: object) -> None:
        # what it says when it is told to end is no news
        self._watched.cancel()
        with contextlib.suppress(ProcessLookupError):
            self._process.terminate()
        try:
            async with asyncio.timeout(10.0):
                await self._process.wait()
        except TimeoutError:
            self._process.kill()
            await self._process.wait()
        self._words.close()

    async def _watch(self) -> None:
        code = await self._process.wait()
        self._words.seek(0)
        lines = self._words.read().decode(errors="replace").split("\n")
        last = next((line for text in reversed(lines) if (line := clean(text, 500).strip())), "")
        if not last:
            last = f"signal {-code}" if code < 0 else f"exit code {code}"
        self.ended = f"what looks at the picture has ended: {last}"
        self._told(self.ended)


def serving(
    copy: Path,
    profile: SetProfile,
    settings: Settings,
    told: Callable[[str], None] = lambda text: None,
) -> Looker:
    """The real witness, in a process of its own, that looks at that picture."""
    env = {
        "STUDIOBRIDGE_BROKER": f"mqtt://{settings.broker.host}:{settings.broker.port}",
        "STUDIOBRIDGE_DATA": str(settings.data),
        "STUDIOBRIDGE_SET": profile.name,
        "OPENBLAS_NUM_THREADS": "1",
        # its last words are one line, however wide somebody's terminal is
        "COLUMNS": "",
    }
    start = "from studiobridge.cli import main; main()"
    return Looker([sys.executable, "-c", start, "witness", "serve", str(copy)], env, told)


class Pictured:
    """What a camera that stands still tells, scene by scene."""

    def __init__(self, evening: Evening, eye: Eye) -> None:
        self.evening, self.eye = evening, eye
        self.why = ""
        self.looker: Looker | None = None

    def _need_looker(self) -> None:
        """One that has ended answers nothing any more: no use to wait for it."""
        if self.looker is not None:
            self.evening.need(not self.looker.ended, self.looker.ended)

    async def asked(self, what: str, look: str | None) -> Answer:
        """Ask the witness, again where it was busy: this machine plays the whole studio."""
        end = time.monotonic() + WITHIN
        while True:
            try:
                answer = await self.evening.asker.ask_witness(what, look=look)
            except NoWitness as error:
                self._need_looker()
                self.evening.need(time.monotonic() < end, str(error))
                await asyncio.sleep(EVERY)
                continue
            self.evening.need(answer.code == 0, f"{what}: {answer.text}")
            return answer

    async def look(self) -> dict[str, Any]:
        try:
            answer = await self.evening.asker.ask_witness("look")
        except NoWitness as error:  # what reads the frames has only begun
            self.why = str(error)
            return {}
        self.why = answer.text
        found = answer.detail.get("sighting")
        return dict(found) if isinstance(found, Mapping) else {}

    async def until(self, what: str, test: Callable[[Look], bool]) -> dict[str, Any]:
        """Look again and again until it is seen."""
        end = time.monotonic() + WITHIN
        while True:
            found = await self.look()
            if test(found):
                return found
            self._need_looker()
            self.evening.need(
                time.monotonic() < end, f"{what}: not seen within {WITHIN:.0f} s {self.why}".strip()
            )
            await asyncio.sleep(EVERY)

    async def play(self, looking: contextlib.AsyncExitStack) -> None:
        """The lesson and what is seen; the witness looks on until `looking` is closed."""
        await self._learn()
        evening = self.evening
        self.looker = await looking.enter_async_context(
            serving(evening.runner.path, evening.profile, evening.runner.settings)
        )
        await self._looked_at()

    async def _learn(self) -> None:
        """`witness learn`: each lamp alone, by the bridge's tries; dials by a simulated hand."""
        evening = self.evening
        profile, room = evening.profile, evening.room
        evening.scene("The camera learns the lamps: the room goes dark, each is seen alone.")
        assert profile.witness is not None
        dials = [p.device.name for p in pupils(profile, {})[0] if p.by_hand]
        told = ""

        async def hand(wish: ByHand) -> bool:
            for name in [wish.device] if wish.device else dials:
                room.touch(name, level=wish.level)
            return True

        def said(lesson: Lesson) -> None:
            nonlocal told
            done, of, doing = lesson.progress
            if doing.split(",")[0] != told:
                told = doing.split(",")[0]
                evening.say(f"{done} of {of}: {told}")

        made = datetime.now().astimezone().isoformat(timespec="seconds")
        async with open_frames(
            profile.witness, evening.runner.settings, evening.runner.path.parent
        ) as frames:
            session = Session(profile, evening.asker, frames, hand, said, QUICK)
            try:
                done = await session.learn(made)
            except CannotLearn as error:
                evening.need(False, f"the lamps were not learned: {error}")
                raise
        keeping.save(done.learned, keeping.folder_of(evening.runner.path))
        evening.say(
            f"learned: {', '.join(sorted({s.device for s in done.learned.shares}))};"
            f" all together are within {done.learned.error:.2f} stop of the sum of each alone"
        )
        for name, why in done.left_out.items():
            evening.say(f"not learned: {name}: {why}")
        for note in done.notes:
            evening.say(note)
        presets = profile.looks[evening.look].presets if evening.look is not None else {}
        if dials:
            evening.say(f"a hand turns them: {', '.join(dials)}")
        for name in dials:
            level = presets[name].level if name in presets else None
            room.touch(name, level=level or 0.0)
        if evening.state() != "ready":
            await evening.ask("restore")
        if dials and evening.state() != "ready":
            await evening.ask("set_by_hand")
        await evening.until(
            f"the set as it was ({(evening.asker.shown.state or {}).get('why')})",
            lambda: evening.state() == "ready",
            WITHIN,
        )
        evening.say("the look is back as it was")

    async def _looked_at(self) -> None:
        evening = self.evening
        evening.scene("The camera looks. It stands still, and knows each lamp's own light.")
        found = await self.until(
            "the lamps", lambda f: bool(f.get("lights")) and not f.get("hinders")
        )
        for line in seen.lights(found):
            evening.say(line)
        await self.asked("keep", evening.look)
        evening.say(f"the picture of '{evening.look}' is kept, with nobody in it")
        await self.until("the kept picture", lambda f: f.get("kept") == evening.look)
        await self._a_dial()
        await self._kicked()
        await self._daylight()
        await self._preview()

    def _dial(self) -> tuple[str, float] | None:
        """A lamp on a dial that is enough of the picture to be told by it."""
        profile, look = self.evening.profile, self.evening.look
        presets = profile.looks[look].presets if look is not None else {}
        given = self.eye.given()
        for name, preset in presets.items():
            if profile.devices[name].hand_set and preset.level and name in given:
                return name, preset.level
        return None

    async def _a_dial(self) -> None:
        found = self._dial()
        if found is None:
            return
        name, wanted = found
        evening = self.evening
        evening.scene(f"Somebody turns the dial of {name}. The picture shows it.")
        level = min(100.0, wanted * 1.6)
        evening.room.touch(name, level=level)

        def moved(f: Look) -> bool:
            return (f.get("lights") or {}).get(name, {}).get("moved") is True

        there = await self.until(f"{name} moved", moved)
        evening.say(seen.light(name, there["lights"][name]))
        evening.say("a hand turns it back, and goes by what the picture says:")
        end = time.monotonic() + WITHIN
        last = ""
        while True:
            evening.need(time.monotonic() < end, f"the hand on {name} was not guided to its mark")
            stops = seen.band((await self.look()).get("lights", {}).get(name, {}).get("stops"))
            if stops is None:
                await asyncio.sleep(EVERY)
                continue
            at_it = stops.low <= 0.0 <= stops.high and abs(stops.value) < 0.12
            word = "there" if at_it else "a little less" if stops.value > 0 else "a little more"
            if word != last or not at_it:
                how = seen.stops_against(stops)
                if not at_it and stops.low <= 0.0 <= stops.high:
                    way = "more" if stops.value > 0 else "less"
                    how = f"most likely {abs(stops.value):.1f} stop {way}, and perhaps none"
                evening.say(f"{name}: {word} ({how})")
                last = word
            if at_it:
                break
            level = min(100.0, max(1.0, level * 2.0 ** (-0.5 * stops.value)))
            evening.room.touch(name, level=level)
            await asyncio.sleep(2 * EVERY)
        evening.say(f"in the room {name} is at {level:.0f} %, asked for {wanted:g} %")
        evening.room.touch(name, level=wanted)

    async def _kicked(self) -> None:
        evening = self.evening
        evening.scene("Somebody kicks the tripod.")

        def moved(f: Look) -> bool:
            return (f.get("framing") or {}).get("moved") is True

        self.eye.mishap.kicked = KICKED
        there = await self.until("the camera moved", moved)
        evening.say(seen.framing(there))
        self.eye.mishap.kicked = 0
        there = await self.until("the camera back", lambda f: not moved(f) and not f.get("hinders"))
        evening.say(seen.framing(there) or "it is back where it was")

    async def _daylight(self) -> None:
        """A window's blind: light that no lamp of the set gives, and that was never learned."""
        if not self.eye.has_window:
            return
        evening = self.evening
        evening.scene(
            "Somebody opens the blind of the window. No lamp of the set gives that light."
        )

        def surely(f: Look) -> bool:
            return not f.get("hinders") and seen.surely_stray(f)

        self.eye.mishap.blind = BLIND
        there = await self.until("light from nowhere", surely)
        end = time.monotonic() + A_SIDE
        while not seen.stray_has_place(there) and time.monotonic() < end:
            await asyncio.sleep(EVERY)
            later = await self.look()
            there = later if surely(later) else there
        evening.say(seen.stray(there))
        evening.say(f"in the room the window gives the face {100 * BLIND:.0f} % of its light")
        evening.say("somebody closes it again:")
        self.eye.mishap.blind = 0.0
        await self.until(
            "no light from nowhere",
            lambda f: bool(f.get("lights")) and not f.get("hinders") and not seen.stray(f),
        )
        evening.say("the light from nowhere is gone")

    async def _preview(self) -> None:
        evening = self.evening
        others = [name for name in evening.profile.looks if name != evening.look]
        look = others[0] if others else evening.look
        evening.scene(f"The look '{look}' seen before it is set.")
        answer = await self.asked("preview", look)
        text = answer.detail.get("picture")
        given = _given(evening.profile, look or "", self.eye)
        jpeg = base64.b64decode(text) if isinstance(text, str) else b""
        apart = self.eye.apart(jpeg, given)
        evening.need(apart is not None, "it could not be seen before: no picture came")
        evening.say(
            "the sum of the lamps' own pictures, through the camera's curve; no lamp was touched:"
            f" {apart:.1f} of 255 from what the camera makes of these levels"
        )

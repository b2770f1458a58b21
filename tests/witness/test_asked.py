"""What is asked of the witness by who may ask, and by who means harm: it costs that question."""

from __future__ import annotations

import asyncio
import json
import math
import resource
import time
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from studiobridge.bridge.ownership import Alive, Beat
from studiobridge.bridge.settings import Settings
from studiobridge.profile import read_profile
from studiobridge.profile.model import SetProfile, Witness
from studiobridge.speech.message import Message
from studiobridge.witness import keeping, serving
from studiobridge.witness.frames import Frame, FramesError, now, open_frames
from studiobridge.witness.serving import LOOKS_FAIL, Serving
from tests.witness.little_room import LittleRoom
from tests.witness.test_serving import SET, WITNESS

TOPIC = "studiobridge/corner"
ANSWERS = f"{TOPIC}/witness/answer"


class Link:
    """Stands for the way to the broker: keeps what was published, or hands it on."""

    connected = True

    def __init__(self) -> None:
        self.sent: list[Message] = []

    def publish(self, message: Message) -> bool:
        if "#" in message.topic or "+" in message.topic:
            raise ValueError("Publish topic cannot contain wildcards.")  # as paho has it
        self.sent.append(message)
        return True


class Camera:
    """A new picture of the room each time, at once."""

    shown = "a camera"

    def __init__(self, room: LittleRoom) -> None:
        self.room = room

    async def next(self, within: float = 5.0, after: float | None = None) -> Frame:
        codes = self.room.frame(self.room.light(dict.fromkeys(self.room.shares, 0.5)))
        return Frame(codes, now(), codes.shape[1::-1])

    async def close(self) -> None: ...


class One:
    """A witness with a bridge that runs, without a broker."""

    def __init__(self, path: Path, room: LittleRoom) -> None:
        self.said: list[str] = []
        self.stopped = asyncio.Event()
        profile = read_profile(path).profile
        self.of = Serving(profile, path, Settings(), self.said.append, self.stopped)
        self.link = self.of.link = Link()  # type: ignore[assignment]
        self.of._frames = Camera(room)  # type: ignore[assignment]
        self.of._came()
        self.hear("alive", Alive(True, "b").payload())
        self.beats = 0
        self.beat()
        self.hear("state", {"bridge": "b", "epoch": 1, "state": "ready", "look": "lesson"})

    def hear(self, topic: str, said: object, **more: Any) -> None:
        payload = said if isinstance(said, bytes) else json.dumps(said).encode()
        self.of._message(Message(f"{TOPIC}/{topic}", payload, **more))

    def beat(self) -> None:
        self.beats += 1
        self.hear("beat", Beat("b", 1, self.beats, time.time(), 60.0).payload())

    def ask(self, id_: str, what: str = "preview", back: str | None = None, **more: Any) -> None:
        self.hear("witness/ask", {"id": id_, "what": what, **more}, response_topic=back)

    def answers(self) -> dict[str, Any]:
        found = [json.loads(m.payload) for m in self.link.sent if m.topic.startswith(ANSWERS)]
        return {said["id"]: said for said in found}

    def seen(self) -> int:
        return sum(m.topic.endswith("/seen") for m in self.link.sent)

    async def until(self, so: Callable[[], bool]) -> None:
        async with asyncio.timeout(10):
            while not so():
                await asyncio.sleep(0.01)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, LittleRoom]]:
    folder = tmp_path_factory.mktemp("asked")
    path = folder / "corner.yaml"
    path.write_text(SET + WITNESS.replace("500 ms", "250 ms"), encoding="utf-8")
    room = LittleRoom()
    keeping.save(room.learned, keeping.folder_of(path))
    yield path, room


def play(place: tuple[Path, LittleRoom], story: Callable[[One], Awaitable[None]]) -> One:
    async def evening() -> One:
        one = One(*place)
        task = asyncio.create_task(one.of.serve())

        async def beating() -> None:
            while True:
                await asyncio.sleep(0.5)
                one.beat()

        beats = asyncio.create_task(beating())
        try:
            await story(one)
            assert not task.done() or task.result() == 0
        finally:
            beats.cancel()
            one.stopped.set()
            await task
        return one

    return asyncio.run(evening())


LIGHTS = {"key": {"level": 50.0}}


def test_an_answer_goes_nowhere_but_to_answers_and_stays_nowhere(
    place: tuple[Path, LittleRoom],
) -> None:
    routes = {
        "all": f"{ANSWERS}/#",
        "any": f"{ANSWERS}/+",
        "long": f"{ANSWERS}/{'x' * 60_000}",
        "other set": "studiobridge/other/witness/answer",
        "as a request": f"{TOPIC}/ask",
        "mine": f"{ANSWERS}/mine",
    }

    async def story(one: One) -> None:
        for name, back in routes.items():
            one.ask(name, back=back, lights=LIGHTS)
            await one.until(lambda name=name: name in one.answers())
        one.ask("still", "still")
        await one.until(lambda: "still" in one.answers())

    one = play(place, story)
    answers = [m for m in one.link.sent if m.topic.startswith(ANSWERS)]
    assert [m.topic for m in answers] == [*[ANSWERS] * 5, f"{ANSWERS}/mine", ANSWERS]
    # a broker writes to its disk what waits for a name that is away, unless it is QoS 0
    assert {(m.qos, m.retain) for m in answers} == {(0, False)}
    assert one.answers()["still"]["detail"]["picture"]


def test_questions_that_fail_cost_themselves_and_no_look(place: tuple[Path, LittleRoom]) -> None:
    async def story(one: One) -> None:
        for n in range(LOOKS_FAIL + 2):
            one.ask(f"n{n}", look="a\0b")
            await one.until(lambda n=n: f"n{n}" in one.answers())
        before = one.seen()
        await one.until(lambda: one.seen() > before + 1)

    one = play(place, story)
    assert {said["code"] for said in one.answers().values()} == {1}


def test_looks_go_on_under_a_flood_of_questions(place: tuple[Path, LittleRoom]) -> None:
    async def story(one: One) -> None:
        async def flood() -> None:
            n = 0
            while True:
                one.ask(f"f{n}", lights=LIGHTS)
                n += 1
                await asyncio.sleep(0.001)

        flooding = asyncio.create_task(flood())
        await asyncio.sleep(0.3)
        before = one.seen()
        await one.until(lambda: one.seen() > before + 1)
        assert any(said["code"] == 0 for said in one.answers().values())
        flooding.cancel()

    play(place, story)


class Slow(Camera):
    """A camera whose first picture takes its time."""

    def __init__(self, room: LittleRoom, takes: float) -> None:
        super().__init__(room)
        self.from_ = now() + takes

    async def next(self, within: float = 5.0, after: float | None = None) -> Frame:
        await asyncio.sleep(max(0.0, min(within, self.from_ - now())))
        if now() < self.from_:
            raise FramesError("it takes its time")
        return await super().next(within, after)


def test_a_slow_camera_is_waited_for_as_long_as_who_asks_waits(
    place: tuple[Path, LittleRoom], monkeypatch: pytest.MonkeyPatch
) -> None:
    """And holds up nobody who asks for what is only reckoned."""
    monkeypatch.setattr(serving, "FRAME_WITHIN", 0.15)

    async def story(one: One) -> None:
        one.of._frames = Slow(place[1], 1.6)  # type: ignore[assignment]
        one.ask("look", "look", until=time.time() + 5)
        one.ask("short", "look", until=time.time() + 1.2)
        await asyncio.sleep(0.05)
        one.ask("preview", lights=LIGHTS)
        await one.until(lambda: "preview" in one.answers())
        assert "look" not in one.answers()
        await one.until(lambda: "look" in one.answers())

    one = play(place, story)
    assert one.answers()["look"]["detail"]["sighting"]["lights"]
    # who waits no longer than that is told why, and in time
    assert (one.answers()["short"]["code"], one.answers()["short"]["text"]) == (
        1,
        "it takes its time",
    )
    (said,) = [m for m in one.link.sent if b'"id": "look"' in m.payload]
    assert said.expiry is not None
    assert 3 < said.expiry < 5


def test_what_nobody_waits_for_any_more_is_left_undone(
    place: tuple[Path, LittleRoom],
) -> None:
    """Whoever asked was told that nobody answers: a picture kept after that is nobody's wish."""
    path, room = place

    async def story(one: One) -> None:
        one.of._frames = Slow(room, 0.6)  # type: ignore[assignment]
        one.ask("keep", "keep", look="lesson", until=time.time() + 0.3)
        one.ask("look", "look", until=time.time() + 5)
        await one.until(lambda: "look" in one.answers())

    one = play(place, story)
    assert set(one.answers()) == {"look"}
    assert not list(keeping.folder_of(path).glob("*lesson*"))


def test_a_kept_picture_of_no_use_is_said_and_costs_no_look(
    place: tuple[Path, LittleRoom],
) -> None:
    path, room = place
    folder = keeping.folder_of(path)
    codes = room.frame(room.light(dict.fromkeys(room.shares, 0.5)))
    from studiobridge.witness.learned import Kept

    whole = Kept("lesson", "2026-01-05T10:00:00+00:00", codes, codes[..., 0] >= 0, {}, {})
    small = replace(whole, codes=codes[:64, :96].copy(), counts=whole.counts[:64, :96].copy())

    def why(one: One) -> str:
        alive = [m for m in one.link.sent if m.topic.endswith("witness/alive")]
        return str(json.loads(alive[-1].payload)["why"])

    async def story(one: One) -> None:
        for kept, damage, more in ((small, False, LOOKS_FAIL), (whole, True, 0)):
            keeping.keep_picture(kept, folder)
            if damage:
                for png in folder.glob("*.png"):
                    png.write_bytes(b"x")
            await one.until(lambda damage=damage: ("damaged" if damage else "size") in why(one))
            before = one.seen()
            await one.until(lambda before=before, more=more: one.seen() > before + more)
        # where it is good again nothing is said of it
        keeping.keep_picture(whole, folder)
        await one.until(lambda: why(one) == "")

    try:
        play(place, story)
    finally:
        for path in [*folder.glob("kept-lesson.json"), *folder.glob("lesson-*.png")]:
            path.unlink()


def test_a_preview_of_another_look_changes_nothing_for_the_looks(
    place: tuple[Path, LittleRoom],
) -> None:
    async def story(one: One) -> None:
        await one.until(lambda: one.seen() > 0)
        seeing = one.of._eyes.seeing
        assert seeing is not None
        held: list[object] = []
        seeing.hold_against = held.append  # type: ignore[method-assign, assignment]
        for n in range(3):
            one.ask(f"p{n}", look="evening", lights=LIGHTS)
            await one.until(lambda n=n: f"p{n}" in one.answers())
        await asyncio.sleep(0.3)
        assert held == []

    play(place, story)


@pytest.mark.parametrize("stopped", [True, False])
def test_of_two_that_hear_each_other_one_stays_always(
    place: tuple[Path, LittleRoom], stopped: bool
) -> None:
    """Whatever crosses on the way: also where the one of before speaks again before it hears."""

    async def evening() -> None:
        old = One(*place)
        await asyncio.sleep(0.005)
        new = One(*place)
        both, heard = (old, new), {old: 0, new: 0}

        def carry(to: One) -> None:
            """All that the broker has for this one."""
            while heard[to] < len(said):
                message = said[heard[to]]
                heard[to] += 1
                to.of._message(replace(message, retain=False))

        said: list[Message] = []

        def spoken() -> None:
            for one in both:
                said.extend(m for m in one.link.sent if m.topic.endswith("witness/alive"))
                one.link.sent.clear()

        spoken()
        if stopped:
            # the old one stood still: what it says first comes to the new one before it hears
            carry(new)
            old.of._goes("waiting", "no bridge is heard")
            spoken()
            carry(new)
        for _ in range(4):
            carry(old)
            spoken()
            carry(new)
            spoken()
        assert (old.of._code, new.of._code) == (0, None)
        assert sum("another witness" in line for line in old.said) == 1

    asyncio.run(evening())


def test_a_set_that_fails_for_good_ends_the_process_with_all_its_sets(
    place: tuple[Path, LittleRoom], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a service would never start it anew, and nobody looked at that set."""
    path, _ = place
    profile = read_profile(path).profile

    class Played:
        looks_at = "a file"

        def __init__(self, profile: SetProfile, *more: Any) -> None:
            self.code, self.stopped = int(profile.name[-1]), more[-1]

        async def __aenter__(self) -> Played:
            return self

        async def __aexit__(self, *_: object) -> None: ...

        async def serve(self) -> int:
            if self.code == 0:
                await self.stopped.wait()
            return self.code

    monkeypatch.setattr(serving, "Serving", Played)
    sets: Sequence[tuple[Path, SetProfile]] = [
        (path, replace(profile, name=n)) for n in ("a0", "a1")
    ]

    async def evening() -> int:
        async with asyncio.timeout(3):
            return await serving.serve(sets, Settings(), asyncio.Event(), lambda text: None)

    assert asyncio.run(evening()) == 1


def test_no_core_with_a_picture_in_it(tmp_path: Path) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_CORE)
    try:
        resource.setrlimit(resource.RLIMIT_CORE, (hard, hard))
        open_frames(Witness("file", "now.jpg"), Settings(), tmp_path)
        assert resource.getrlimit(resource.RLIMIT_CORE)[0] == 0
    finally:
        resource.setrlimit(resource.RLIMIT_CORE, (soft, hard))


@pytest.mark.parametrize("state", ["rising", "lowering"])
def test_while_the_set_comes_up_or_goes_down_no_frame_counts(
    place: tuple[Path, LittleRoom], state: str
) -> None:
    async def heard() -> None:
        one = One(*place)
        seen = {"counts_from": 5.0}
        one.hear("state", {"bridge": "b", "epoch": 1, "state": "ready", "picture_seen": seen})
        assert one.of._counts_from == 5.0
        one.hear("state", {"bridge": "b", "epoch": 1, "state": state, "picture_seen": seen})
        assert one.of._counts_from == math.inf

    asyncio.run(heard())

"""A whole evening with simulated gear, told as it happens, and checked scene by scene.

The real bridge runs in this process over a real (embedded) broker; only the gear is simulated.
Nothing outside a temporary folder is touched, and nothing is left running.
"""

from __future__ import annotations

import asyncio
import contextlib
import shlex
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from studiobridge.bridge.asking import Asker, NoBridge, NoBroker
from studiobridge.bridge.daemon import SetRunner
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.settings import BrokerSettings, PanelSettings, Settings
from studiobridge.bridge.tables import record_place
from studiobridge.cli import scenes, show
from studiobridge.cli.follow import follow
from studiobridge.profile.model import Device, Preset, SetProfile
from studiobridge.profile.said import Answer
from studiobridge.rehearsal.embedded import EmbeddedBroker
from studiobridge.rehearsal.guest import NAME as GUEST
from studiobridge.rehearsal.guest import TITLE as GUEST_TITLE
from studiobridge.rehearsal.guest import with_guest
from studiobridge.rehearsal.hands import Hands
from studiobridge.rehearsal.live import LiveRoom
from studiobridge.shown import drift_words, proof_words, takes, words
from studiobridge.shown.counted import counted
from studiobridge.shown.hand import guide
from studiobridge.shown.seen_take import stood_lines

if TYPE_CHECKING:
    from studiobridge.rehearsal.eye import Eye

# How long (s) a scene may take before it has failed, whatever the pace.
SCENE_WITHIN = 120.0
# Gear that was told nothing for so long (s) has done what it was told.
AT_REST = 0.6
# A lamp's ten minutes are so long (s) here, before the pace: an evening has to be over in a minute.
LONGEST_WARM_UP = 36.0


class SceneFailed(Exception):
    """A scene did not end as it should; the text says which and how."""


def paced(profile: SetProfile, pace: float) -> SetProfile:
    """The same set with every wait of its gear shortened by `pace`, for bridge and gear alike."""

    def quick(device: Device) -> Device:
        told = device.quiet
        return replace(
            device,
            boots_in=device.boots_in / pace,
            fade=device.fade / pace,
            cools_in=device.cools_in / pace,
            idle_for=device.idle_for / pace,
            shuts_in=device.shuts_in / pace,
            closes_in=device.closes_in / pace,
            tolerance=replace(device.tolerance, settle=device.tolerance.settle / pace),
            quiet=None if told is None else replace(told, rests=told.rests / pace),
        )

    devices = {name: quick(device) for name, device in profile.devices.items()}
    patience = replace(profile.patience, listen=min(1.5, profile.patience.listen))
    return replace(
        profile,
        devices=MappingProxyType(devices),
        patience=patience,
        warm_up=min(profile.warm_up, LONGEST_WARM_UP) / pace,
        call_times=(),
        left_on=None,
    )


def a_light(profile: SetProfile, look: str | None) -> tuple[str, Preset] | None:
    """A light that can be touched and put back; if there is one, that does not do so by itself."""
    presets = profile.looks[look].presets if look is not None else {}
    for wanted in (0, None):
        for name, preset in presets.items():
            device = profile.devices[name]
            fits = wanted is None or device.restores == wanted
            if preset.level is not None and "level" in device.tells & device.hears and fits:
                return name, preset
    return None


def a_dial(profile: SetProfile, look: str | None) -> tuple[str, float] | None:
    """A light on a dial that its plug's watts prove, and its level in the look."""
    presets = profile.looks[look].presets if look is not None else {}
    for name, preset in presets.items():
        device = profile.devices[name]
        if device.hand_set and device.proof == "watts" and preset.level:
            return name, preset.level
    return None


class Evening:
    """The scenes of an evening."""

    def __init__(
        self,
        profile: SetProfile,
        look: str | None,
        room: LiveRoom,
        runner: SetRunner,
        asker: Asker,
        eye: Eye | None = None,
    ) -> None:
        self.profile = profile
        self.look = look or profile.default_look
        self.room = room
        self.runner = runner
        self.asker = asker
        self.eye = eye
        self.began = time.monotonic()
        self.scene_began = self.began

    def say(self, text: str) -> None:
        show.out(f"{time.monotonic() - self.scene_began:6.1f} s  {words.clean(text, 1000)}")

    def scene(self, title: str) -> None:
        # the steps of a run are timed from its start: one clock a scene, or times would jump
        self.scene_began = time.monotonic()
        show.out()
        show.out(title)

    def need(self, good: bool, what: str) -> None:
        if not good:
            raise SceneFailed(what)

    async def until(self, what: str, test: Callable[[], bool], within: float = 30.0) -> None:
        """Wait for something to be so; fail the scene when it does not come."""
        end = time.monotonic() + within
        while not test():
            if time.monotonic() > end:
                raise SceneFailed(f"{what}: not within {within:.0f} s")
            await self.asker.changed(0.1)

    async def ask(self, what: str, drawn: bool = False, **more: Any) -> Answer:
        """Ask through the channel like anybody else, and follow it to its end."""
        loop = asyncio.get_running_loop()
        final: asyncio.Future[Answer] = loop.create_future()

        async def listen() -> None:
            try:
                async for answer in self.asker.ask(what, **more):
                    if answer.final and not final.done():
                        final.set_result(answer)
            except (NoBridge, NoBroker) as error:
                if not final.done():
                    final.set_exception(error)

        task = asyncio.create_task(listen())
        async with asyncio.timeout(SCENE_WITHIN):
            if drawn:
                before = (self.asker.shown.latest_run or {}).get("run")

                def latest() -> tuple[Any, Any]:
                    fresh = self.asker.shown.latest_run
                    if fresh is not None and fresh.get("run") == before:
                        fresh = None
                    return self.asker.shown.state, fresh

                await follow(latest, self.asker.changed, final)
            answer = await final
            await task
        return answer

    def state(self) -> str:
        return str((self.asker.shown.state or {}).get("state"))

    async def of_the_take(self, number: int) -> list[str]:
        """What the record has of a take: its length, and each change of light with its second."""
        end = time.monotonic() + 5.0
        while True:
            with closing(Reader(record_place(self.runner.settings, self.profile.name))) as reader:
                found = reader.takes(number, number)
            # its end is shown a moment before it is written
            if (found and found[0].ended is not None) or time.monotonic() > end:
                break
            await asyncio.sleep(0.05)
        self.need(len(found) == 1, f"take {number} is not in the record")
        changes = takes.changes(found[0])
        return [
            f"take {number} is {takes.length(found[0].seconds)} long",
            *(f"as it began, {name}: {text}" for name, text in stood_lines(found[0].picture)),
            *(f"in it, at {second}: {text}" for second, text in changes),
        ]

    # ---- the scenes -----------------------------------------------------------------------------

    async def up(self) -> None:
        self.scene("You walk in and touch the switch.")
        answer = await self.ask("up", drawn=True, look=self.look)
        off = self.dials_off()
        if answer.code != 0 and off:
            self.say(answer.text)
            self.say(f"a hand turns what it is told: {words.listed(list(off))}")
            for name, level in off.items():
                self.room.touch(name, level=level)
        else:
            self.need(answer.code == 0, f"the set did not come up: {answer.text}")
            self.say(answer.text)
        await self.until("ready", lambda: self.state() == "ready")
        # of what is only told the answer has spoken
        for text in proof_words.silent(self.asker.shown.state or {}):
            self.say(text)
        for name, preset in self.profile.looks[self.look or ""].presets.items():
            if self.profile.devices[name].slots is not None and preset.level is not None:
                lamp, level = self.room.room.devices[name], preset.level
                at = partial(lambda lamp, level: abs(lamp.level - level) < 0.5, lamp, level)
                await self.until(f"{name} at {level:g} %", at, 5.0)
                self.say(
                    f"checked in the room, for nothing else can tell: {name} is at {level:g} %"
                )
        dials = words.hand_set((self.asker.shown.state or {}).get("hand_set"))
        for text in dials:
            self.say(f"to be set by hand: {text}")
        if dials:
            answer = await self.ask("set_by_hand")
            self.need(answer.code == 0, f"the dials were not noted: {answer.text}")
            self.say(answer.text)

    def dials_off(self) -> dict[str, float]:
        """Lights on dials that do not stand at their level: they came back with their mains so."""
        presets = self.profile.looks[self.look].presets if self.look is not None else {}
        return {
            name: preset.level
            for name, preset in presets.items()
            if self.profile.devices[name].hand_set
            and preset.level is not None
            and abs(self.room.room.devices[name].level - preset.level) > 0.5
        }

    async def touched(self) -> None:
        found = a_light(self.profile, self.look)
        if found is None:
            self.scene("No light of this set can be touched and put back: that scene is left out.")
            return
        name, preset = found
        self.scene(f"Somebody brushes past {name} and turns it up.")
        assert preset.level is not None
        level = preset.level * 1.4 if preset.level * 1.4 <= 100.0 else preset.level * 0.6
        # a light that stood right is "ready" before the word to stay so has reached it, and a
        # broker may take its time with that word: no hand is as fast
        latest = time.monotonic() + 5 * AT_REST
        while time.monotonic() < min(latest, self.room.told_at + AT_REST):
            await asyncio.sleep(0.05)
        self.room.touch(name, level=level)
        await self.until(
            f"the drift of {name}",
            lambda: any(e["device"] == name for e in self.asker.shown.drift),
        )
        picture = (self.asker.shown.state or {}).get("picture")
        for line in drift_words.drift_lines(self.asker.shown.drift, picture):
            self.say(line)
        answer = await self.ask("restore")
        self.need(answer.code == 0, f"it was not put back: {answer.text}")
        await self.until("ready again", lambda: self.state() == "ready")
        await self.until("the drift to close", lambda: not self.asker.shown.drift, 5.0)
        lamp, wanted = self.room.room.devices[name], preset.level
        await self.until(f"{name} at {wanted:g} %", lambda: abs(lamp.level - wanted) < 1.0, 5.0)
        self.say(f"{answer.text}; {name} stands at {lamp.level:.1f} % again")

    async def a_dial_is_turned(self) -> None:
        """Nobody's command turns it, and it says nothing itself: its plug's meter shows it."""
        found = a_dial(self.profile, self.look)
        if found is None:
            return
        name, wanted = found
        self.scene(f"Somebody turns the dial of {name}, which cannot say so.")
        level = wanted * 2.0 if wanted * 2.0 <= 100.0 else wanted / 2.0
        self.room.touch(name, level=level)
        await self.until(
            f"the drift of {name}",
            lambda: any(e["device"] == name for e in self.asker.shown.drift),
        )
        for line in drift_words.drift_lines(self.asker.shown.drift, None):
            self.say(line)
        self.say("a hand turns it back, and goes by what it is told:")
        end = time.monotonic() + SCENE_WITHIN
        last = ""
        while True:
            self.need(time.monotonic() < end, f"the hand on {name} was not guided to its mark")
            said = guide(name, self.asker.shown.devices.get(name, {}).get("dial"))
            if said is not None and said.text != last:
                last = said.text
                self.say(last)
                if said.there:
                    break
                if said.way:
                    # a hand turns far when it is told much, and a touch when it is told a little
                    off = abs((said.now or 0.0) - (said.mark or 0.0)) * 100.0
                    level += (0.7 * off if off > 4.0 else 1.0) * (1 if said.way == "more" else -1)
                    level = min(100.0, max(0.0, level))
                    self.room.touch(name, level=level)
            await self.asker.changed(0.2)
        answer = await self.ask("set_by_hand", targets=[name])
        self.need(answer.code == 0, f"the dial was not noted: {answer.text}")
        await self.until("the drift to close", lambda: not self.asker.shown.drift, 10.0)
        await self.until("ready again", lambda: self.state() == "ready", 10.0)
        self.say(
            f"nothing has drifted; in the room {name} is at {level:.0f} %, asked for {wanted:g} %"
        )

    async def another_look(self) -> None:
        others = [name for name in self.profile.looks if name != self.look]
        if not others:
            self.scene("This set has one look: changing it is left out.")
            return
        self.scene(f"Now the look '{others[0]}'.")
        answer = await self.ask("up", look=others[0])
        self.need(answer.code == 0, f"the look did not change: {answer.text}")
        await self.until("the other look", lambda: self.state() == "ready")
        self.need(
            (self.asker.shown.state or {}).get("look") == others[0], "the look is the old one"
        )
        self.say(answer.text)

    async def down(self) -> None:
        self.scene("You are done for today.")
        # who plays the evening has seen that the camera stopped, also one that cannot say so
        answer = await self.ask("down", drawn=True, yes=True)
        self.need(answer.code == 0, f"the set did not go down: {answer.text}")
        await self.until("dark", lambda: self.state() == "dark")
        self.say(answer.text)
        room = self.room.room
        stays = {d.name for d in self.profile.devices.values() if d.stays_on}
        stays |= {feed for name in stays for feed in self.profile.devices[name].feeds}
        left = [
            name
            for name, device in room.devices.items()
            if device.energised
            and not self.profile.devices[name].battery
            and name not in stays
            and self.runner.core.controller.desk.feeds.above[name] is not None
        ]
        self.need(not left, f"still energised: {words.listed(left)}")
        harms = [f"{harm.device}: {harm.what}" for harm in room.harms]
        self.need(not harms, f"harm was done: {'; '.join(harms)}")
        self.say("checked in the room: nothing is left on that should be off, no harm was done")

    async def play(self) -> None:
        await scenes.on_at_first(self)
        await self.up()
        await self.touched()
        await self.a_dial_is_turned()
        async with contextlib.AsyncExitStack() as looking:
            if self.eye is not None:
                from studiobridge.cli.pictured import Pictured

                # it looks on until the take is over: a take has its picture as it began
                await Pictured(self, self.eye).play(looking)
            await self.another_look()
            await scenes.a_small_step(self)
            await scenes.quiet(self)
            await scenes.before(self)
            await scenes.take(self)
        await scenes.quiet_over(self)
        await self.down()
        scenes.left(self)


async def rehearse_evening(
    path: Path,
    profile: SetProfile,
    pace: float,
    stay: bool,
    look: str | None,
    page: PanelSettings | None = None,
    witness: bool = False,
) -> int:
    """Play the evening. 0 only when every scene ended as it should.

    With `page`, how it is served: serve the page instead, and let a person play it. With `witness`
    a simulated camera looks on, and what its picture tells is played too; on the page it has
    learned the lamps before.
    """
    if look is not None and look not in profile.looks:
        show.fail(f"no look '{words.clean(look)}' in this set; it has: {', '.join(profile.looks)}")
        return 2
    folder = Path(tempfile.mkdtemp(prefix="studiobridge-rehearsal-"))
    quick = paced(with_guest(profile), pace)
    try:
        copy = folder / path.name
        shutil.copyfile(path, copy)
        if witness:
            from studiobridge.cli import pictured

            quick = pictured.with_file(quick, path, copy)
        elif page is None:
            # no camera is simulated: nobody is sent to look at a picture that there is not
            quick = replace(quick, witness=None)
        with EmbeddedBroker() as broker:
            settings = Settings(
                broker=BrokerSettings(host="127.0.0.1", port=broker.port), data=folder / "data"
            )
            with LiveRoom(quick, "127.0.0.1", broker.port) as room:
                if page is not None:
                    from studiobridge.cli import playing

                    settings = settings.model_copy(update={"panel": page})
                    with Hands(room, "127.0.0.1", broker.port):
                        async with contextlib.AsyncExitStack() as also:
                            eye = None
                            if witness:
                                eye = also.enter_context(pictured.camera(copy, path, room))
                                pictured.learned_before(copy, path, quick, eye)
                                await also.enter_async_context(
                                    pictured.serving(copy, quick, settings, show.fail)
                                )
                            return await playing.with_page(copy, room.profile, settings, room, eye)
                async with contextlib.AsyncExitStack() as also:
                    eye = None
                    if witness:
                        eye = also.enter_context(pictured.camera(copy, path, room))
                    return await _with_room(
                        copy, room.profile, settings, room, stay, look, broker, eye
                    )
    except RuntimeError as error:
        show.fail(str(error))
        return 1
    finally:
        shutil.rmtree(folder, ignore_errors=True)


async def _with_room(
    copy: Path,
    profile: SetProfile,
    settings: Settings,
    room: LiveRoom,
    stay: bool,
    look: str | None,
    broker: EmbeddedBroker,
    eye: Eye | None = None,
) -> int:
    show.out(
        f"A rehearsal of {profile.title or profile.name}: the real bridge,"
        f" and {words.count(len(profile.devices), 'device')}, all simulated."
    )
    for line in counted(profile):
        show.out(f"  {line}")
    if GUEST in profile.devices and profile.devices[GUEST].title == GUEST_TITLE:
        show.out(f"  one of them, {GUEST}, is the rehearsal's own: something to be told quiet")
    said: list[str] = []
    runner = SetRunner(copy, profile, settings, say=said.append)
    running = asyncio.create_task(runner.run())
    code = 0
    try:
        ready = asyncio.create_task(runner.ready.wait())
        await asyncio.wait({running, ready}, timeout=20.0, return_when=asyncio.FIRST_COMPLETED)
        if not runner.ready.is_set():
            ready.cancel()
            show.fail("the bridge did not start: " + "; ".join(said))
            return 1
        async with Asker(settings, profile.name) as asker:
            await asker.need_bridge()
            evening = Evening(profile, look, room, runner, asker, eye)
            try:
                await evening.play()
                took = time.monotonic() - evening.began
                show.out()
                show.out(
                    f"That was the whole evening, in {took:.0f} s. Every scene ended as it should."
                )
            except (SceneFailed, NoBridge, NoBroker, TimeoutError) as error:
                show.out()
                show.fail(
                    f"The rehearsal failed: {words.clean(error or 'a scene took too long', 1000)}"
                )
                if room.error is not None:
                    show.fail(room.error)
                code = 1
            show.out(show.CAUTION)
            if stay:
                async with contextlib.AsyncExitStack() as also:
                    also.enter_context(Hands(room, "127.0.0.1", broker.port))
                    if eye is not None:
                        from studiobridge.cli import pictured

                        # who looked on during the evening went with it
                        await also.enter_async_context(pictured.serving(copy, profile, settings))
                    await _stay(profile, settings, broker, copy, evening.look, room, eye)
    finally:
        runner.stop()
        await running
    return code


def until_interrupted() -> asyncio.Event:
    import signal

    stopped = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stopped.set)
    return stopped


async def _stay(
    profile: SetProfile,
    settings: Settings,
    broker: EmbeddedBroker,
    copy: Path,
    look: str | None,
    room: LiveRoom,
    eye: Eye | None,
) -> None:
    from studiobridge.cli import playing

    show.out()
    show.out("The bridge and the simulated gear go on for you. In another terminal:")
    show.out()
    show.out(f"    export STUDIOBRIDGE_BROKER={broker.url} STUDIOBRIDGE_SET={profile.name}")
    show.out(f"    export STUDIOBRIDGE_DATA={settings.data}")
    show.out(f"    export PATH={shlex.quote(str(Path(sys.executable).parent))}:$PATH")
    # its profile is found there by what needs one: `look list`, `measure`, `light`
    show.out(f"    cd {shlex.quote(str(copy.parent))}")
    show.out("    studiobridge up")
    show.out("    studiobridge status")
    found = a_light(profile, look) or a_dial(profile, look)
    if found is not None:
        show.out(
            f"    studiobridge touch {found[0]} 80 %     # a hand on its dial; also off, 3200 K"
        )
    if eye is not None:
        where = shlex.quote(str(copy))
        show.out(f"    studiobridge witness look {where}")
        seen = next((name for name in profile.looks if name != look), look)
        show.out(f"    studiobridge look preview {seen} -o {seen}.png --profile {where}")
        show.out(f"    studiobridge panel serve {where}    # its page; `panel pair` shows a code")
    show.out()
    show.out("Or here, with Enter:")
    show.out()
    for text in playing.ways(profile, eye):
        show.out(f"    {text}")
    show.out()
    show.out("Any MQTT client may look, on 127.0.0.1:")
    show.out(f"port {broker.port} speaks MQTT 5, port {broker.port4} 3.1.1.")
    show.out(f"`keep` writes into the copy {copy}. Ctrl-C ends it.")
    with playing.Typed(profile, room, eye):
        await until_interrupted().wait()

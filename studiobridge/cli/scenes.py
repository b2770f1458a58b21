"""Scenes around a take: before it rolls, gear told quiet, the take itself, and after it."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

from studiobridge.shown import before as rows_of
from studiobridge.shown import quieted, words
from studiobridge.shown.after import after

if TYPE_CHECKING:
    from studiobridge.cli.evening import Evening
    from studiobridge.profile.model import SetProfile

# Somebody touches a light this long (s) after it began to roll: in the take's third second.
TOUCHED_AT = 2.3
# A lamp's warm-up takes no longer than this (s) in an evening that has to be over in a minute.
WARM_WITHIN = 20.0


def shown_state(evening: Evening) -> dict[str, Any]:
    return evening.asker.shown.state or {}


async def on_at_first(evening: Evening) -> None:
    """What is told quiet later runs when you walk in: a hand switched it on long ago."""
    devices = evening.asker.shown.devices
    for name in told_quiet(evening.profile):
        evening.room.press(name, True)
        await evening.until(f"{name} on", partial(is_on, devices, name))


def told_quiet(profile: SetProfile) -> list[str]:
    return [device.name for device in profile.devices.values() if device.quiet is not None]


def is_on(devices: Mapping[str, Mapping[str, Any]], name: str) -> bool:
    return devices.get(name, {}).get("switch") is True


async def quiet(evening: Evening) -> None:
    """What hums is told quiet, and comes back; nobody has to remember it."""
    told = told_quiet(evening.profile)
    if not told:
        return
    name = told[0]
    evening.scene(f"{name} can be heard: it is told quiet, for the take.")
    answer = await evening.ask("quiet_on", targets=[name])
    evening.need(answer.code == 0, f"it did not go quiet: {answer.text}")
    await evening.until(f"{name} off", lambda: not evening.room.room.devices[name].switch)
    await evening.until(
        f"{name} proven off",
        lambda: (
            [e.get("state") for e in words.entries(shown_state(evening).get("quiet"))] == ["quiet"]
        ),
    )
    for line in quieted.lines(shown_state(evening)):
        evening.say(line)


async def quiet_over(evening: Evening) -> None:
    """It would come back by itself; here it is asked for."""
    entries = words.entries(shown_state(evening).get("quiet"))
    names = [str(entry["device"]) for entry in entries]
    if not names:
        return
    evening.scene("What was told quiet comes back; it would by itself.")
    answer = await evening.ask("quiet_off", targets=names)
    evening.need(answer.code == 0, f"it did not come back: {answer.text}")
    devices = evening.asker.shown.devices
    for name in names:
        await evening.until(f"{name} on", partial(is_on, devices, name))
        evening.say(f"{name} is on again, by its own report")


async def before(evening: Evening) -> None:
    """What has to be true before it rolls: what is measured, and what only a person knows."""
    first = rows_of.to_roll(shown_state(evening))
    if first is None:
        return
    evening.scene("Before it rolls.")
    if first.code != "so":
        evening.say(first.text)
    untold = [
        row.item
        for row in rows_of.rows(shown_state(evening).get("before"))
        if row.ticks and row.code != "so"
    ]
    if untold:
        answer = await evening.ask("tick", items=untold)
        evening.need(answer.code == 0, f"it was not ticked: {answer.text}")
        evening.say(f"you look, and tick: {answer.text}")
    said = ""
    end = time.monotonic() + WARM_WITHIN
    while True:
        line = rows_of.to_roll(shown_state(evening))
        if line is not None and line.text not in (said, first.text):
            said = line.text
            evening.say(said)
        if line is None or line.code == "so":
            return
        if time.monotonic() > end:
            # it stops nobody: where a set lacks the evidence, that is said and it rolls
            evening.say("it stops nobody: whoever knows better rolls, and the record has it")
            return
        await evening.asker.changed(0.2)


async def take(evening: Evening) -> None:
    """It rolls; a light is touched in its third second; going down is asked and taken back."""
    from studiobridge.cli.evening import a_light

    camera = next((d for d in evening.profile.devices.values() if d.kind == "camera"), None)
    if camera is None:
        evening.scene("This set has no camera: the take is left out.")
        return
    evening.scene(f"{camera.name} rolls.")
    if evening.eye is not None:
        # a take has its picture as it began only where one was looked at since the light changed
        await evening.until(
            "a look at the picture since the light was changed", partial(_looked_at, evening), 20.0
        )
    by_itself = camera.rolls_by != "hand"
    evening.room.roll(camera.name, True)
    if not by_itself:
        await evening.ask("rolling_on", targets=[camera.name])
    state = evening.asker.shown
    await evening.until("rolling", lambda: bool((state.state or {}).get("rolling")))
    began = time.monotonic()
    answer = await evening.ask("restore")
    evening.need(answer.code == 1, "a restore was not refused while the camera rolled")
    evening.say(f"a restore is refused: {answer.text}")
    await _down_and_taken_back(evening)
    found = a_light(evening.profile, shown_state(evening).get("look"))
    if found is not None:
        name, preset = found
        assert preset.level is not None
        await asyncio.sleep(max(0.0, began + TOUCHED_AT - time.monotonic()))
        evening.say(f"somebody touches {name}")
        evening.room.touch(name, level=preset.level * 0.7)
        await evening.until(
            f"the change of {name} in the take",
            lambda: bool(
                ((shown_state(evening).get("takes") or {}).get("now") or {}).get("changes")
            ),
        )
    evening.room.roll(camera.name, False)
    if not by_itself:
        await evening.ask("rolling_off", targets=[camera.name])
    await evening.until("the take's end", lambda: not (state.state or {}).get("rolling"))
    last = (shown_state(evening).get("takes") or {}).get("last") or {}
    for text in await evening.of_the_take(int(last.get("take") or 0)):
        evening.say(text)
    answer = await evening.ask("mark", mark="good", why="the rim of the bowl")
    evening.need(answer.code == 0, f"the take was not marked: {answer.text}")
    evening.say(answer.text)


def _looked_at(evening: Evening) -> bool:
    """Has a look at the picture begun after what counts, by the bridge's own times?"""
    seen = shown_state(evening).get("picture_seen") or {}
    sighting = seen.get("sighting") or {}
    taken = words.number(sighting.get("since")) or words.number(sighting.get("taken"))
    counts = words.number(seen.get("counts_from"))
    return seen.get("trust") == "usable" and taken is not None and taken >= (counts or 0.0)


async def _down_and_taken_back(evening: Evening) -> None:
    asked = asyncio.create_task(evening.ask("down"))
    await evening.until(
        "going down to wait for the end of the take",
        lambda: bool(shown_state(evening).get("goes_down")) or asked.done(),
        5.0,
    )
    evening.need(not asked.done(), "the set went down while the camera rolled")
    answer = await evening.ask("withdraw")
    evening.need(answer.code == 0, f"it was not taken back: {answer.text}")
    await asked
    evening.say(f"down, asked for too early, waits for the end of the take; {answer.text}")


async def a_small_step(evening: Evening) -> None:
    """Adjusted at the mark, by a tenth of a stop, and back as it was."""
    from studiobridge.cli.evening import a_light

    found = a_light(evening.profile, shown_state(evening).get("look"))
    if found is None:
        return
    name = found[0]
    evening.scene(f"At the mark: {name} by a small step, and back as it was.")
    answer = await evening.ask("adjust", targets=[name], step="+0.1 stop")
    evening.need(answer.code == 0, f"it was not adjusted: {answer.text}")
    evening.say(answer.text)
    answer = await evening.ask("restore", targets=[name])
    evening.need(answer.code == 0, f"it was not put back: {answer.text}")
    evening.say(answer.text)


def left(evening: Evening) -> None:
    """What is left when all is down: what is on, batteries, cards."""
    found = after(shown_state(evening), evening.asker.shown.devices)
    evening.scene("What is left, before you go home.")
    for part in found.parts:
        evening.say(f"{part.title}: {'; '.join(part.lines)}")
    for row in found.ticks:
        evening.say(f"{row.text}: {row.word}")

"""The process of one or more sets: started, watched by the service manager, and stopped.

Each set is a SetRunner (daemon.py). A fault stays in its set; when one has failed the process
ends with 1, for the service to start it again.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from collections.abc import Callable, Sequence
from pathlib import Path

from studiobridge.bridge.daemon import SetRunner
from studiobridge.bridge.faults import whole
from studiobridge.bridge.gear import told_by
from studiobridge.bridge.log import Log, Say, json_log, notify, text_log, to_stderr
from studiobridge.bridge.settings import Settings
from studiobridge.bridge.shelf import LOOK_EVERY, NOTHING_YET, Shelf, load
from studiobridge.profile.model import HOMIE5, SetProfile

# A process of several sets, one of which failed, is started again when no other is in the middle
# of a run, and after so long (s) in any case: a set that failed is watched by nobody.
OTHERS_FINISH_WITHIN = 300.0


class _Sets:
    """The sets of this process; more may come while it runs."""

    def __init__(self, settings: Settings, say: Say, log: Log) -> None:
        self._settings, self._say, self._log = settings, say, log
        self.runners: list[SetRunner] = []
        self.tasks: set[asyncio.Task[int]] = set()
        self._universes: dict[int, str] = {}
        self._told: dict[tuple[str, ...], tuple[str, str]] = {}

    def clash(self, profile: SetProfile) -> str | None:
        """Why this set cannot run beside the others, or None."""
        if any(runner.profile.name == profile.name for runner in self.runners):
            return "two of these profiles describe a set of the same name"
        for number in profile.universes:
            owner = self._universes.get(number)
            if owner is not None:
                return f"{owner} and {profile.name} both send universe {number}: give each its own"
        for place, device in told_by(profile).items():
            if place in self._told:
                other, name = self._told[place]
                return (
                    f"{other} ({name}) and {profile.name} ({device}) both tell the gear at"
                    f" {place[-1] if place[0] == HOMIE5 else place[0]}: a lockout in one would not"
                    " bind the other; gear belongs to one set"
                )
        return None

    def add(self, path: Path, profile: SetProfile) -> None:
        self._universes.update(dict.fromkeys(profile.universes, profile.name))
        for place, device in told_by(profile).items():
            self._told[place] = profile.name, device
        self.runners.append(SetRunner(path, profile, self._settings, self._say, log=self._log))

    def begin(self, runner: SetRunner, ended: Callable[[object], None]) -> None:
        task = asyncio.create_task(_run_beside(runner, self.runners))
        task.add_done_callback(ended)
        self.tasks.add(task)

    async def take_up(self, path: Path) -> SetRunner | None:
        """A file from a folder: run it, or say why not. It is looked at anew when it changes."""
        if any(runner.path == path for runner in self.runners):
            return None
        # reading it may take a while, and sets run here meanwhile
        profile = await asyncio.to_thread(load, path, self._say)
        if profile is None:
            return None
        why = self.clash(profile)
        if why is not None:
            self._say(f"{path}: {why}")
            return None
        self.add(path, profile)
        return self.runners[-1]


async def run_sets(paths: Sequence[Path], settings: Settings, say: Say = to_stderr) -> int:
    """Run one or more sets until interrupted. Returns an exit code.

    In a folder profiles may appear at any time: without one the process waits for the first.
    """
    shelf = Shelf([path for path in paths if path.is_dir()])
    profiles = [(path, load(path, say)) for path in paths if not path.is_dir()]
    if any(profile is None for _, profile in profiles):
        return 2
    log: Log = json_log if settings.log == "json" else text_log
    if settings.log == "json":
        plainly = say

        def say(text: str) -> None:  # one form for everything that is written down
            log("", text) if plainly is to_stderr else plainly(text)

    sets = _Sets(settings, say, log)
    for path, profile in profiles:
        assert profile is not None
        why = sets.clash(profile)
        if why is not None:
            say(why)
            return 2
        sets.add(path, profile)
    stop_measuring: Callable[[], None] | None = None
    if settings.metrics is not None:
        from studiobridge.bridge.metrics import CannotMeasure, serve_metrics

        try:
            stop_measuring = serve_metrics(settings.metrics, sets.runners)
        except CannotMeasure as error:
            say(str(error))
            return 2
    loop = asyncio.get_running_loop()
    ending, wake = asyncio.Event(), asyncio.Event()

    def stop() -> None:
        notify("STOPPING=1")
        ending.set()
        wake.set()
        for runner in sets.runners:
            runner.stop()

    def look_again() -> None:
        # a terminal that goes away, or who expects settings to be read anew: nothing ends by it
        if shelf:
            say(
                "looking for new profiles; settings, and a profile that runs, are read at the"
                " start alone"
            )
        else:
            say("settings and profiles are read at the start alone: start again")
        wake.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop)
    loop.add_signal_handler(signal.SIGHUP, look_again)

    def fault(_loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        error = context.get("exception")
        where = f"\n{whole(error)}" if isinstance(error, BaseException) else ""
        say(f"a fault of the bridge itself: {context.get('message')}{where}")

    loop.set_exception_handler(fault)
    watchdog = asyncio.create_task(_watchdog())

    def ended(_task: object) -> None:
        wake.set()

    codes = [0]
    waits = False
    try:
        for runner in sets.runners:
            sets.begin(runner, ended)
        # where nothing runs any more the process ends too, unless its first set is yet to come
        while not ending.is_set() and (sets.tasks or not sets.runners):
            for path in await asyncio.to_thread(shelf.fresh):
                taken = await sets.take_up(path)
                if taken is not None:
                    sets.begin(taken, ended)
            if not sets.runners and not waits:
                waits = True
                say(NOTHING_YET)
                notify(f"READY=1\nSTATUS=waits: {NOTHING_YET}")
            elif sets.runners and waits:
                waits = False
                notify("STATUS=")
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_EVERY if shelf else None):
                    await wake.wait()
            wake.clear()
            for task in [task for task in sets.tasks if task.done()]:
                sets.tasks.discard(task)
                codes.append(task.result())
        codes += await asyncio.gather(*sets.tasks)
    finally:
        watchdog.cancel()
        if stop_measuring is not None:
            await asyncio.to_thread(stop_measuring)
    return max(codes)


async def _run_beside(runner: SetRunner, all_of_them: Sequence[SetRunner]) -> int:
    """Run one of several sets. When it fails the whole process ends, for the service to start
    it again; but first the other sets finish the run that is under way, if there is one."""
    code = await runner.run()
    if runner.failure is not None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(OTHERS_FINISH_WITHIN):
                while any(other.busy for other in all_of_them if other is not runner):
                    await asyncio.sleep(0.2)
        for other in all_of_them:
            other.stop(1)
    return code


async def _watchdog() -> None:
    period = int(os.environ.get("WATCHDOG_USEC", "0")) / 1e6
    while period > 0:
        notify("WATCHDOG=1")
        await asyncio.sleep(period / 2)

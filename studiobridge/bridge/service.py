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
from studiobridge.bridge.log import Log, Say, json_log, notify, text_log, to_stderr
from studiobridge.bridge.settings import Settings
from studiobridge.control.plan import order_problems
from studiobridge.profile import ProfileError, read_profile
from studiobridge.profile.model import SetProfile

# A process of several sets, one of which failed, is started again when no other is in the middle
# of a run, and after so long (s) in any case: a set that failed is watched by nobody.
OTHERS_FINISH_WITHIN = 300.0


def load(path: Path, say: Say = to_stderr) -> SetProfile | None:
    """A profile ready to run, or None after saying what is wrong with it."""
    try:
        reading = read_profile(path)
    except ProfileError as error:
        say(str(error))
        return None
    if reading.old_words is not None:
        say(str(reading.old_words))
    problems = order_problems(reading.profile)
    for problem in problems:
        say(f"{path}: {problem}")
    return None if problems else reading.profile


async def run_sets(paths: Sequence[Path], settings: Settings, say: Say = to_stderr) -> int:
    """Run one or more sets until interrupted. Returns an exit code."""
    profiles = [(path, load(path, say)) for path in paths]
    if any(profile is None for _, profile in profiles):
        return 2
    names = [profile.name for _, profile in profiles if profile is not None]
    if len(set(names)) != len(names):
        say("two of these profiles describe a set of the same name")
        return 2
    owners: dict[int, str] = {}
    for _, profile in profiles:
        for number in profile.universes if profile is not None else ():
            owner = owners.setdefault(number, profile.name if profile is not None else "")
            if profile is not None and owner != profile.name:
                say(f"{owner} and {profile.name} both send universe {number}: give each its own")
                return 2
    log: Log = json_log if settings.log == "json" else text_log
    if settings.log == "json":
        plainly = say

        def say(text: str) -> None:  # one form for everything that is written down
            log("", text) if plainly is to_stderr else plainly(text)

    runners = [
        SetRunner(path, profile, settings, say, log=log)
        for path, profile in profiles
        if profile is not None
    ]
    stop_measuring: Callable[[], None] | None = None
    if settings.metrics is not None:
        from studiobridge.bridge.metrics import CannotMeasure, serve_metrics

        try:
            stop_measuring = serve_metrics(settings.metrics, runners)
        except CannotMeasure as error:
            say(str(error))
            return 2
    loop = asyncio.get_running_loop()

    def stop() -> None:
        notify("STOPPING=1")
        for runner in runners:
            runner.stop()

    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop)
    # a terminal that goes away, or who expects settings to be read anew: nothing ends by it
    loop.add_signal_handler(
        signal.SIGHUP, say, "settings and profiles are read at the start alone: start again"
    )

    def fault(_loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        error = context.get("exception")
        where = f"\n{whole(error)}" if isinstance(error, BaseException) else ""
        say(f"a fault of the bridge itself: {context.get('message')}{where}")

    loop.set_exception_handler(fault)
    watchdog = asyncio.create_task(_watchdog())
    try:
        codes = await asyncio.gather(*(_run_beside(runner, runners) for runner in runners))
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

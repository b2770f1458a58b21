"""Would the tests notice? Small faults, one at a time, and the tests that should go red:

    python -m tests.mutate craft                       every fault of a room, its own tests
    python -m tests.mutate control --sample 200        two hundred of them, drawn by a seed
    python -m tests.mutate studiobridge/speech/encode.py --tests tests/speech tests/outside
    python -m tests.mutate figures --only light.py:212 those of one line, to see a new test kill

Every fault goes into a copy of the tree and meets the tests in a fresh process that leaves no
bytecode behind and has none of another's; what takes too long counts as noticed. Prints each
survivor with its place and its changed lines, then the score. A survivor that changes nothing
anyone could see belongs in `equivalent.py`, with its reason, and is not asked about again.
"""

from __future__ import annotations

import argparse
import os
import queue
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from compileall import compile_dir
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from py_compile import PycInvalidationMode

from tests.mutate.equivalent import EQUIVALENT
from tests.mutate.faults import Fault, faults_in

ROOT = Path(__file__).parents[2]
COPIED = ("studiobridge", "tests", "config", "deploy", "pyproject.toml")
# Each room's tests, the quickest to notice first; and how many evenings of the simulator.
TESTS: dict[str, tuple[tuple[str, ...], int]] = {
    "craft": (("tests/craft", "tests/outside", "tests/figures"), 0),
    "speech": (("tests/speech", "tests/outside/test_homie.py"), 0),
    "figures": (("tests/figures", "tests/control/test_picture.py", "tests/outside"), 0),
    "profile": (("tests/profile",), 0),
    "meeting": (("tests/meeting",), 0),
    "control": (("tests/control",), 40),
}
# A fault that makes the tests this much slower than they are without it is one they notice.
TIMES_SLOWER, LEAST_PATIENCE = 5.0, 30.0
PYTEST = ("-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=0")


class Copy:
    """A copy of the tree that faults are put into, one at a time."""

    def __init__(self, folder: Path, commands: list[list[str]]) -> None:
        self.folder = folder
        self.commands = commands
        leave = shutil.ignore_patterns("__pycache__", ".hypothesis", "*.pyc")
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, folder / name, ignore=leave)
            else:
                shutil.copy(source, folder / name)
        self.env = {
            **os.environ,
            "PYTHONPATH": str(folder),
            "PYTHONDONTWRITEBYTECODE": "1",
            "PYTHONHASHSEED": "0",
        }
        # compiled once, to be believed only where its source has the same hash: what has a fault
        # in it is read anew
        compile_dir(
            folder / "studiobridge",
            quiet=2,
            invalidation_mode=PycInvalidationMode.CHECKED_HASH,
        )
        # the tests must meet the copy, not the code that is installed
        where = self._run(["-c", "import studiobridge; print(studiobridge.__file__)"], 60.0)[1]
        if not where.strip().startswith(str(folder)):
            raise SystemExit(f"the tests would not meet the copy but {where.strip()}")

    def _run(self, command: list[str], patience: float) -> tuple[int | None, str]:
        """Exit code (None: it took too long) and what it printed."""
        process = subprocess.Popen(
            [sys.executable, *command],
            cwd=self.folder,
            env=self.env,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        try:
            text, _ = process.communicate(timeout=patience)
            return process.returncode, text
        except subprocess.TimeoutExpired:
            return None, ""
        finally:
            if process.poll() is None:  # with whatever it started itself
                os.killpg(process.pid, signal.SIGKILL)
                process.communicate()

    def noticed(self, patience: float) -> tuple[str | None, str]:
        """How the tests noticed (`failed`, `too slow`), or None; and what they printed last."""
        shutil.rmtree(self.folder / ".hypothesis", ignore_errors=True)
        text = ""
        for command in self.commands:
            code, text = self._run(command, patience)
            if code is None:
                return "too slow", text
            if code != 0:
                return "failed", text
        return None, text

    def tried(self, fault: Fault, patience: float) -> str | None:
        path = self.folder / fault.path
        source = path.read_bytes()
        try:
            path.write_bytes(fault.put_into(source))
            return self.noticed(patience)[0]
        finally:
            path.write_bytes(source)


@cache
def _source(path: str) -> bytes:
    """As it was when the run began: it may be edited meanwhile."""
    return (ROOT / path).read_bytes()


def chosen(what: str, only: str | None) -> list[Fault]:
    """Every fault of a room, a folder or a file; without those known to change nothing."""
    base = ROOT / (f"studiobridge/{what}" if what in TESTS else what)
    files = sorted(base.rglob("*.py")) if base.is_dir() else [base]
    faults = []
    about = {path for path, *_ in EQUIVALENT}
    for file in files:
        path = str(file.relative_to(ROOT))
        source = _source(path)
        for fault in faults_in(path, source):
            if only is not None and only not in f"{path}:{fault.line}:":
                continue
            if path not in about or (path, *fault.diff(source)) not in EQUIVALENT:
                faults.append(fault)
    return faults


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", help=f"a room ({', '.join(TESTS)}), or a folder or file")
    parser.add_argument("--tests", nargs="+", help="what pytest is given, in place of the room's")
    parser.add_argument("--seeds", type=int, help="evenings of the simulator besides")
    parser.add_argument("--sample", type=int, help="so many faults, drawn at random")
    parser.add_argument("--seed", type=int, default=1, help="of the draw")
    parser.add_argument("--only", help="those whose 'path:line:' has this in it")
    parser.add_argument("--jobs", type=int, default=1, help="copies of the tree at work at once")
    parser.add_argument("--list", action="store_true", help="say them and try none")
    asked = parser.parse_args()
    tests, seeds = TESTS.get(asked.what, ((), 0))
    tests = tuple(asked.tests or tests)
    seeds = seeds if asked.seeds is None else asked.seeds
    if not tests and not seeds:
        parser.error("say which tests should notice: --tests")
    faults = chosen(asked.what, asked.only)
    of = len(faults)
    if asked.sample is not None and asked.sample < of:
        faults = random.Random(asked.seed).sample(faults, asked.sample)
    faults.sort(key=lambda f: (f.path, f.start, f.text))
    if asked.list:
        for fault in faults:
            print(_said(fault))
        return 0
    commands = [[*PYTEST, *tests]] if tests else []
    if seeds:
        few = ["--seeds", str(seeds), "--processes", "1"]
        commands.append(["-m", "tests.simulate", *few])
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("told to stop"))
    began = time.monotonic()
    survived = _all_tried(faults, commands, max(1, asked.jobs))
    took = time.monotonic() - began
    noticed = len(faults) - len(survived)
    share = noticed / len(faults) if faults else 1.0
    print(
        f"{asked.what}: {noticed} of {len(faults)} faults noticed ({share:.1%}), drawn from {of}"
        f" with seed {asked.seed}; {took / 60:.1f} min"
    )
    return 1 if survived else 0


def _all_tried(faults: list[Fault], commands: list[list[str]], jobs: int) -> list[Fault]:
    with tempfile.TemporaryDirectory(prefix="studiobridge-mutate-") as folder:
        copies: queue.Queue[Copy] = queue.Queue()
        for i in range(jobs):
            copies.put(Copy(Path(folder) / str(i), commands))
        first = copies.get()
        began = time.monotonic()
        how, text = first.noticed(3600.0)
        if how is not None:
            raise SystemExit(f"the tests fail without any fault:\n{text[-3000:]}")
        patience = max(LEAST_PATIENCE, TIMES_SLOWER * (time.monotonic() - began) * jobs)
        copies.put(first)

        def one(fault: Fault) -> str | None:
            copy = copies.get()
            try:
                return copy.tried(fault, patience)
            finally:
                copies.put(copy)

        survived = []
        pool = ThreadPoolExecutor(jobs)
        try:
            for i, (fault, how) in enumerate(zip(faults, pool.map(one, faults), strict=True), 1):
                if how is None:
                    survived.append(fault)
                    print(_said(fault), flush=True)
                if sys.stderr.isatty():
                    print(f"\r{i} of {len(faults)}", end="\r", file=sys.stderr)
        finally:  # told to stop: what waits is not tried, and the copies go
            pool.shutdown(cancel_futures=True)
        return survived


def _said(fault: Fault) -> str:
    diff = "\n".join(f"    {line}" for line in fault.diff(_source(fault.path)))
    return f"{fault.path}:{fault.line}\n{diff}"


if __name__ == "__main__":
    sys.exit(main())

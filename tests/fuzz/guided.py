"""Every parser against bytes that a coverage-guided fuzzer makes up, each for so long.

    pip install atheris
    python -m tests.fuzz.guided --minutes 10 [profile payload homie request settings]

A crash, a hang of more than 20 s or more than 1 GB of memory ends it with the input that did it.
What a parser may raise for bad input is named beside it; all else is a crash.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

CONFIG = Path(__file__).parents[2] / "config"
ROOT = Path(__file__).parents[2]
MOST_MB, MOST_SECONDS = 1024, 20
DESCRIPTION = {
    "homie": "5.0",
    "version": 1,
    "nodes": {
        "light": {
            "properties": {
                "level": {"datatype": "integer", "format": "0:100", "unit": "%", "settable": True},
                "cct": {"datatype": "float", "format": "2700:6500", "unit": "K", "settable": True},
            }
        }
    },
}
REQUEST = {"id": "r-1", "what": "up", "look": "lesson", "by": "Ana", "until": 1.8e9}


def profiles() -> list[bytes]:
    return [p.read_bytes() for p in sorted(CONFIG.glob("*.yaml")) if "settings" not in p.name]


def seeds(parser: str) -> list[bytes]:
    """Good input to begin from."""
    if parser == "profile":
        return profiles()
    if parser == "settings":
        return [(CONFIG / "settings.example.yaml").read_bytes()]
    if parser == "homie":
        return [json.dumps(DESCRIPTION).encode()]
    if parser == "request":
        return [json.dumps(REQUEST).encode(), b'{"alive": true, "bridge": "b"}']
    return [bytes([i]) + word for i in range(40) for word in (b"1", b'{"dim": 128, "lit": true}')]


def targets() -> dict[str, Callable[[bytes], None]]:
    """Each parser as it is used, from bytes. Imported late: what is fuzzed is instrumented."""
    from pydantic import ValidationError

    from studiobridge.bridge.channel import RequestBody
    from studiobridge.bridge.core import Core
    from studiobridge.bridge.ownership import Alive, Beat
    from studiobridge.bridge.settings import SettingsError, load_settings
    from studiobridge.control.effects import Memory
    from studiobridge.panel.api import AskBody
    from studiobridge.profile import ProfileError, read_profile
    from studiobridge.profile.build import read_profile_text
    from studiobridge.speech import Speech
    from studiobridge.speech.message import Message

    corner = read_profile(CONFIG / "wheel-corner.yaml").profile
    topics = sorted({t for t, _ in Core(corner, Memory(), "f", lambda t: t).subscriptions()})
    scratch = Path(tempfile.mkdtemp()) / "settings.yaml"

    def profile(data: bytes) -> None:
        try:
            read_profile_text(data)
        except ProfileError as error:
            assert error.problems and all(p.line >= 1 and p.column >= 1 for p in error.problems)

    def payload(data: bytes) -> None:
        core = Core(corner, Memory(), "fuzz", lambda at: at, 0.0)
        core.link_up(0.0)
        topic = topics[data[0] % len(topics)] if data else topics[0]
        for out in core.message(Message(topic, data[1:]), 1.0):
            said = getattr(out, "message", None)
            if said is not None and not said.topic.startswith("studiobridge/"):
                assert said.topic.split("/")[-1] in ("report", "call"), said.topic

    def homie(data: bytes) -> None:
        speech = Speech(corner)
        speech.hear(Message("homie/5/key-panel/$description", data, retain=True), 0.0)
        for tail in ("light/level", "light/cct", "$state"):
            speech.hear(Message(f"homie/5/key-panel/{tail}", data[:32]), 0.0)
        speech.tell("key", [("level", 50.0), ("cct", 4300.0)], None)

    def request(data: bytes) -> None:
        for model in (RequestBody, AskBody):
            with contextlib.suppress(ValidationError):
                model.model_validate_json(data)
        Alive.read(data)
        Beat.read(data)

    def settings(data: bytes) -> None:
        scratch.write_bytes(data)
        try:
            load_settings(scratch, {})
        except SettingsError as error:
            assert str(error)

    return {
        "profile": profile,
        "payload": payload,
        "homie": homie,
        "request": request,
        "settings": settings,
    }


def one(parser: str, corpus: Path, seconds: int) -> None:
    """Fuzz in this process until the time is over. Does not return."""
    import atheris

    with atheris.instrument_imports(include=["studiobridge", "yaml"]):
        target = targets()[parser]
    atheris.Setup(
        [
            sys.argv[0],
            str(corpus),
            f"-max_total_time={seconds}",
            f"-rss_limit_mb={MOST_MB}",
            f"-timeout={MOST_SECONDS}",
            f"-artifact_prefix={corpus}/found-",
            "-max_len=16384",
            "-print_final_stats=1",
        ],
        target,
    )
    atheris.Fuzz()


def figure(name: str, text: str) -> str:
    found = re.findall(rf"{name}:\s*(\d+)", text)
    return found[-1] if found else "-"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parsers", nargs="*", default=[])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--corpus", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.corpus is not None:
        one(asked.parsers[0], asked.corpus, int(asked.minutes * 60))
    worst = 0
    print(f"{'parser':<10} {'inputs':>10} {'covered':>8} {'peak MB':>8}  found")
    for name in asked.parsers or ["profile", "payload", "homie", "request", "settings"]:
        with tempfile.TemporaryDirectory() as folder:
            for i, good in enumerate(seeds(name)):
                (Path(folder) / f"seed-{i}").write_bytes(good)
            done = subprocess.run(
                [
                    *(sys.executable, "-m", "tests.fuzz.guided", name, "--corpus", folder),
                    *("--minutes", str(asked.minutes)),
                ],
                cwd=ROOT,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                capture_output=True,
                text=True,
            )
            said = done.stderr + done.stdout
            covered = re.findall(r"cov: (\d+)", said)
            print(
                f"{name:<10} {figure('number_of_executed_units', said):>10}"
                f" {covered[-1] if covered else '-':>8} {figure('peak_rss_mb', said):>8}"
                f"  {'nothing' if done.returncode == 0 else said[-3000:]}",
                flush=True,
            )
            worst = max(worst, done.returncode)
    return 1 if worst else 0


if __name__ == "__main__":
    sys.exit(main())

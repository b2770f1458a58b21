"""Scenes of a rehearsal before the camera: what they wait for, and who looks at all."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import json
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from studiobridge.bridge.asking import NoWitness
from studiobridge.bridge.settings import Settings
from studiobridge.cli import pictured
from studiobridge.cli.evening import Evening, SceneFailed
from studiobridge.profile import read_profile
from studiobridge.profile.sighting import Band, SeenLight, Sighting, Stray
from studiobridge.rehearsal.eye import Mishap

CONFIG = Path(__file__).parents[2] / "config"
SURE, PERHAPS = Band(0.024, 0.06, 0.21), Band(0.004, 0.01, 0.03)


def looked(share: Band | None = None, where: str = "", **more: Any) -> Mapping[str, Any]:
    """A look as it comes over the channel."""
    found = Sighting(
        "r",
        1,
        None,
        0.1,
        lights={"key": SeenLight(Band(0.3, 0.35, 0.4))},
        stray=None if share is None else Stray(share, where),
        **more,
    )
    return dict(json.loads(json.dumps(dataclasses.asdict(found))))


class Watched:
    """The evening and its asker: looks in this order, the last again and again."""

    def __init__(self, looks: Iterator[Mapping[str, Any]]) -> None:
        self.looks, self.last = looks, looked()
        self.lines: list[str] = []
        self.asker = self

    async def ask_witness(self, what: str, look: str | None = None) -> SimpleNamespace:
        self.last = next(self.looks, self.last)
        return SimpleNamespace(code=0, text="", detail={"sighting": self.last})

    def scene(self, title: str) -> None:
        pass

    def say(self, text: str) -> None:
        self.lines.append(text)

    need = Evening.need


def told(
    monkeypatch: pytest.MonkeyPatch, *looks: Mapping[str, Any], a_side: float = 30.0
) -> list[str]:
    """What is told of the blind, where the camera sees this while it is open."""
    monkeypatch.setattr(pictured, "EVERY", 0.001)
    monkeypatch.setattr(pictured, "A_SIDE", a_side)
    eye: Any = SimpleNamespace(mishap=Mishap(), has_window=True)

    def each() -> Iterator[Mapping[str, Any]]:
        for one in looks:
            assert eye.mishap.blind > 0.0
            yield one
        while eye.mishap.blind > 0.0:
            yield looks[-1]
        yield looked()

    evening: Any = Watched(each())
    asyncio.run(pictured.Pictured(evening, eye)._daylight())
    assert evening.lines[-1] == "the light from nowhere is gone"
    return [line for line in evening.lines if "from nowhere:" in line]


def test_light_from_nowhere_is_told_when_it_is_sure(monkeypatch: pytest.MonkeyPatch) -> None:
    """A first look, with frames of before in it, says perhaps; that is no end of the wait."""
    lines = told(
        monkeypatch,
        looked(),
        looked(PERHAPS, "everywhere"),
        looked(PERHAPS),
        looked(SURE, "right", hinders=("stale",)),
        looked(SURE, "right"),
    )
    assert lines == [
        "light from nowhere: about 6 % of the face's (2 to 21 %), from the right edge:"
        " a window or a door"
    ]


def test_a_side_has_a_few_looks_more(monkeypatch: pytest.MonkeyPatch) -> None:
    more = Band(0.03, 0.08, 0.28)
    (line,) = told(monkeypatch, looked(SURE), looked(), looked(SURE), looked(more, "right"))
    assert "about 8 %" in line and ", from the right edge: a window" in line


def test_a_side_that_is_not_told_is_left_unsaid(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is less sure later takes nothing back of what was said for sure."""
    lines = told(monkeypatch, looked(SURE), looked(PERHAPS, "left"), a_side=0.05)
    assert lines == ["light from nowhere: about 6 % of the face's (2 to 21 %)"]


# ---- who looks at it -----------------------------------------------------------------------------


class Nobody(Watched):
    """Nobody looks at the picture, as the bridge sees it."""

    async def ask_witness(self, what: str, look: str | None = None) -> SimpleNamespace:
        raise NoWitness("nobody looks at the picture now")


@pytest.mark.parametrize("what", ["a look", "a question"])
def test_who_looks_at_the_picture_has_ended(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, what: str
) -> None:
    """At once, and with its last words: it took 40 s, and only said that nobody looks."""
    missing = tmp_path / "none.yaml"
    monkeypatch.setenv("STUDIOBRIDGE_SETTINGS", str(missing))
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    assert profile is not None
    evening: Any = Nobody(iter(()))
    scenes = pictured.Pictured(evening, SimpleNamespace())  # type: ignore[arg-type]

    async def play() -> None:
        settings = Settings(data=tmp_path / "data")
        async with pictured.serving(CONFIG / "wheel-corner.yaml", profile, settings) as looker:
            scenes.looker = looker
            if what == "a look":
                await scenes.until("the lamps", lambda f: bool(f))
            else:
                await scenes.asked("keep", "lesson")

    with pytest.raises(SceneFailed, match=r"^what looks at the picture has ended: ") as error:
        asyncio.run(play())
    assert str(missing) in str(error.value)


def test_one_that_is_ended_by_the_rehearsal_has_no_last_words(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """It is ended at the end of every rehearsal, and nobody is told anything of that."""
    script = "import time; print('well', flush=True); time.sleep(600)"
    heard: list[str] = []

    async def play() -> None:
        looker = pictured.Looker([sys.executable, "-c", script], {}, heard.append)
        async with looker:
            assert looker.ended == ""
        assert looker.ended == ""

    asyncio.run(play())
    assert heard == []


@pytest.mark.parametrize(
    ("script", "last"),
    [
        (
            r"import sys; sys.stderr.write('one\nthe \x1b[2Jlast\n\n'); sys.exit(2)",
            "the \ufffd[2Jlast",
        ),
        ("import sys; sys.exit(3)", "exit code 3"),
        ("import os, signal; os.kill(os.getpid(), signal.SIGKILL)", "signal 9"),
        # more than a pipe holds: nobody is held up by what nobody reads
        (
            "import sys; sys.stderr.write('x' * 99 * 9999 + '\\nthe last\\n'); sys.exit(2)",
            "the last",
        ),
    ],
)
def test_its_last_words(script: str, last: str) -> None:
    heard: list[str] = []

    async def play() -> None:
        async with pictured.Looker([sys.executable, "-c", script], {}, heard.append) as looker:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(30.0):
                    while not looker.ended:
                        await asyncio.sleep(0.01)
            assert looker.ended.endswith(f": {last}"), looker.ended
            assert heard == [looker.ended]

    asyncio.run(play())

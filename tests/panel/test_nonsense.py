"""Nonsense in any field of what the broker says: every way into the panel answers, and says what it cannot show.

What a test says goes through the reading of a real visitor (`bridge/asking.py`), as from a broker.
"""

from __future__ import annotations

import asyncio
import copy
import json
import random
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from studiobridge.bridge.asking import Shown, read_said
from studiobridge.bridge.ownership import Alive
from studiobridge.bridge.settings import PanelSettings, Settings
from studiobridge.panel.app import Panel
from studiobridge.panel.board import VIEWS, Board
from studiobridge.profile.said import Answer
from tests.panel import witnessed
from tests.panel.served import HERE, Heard
from tests.panel.states import Said, evening

PROFILE = witnessed.PROFILE
SET = f"/s/{PROFILE.name}"
# as JSON has them: 1e999 is read as infinite, and half of a pair is no character
NONSENSE = (
    "null", "true", "NaN", "-Infinity", "1e999", "1e308", "1" + "0" * 400, "-1", '"x"', '"\\ud800"',
    '"9999-99-99T99"', '"0001-01-01T00:00:00+23:59"', "[]", "[null]", "[[]]", "[{}]", "{}",
    '{"device": []}', '[{"device": "key"}]', '[{"device": ["key"]}]', '{"\\udfff": 1e999}',
)  # fmt: skip
LOOK = f"/api/sets/{PROFILE.name}/picture"
PAGES = ("/plain", "", "/stand", "/mark", "/before", "/after", "/picture", "/d/key", "/d/camera")
WAYS = (
    *(SET + page for page in PAGES),
    "/sets",
    *(f"/api/sets/{PROFILE.name}/{part}" for part in ("state", "drift", "run", "devices/key")),
    f"{SET}/picture/preview.jpg?lamp=key&step=%2B0.1+stop",
)


def places(at: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every field, however deep; of a list the first entry alone."""
    if path:
        yield path
    inside = (
        at.items() if isinstance(at, dict) else enumerate(at[:1] if isinstance(at, list) else ())
    )
    for key, value in inside:
        yield from places(value, (*path, key))


def put(at: Any, path: tuple[Any, ...], value: object) -> Any:
    if not path:
        return value
    at = copy.copy(at)
    at[path[0]] = put(at[path[0]], path[1:], value)
    return at


class Studio:
    """The panel as it is, without a socket; what it hears of a set is a test's to say."""

    def __init__(self, folder: Path) -> None:
        settings = Settings(data=folder, panel=PanelSettings(port=0))
        self.panel = Panel(settings, [PROFILE], False, ["x"])
        self.heard = Heard()
        self.board = Board(settings, PROFILE, self.heard)  # type: ignore[arg-type]
        self.panel.house.boards[PROFILE.name] = self.board
        self.heard.sees = witnessed.sees
        transport = httpx.ASGITransport(app=self.panel.app(), raise_app_exceptions=False)
        self.client = httpx.AsyncClient(transport=transport, base_url="http://x")

    async def pair(self) -> None:
        form = {"secret": self.panel.house.keys.new_code("operator"), "name": "Ana"}
        assert (await self.client.post("/pair", data=form)).status_code == 303

    def say(self, said: Said, of: str = "", path: tuple[Any, ...] = (), nonsense: str = "") -> None:
        """As a broker delivers it, with nonsense in the place of one field."""
        mark = "here stands nonsense"
        wrong = {**said, of: put(said[of], path, mark)} if of else said
        shown = Shown(alive=Alive.read(HERE), beat_at=time.monotonic() + 3600, clock=0.0)
        topics = {key: value for key, value in wrong.items() if key != "devices"}
        topics["witness/alive"] = witnessed.ALIVE
        for name, value in wrong["devices"].items():
            topics[f"devices/{name}"] = value
        for topic, value in topics.items():
            text = json.dumps(value).replace(f'"{mark}"', nonsense)
            shown.hear(topic.split("/"), text.encode())
        self.heard.shown = shown
        self.heard.version += 1


@pytest.fixture(scope="module")
def states() -> dict[str, Said]:
    return {**evening(PROFILE), "seen": witnessed.ready()}


@pytest.mark.parametrize("of", ["state", "drift", "run", "devices"])
def test_no_way_in_ends_with_what_the_broker_says(
    tmp_path: Path, states: dict[str, Said], of: str
) -> None:
    asyncio.run(_no_way_in_ends(Studio(tmp_path), states, of))


async def _no_way_in_ends(studio: Studio, states: dict[str, Said], of: str) -> None:
    await studio.pair()
    dice = random.Random(of)
    wrong = []
    for _ in range(24):
        name = dice.choice([name for name, said in states.items() if said[of]])
        path, nonsense = dice.choice(list(places(states[name][of]))), dice.choice(NONSENSE)
        studio.say(states[name], of, path, nonsense)
        for way in (WAYS[0], *dice.sample(WAYS[1:], 2)):
            code = (await studio.client.get(way)).status_code
            if code not in (200, 404, 409, 429, 503):
                wrong.append(f"{way}: {code} in state {name}, {of} {path} is {nonsense[:30]}")
        for view in VIEWS.keys() - {"takes"}:
            text = json.dumps(studio.board.shows(view), ensure_ascii=False)
            try:
                text.encode()
            except UnicodeEncodeError:
                wrong.append(f"{view} cannot be sent: {of} {path} is {nonsense[:30]}")
    assert wrong == []


def test_a_page_without_scripts_and_a_device_keep_what_is_pressed_in_need(
    tmp_path: Path, states: dict[str, Said], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever else fails in what was heard: it is said, and cut and lockout stay in reach."""

    def fails(*_: object) -> None:
        raise TypeError

    async def looked() -> tuple[httpx.Response, httpx.Response, httpx.Response]:
        studio = Studio(tmp_path)
        await studio.pair()
        studio.say(states["ready"])
        for name in ("word_of", "wishes", "drift_rows"):
            monkeypatch.setattr(f"studiobridge.panel.plain.{name}", fails)
        monkeypatch.setattr("studiobridge.panel.parts_device.condition", fails)
        plain = await studio.client.get(f"{SET}/plain")
        device = await studio.client.get(f"{SET}/d/key")
        token = (await studio.client.get("/api/session")).json()["token"]
        form = {"token": token, "what": "cut"}
        return plain, device, await studio.client.post(f"{SET}/plain", data=form)

    plain, device, asked = asyncio.run(looked())
    for reply in (plain, device):
        assert reply.status_code == 200
        assert "cannot be shown here. What you see is not confirmed" in reply.text
    assert 'value="cut"' in plain.text and 'value="up"' not in plain.text
    assert 'data-ask="lockout"' in device.text
    assert "Cut everything now?" in asked.text


def test_a_look_of_which_the_witness_says_nonsense_is_answered(
    tmp_path: Path, states: dict[str, Said]
) -> None:
    good = json.loads(json.dumps(witnessed.sees("still", None, {}).detail))
    dice = random.Random(1)
    replies: list[tuple[int, object]] = []

    async def looked() -> None:
        studio = Studio(tmp_path)
        await studio.pair()
        studio.say(states["seen"])
        token = (await studio.client.get("/api/session")).json()["token"]
        fields = [path for path in places(good) if path[0] != "picture"]
        for path in dice.sample(fields, min(30, len(fields))):
            nonsense = dice.choice(NONSENSE)
            text = json.dumps(put(good, path, "here")).replace('"here"', nonsense)
            detail = read_said(text.encode())
            studio.heard.sees = lambda *_, detail=detail: Answer("x", True, 0, "looked", detail)
            studio.panel.house.limits.storage.reset()
            reply = await studio.client.post(LOOK, headers={"X-Studiobridge-Token": token})
            replies.append((reply.status_code, (path, nonsense[:30])))

    asyncio.run(looked())
    assert [reply for reply in replies if reply[0] not in (200, 502)] == []
    assert sum(code == 200 for code, _ in replies) > 15

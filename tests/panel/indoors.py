"""The pages without a server, a broker or a browser: asked in this process, with what was heard."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx

from studiobridge.bridge.asking import Shown
from studiobridge.bridge.ownership import Alive
from studiobridge.bridge.settings import Settings
from studiobridge.panel.app import Panel
from studiobridge.panel.board import Board
from studiobridge.profile import read_profile
from studiobridge.profile.model import SetProfile
from tests.panel.studio import CONFIG

CORNER = read_profile(CONFIG / "wheel-corner.yaml").profile


def called(name: str, title: str = "", zone: str | None = None) -> SetProfile:
    """The corner under another name, in another place."""
    return replace(CORNER, name=name, title=title, time_zone=zone)


class Indoors:
    """A panel and one guest of it, who keeps cookies."""

    def __init__(self, folder: Path, profiles: Sequence[SetProfile] = (CORNER,)) -> None:
        settings = Settings(data=folder)
        self.panel = Panel(settings, profiles, secure=False, hosts=["localhost"])
        self.heard: dict[str, Any] = {}
        for profile in profiles:
            shown = Shown(
                alive=Alive.read(b'{"alive": true, "bridge": "x"}'),
                state={"state": "dark", "drifting": [], "still_on": []},
            )
            visitor = SimpleNamespace(shown=shown, sure=True, up=True, why="", version=1)
            self.heard[profile.name] = visitor
            board = Board(settings, profile, visitor)  # type: ignore[arg-type]
            self.panel.house.boards[profile.name] = board
        self.cookies = httpx.Cookies()

    def ask(self, method: str, path: str, **more: Any) -> httpx.Response:
        async def asked() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.panel.app())
            async with httpx.AsyncClient(
                transport=transport, base_url="http://localhost", cookies=self.cookies
            ) as client:
                reply = await client.request(method, path, **more)
                self.cookies.update(client.cookies)
                return reply

        return asyncio.run(asked())

    def get(self, path: str, language: str = "", **more: Any) -> httpx.Response:
        headers = {"accept-language": language} if language else {}
        return self.ask("GET", path, headers=headers, **more)

    def come_in(self, role: Any = "operator", name: str = "Ana") -> Indoors:
        code = self.panel.house.keys.new_code(role)
        reply = self.ask("POST", "/pair", data={"secret": code, "name": name})
        assert reply.status_code == 303, reply.text
        return self

"""The view across the room without a studio: any state, drawn and served to a browser as the panel does."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

from studiobridge.bridge.asking import Shown
from studiobridge.bridge.ownership import Alive
from studiobridge.bridge.settings import Settings
from studiobridge.panel import parts_stand
from studiobridge.panel.app import RULES
from studiobridge.panel.board import Board
from studiobridge.panel.files import STATIC, stamp
from studiobridge.panel.house import House
from studiobridge.panel.texts import tongues
from studiobridge.profile import read_profile
from studiobridge.shown.tongue import ENGLISH, speaking
from tests.panel.studio import CONFIG

PROFILE = read_profile(CONFIG / "wheel-corner.yaml").profile
UNDER_WAY = {"run": 1, "what": "up", "state": "under way", "elapsed_s": 1.0, "steps": []}


def iso(after: float) -> str:
    return datetime.fromtimestamp(time.time() + after, UTC).isoformat()


def off(device: str, point: str, wanted: object, reported: object, **more: Any) -> dict[str, Any]:
    return {"device": device, "point": point, "wanted": wanted, "reported": reported, **more}


BRIGHTER = off("key", "level", 64.0, 80.0, stops=0.32)
WHY = "lesson-pc still takes 62 W, and did not say that it is down"
ROLL = {"device": "camera", "what": "roll", "why": "camera is rolling"}
# every word there is: its state, its drift
STATES: dict[str, tuple[dict[str, Any], list[dict[str, Any]]]] = {
    "wait": ({"state": "unheard"}, []),
    "dark": ({"state": "dark"}, []),
    "up": ({"state": "rising", "ready_at": iso(42)}, []),
    "down": ({"state": "lowering"}, []),
    "ready": ({"state": "ready", "warm_in_s": 600.0, "timer": {"warm_at": iso(600)}}, []),
    "moved": ({"state": "adrift", "drifting": ["key"]}, [BRIGHTER]),
    "rolling": (
        {"state": "ready", "rolling": ["camera"], "timer": {"take_since": iso(-83)}},
        [],
    ),
    "stopped": ({"state": "stalled", "why": WHY}, []),
    "adjusting": (
        {"state": "adrift", "adjusting": [{"device": "key"}], "drifting": ["key"]},
        [BRIGHTER],
    ),
    "lost": ({}, []),
}


def board(
    state: dict[str, Any],
    drift: list[dict[str, Any]] | None = None,
    run: dict[str, Any] | None = None,
    sure: bool = True,
    version: int = 1,
) -> Board:
    shown = Shown(
        alive=Alive.read(b'{"alive": true, "bridge": "x"}'),
        state={"drifting": [], "still_on": [], "before": {"good": False, "items": []}, **state},
        run=run,
        drift=drift or [],
        beat_at=time.monotonic() + 3600,
    )
    why = "the link to the broker is gone"
    visitor = SimpleNamespace(shown=shown, sure=sure, up=sure, why=why, version=version)
    return Board(Settings(), PROFILE, visitor)  # type: ignore[arg-type]


class Across:
    """The page of one state on a browser's page; `say` changes it, `dead` takes the panel away."""

    def __init__(self, page: Any, language: str = "en") -> None:
        self.page = page
        self.tongue = tongues().get(language, ENGLISH)
        self.board = board({"state": "dark"})
        self.dead = False
        self.mirrored = False
        page.route("**/*", self._answer)

    def say(self, code: str) -> None:
        """The set is so from now on."""
        state, drift = STATES[code]
        self.board = board(state, drift, sure=code != "lost")

    def open(self) -> None:
        self.page.goto("http://page.test/s/wheel-corner/stand")
        self.page.wait_for_function("() => document.getElementById('stand').style.length")

    def show(self, code: str) -> None:
        """As `say`, and drawn at once: as if the stream had just brought it."""
        self.say(code)
        with speaking(self.tongue):
            html = self.board.shows("stand")["stand"]
        self.page.evaluate(
            "(html) => { document.getElementById('stand').innerHTML = html; dispatchEvent(new Event('resize')) }",
            html,
        )

    def each(self, measure: str) -> dict[str, Any]:
        """What this script finds of every word there is, drawn one after the other."""
        drawn = {}
        with speaking(self.tongue):
            for code in STATES:
                self.say(code)
                drawn[code] = self.board.shows("stand")["stand"]
        found: dict[str, Any] = self.page.evaluate(
            f"""(drawn) => {{ const measure = {measure}; const found = {{}};
            for (const [code, html] of Object.entries(drawn)) {{
              document.getElementById('stand').innerHTML = html; dispatchEvent(new Event('resize'));
              found[code] = measure() }}
            return found }}""",
            drawn,
        )
        return found

    def _answer(self, route: Any) -> None:
        path = route.request.url.partition("page.test")[2].partition("?")[0]
        headers = {"content-security-policy": RULES}
        if self.dead:
            route.abort()
        elif path.endswith("/stand"):
            headers["content-type"] = "text/html"
            route.fulfill(body=self.html(), headers=headers)
        elif path.endswith("/events"):
            headers["content-type"] = "text/event-stream"
            route.fulfill(body=self._events(), headers=headers)
        elif path.startswith(f"/static/{stamp()}/"):
            kinds = {
                "css": "text/css",
                "js": "text/javascript",
                "svg": "image/svg+xml",
                "png": "image/png",
            }
            file = STATIC / path.rpartition("/")[2]
            headers["content-type"] = kinds[file.suffix[1:]]
            route.fulfill(body=file.read_bytes(), headers=headers)
        else:
            route.fulfill(status=404, headers=headers)

    def html(self) -> str:
        house = House(self.board.settings, [PROFILE], False, [])
        with speaking(self.tongue):
            reply = house.html(
                "stand.html", profile=PROFILE, session=SimpleNamespace(role="viewer"),
                mirrored=self.mirrored, parts=self.board.shows("stand"),
                silent=parts_stand.lost(), now=iso(0),
            )  # fmt: skip
        return bytes(reply.body).decode()

    def _events(self) -> str:
        """One word of the stream: then the connection ends, and the page makes another."""
        sure = self.board.visitor.sure
        beat = time.time() if sure else None
        with speaking(self.tongue):
            parts = self.board.shows("stand")
        return f"retry: 300\n\nevent: beat\ndata: {json.dumps(beat)}\n\nevent: parts\ndata: {json.dumps(parts)}\n\n"

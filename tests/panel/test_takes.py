"""The pages of takes, in a real browser: a take that rolls, its marks, one take, CSV."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from studiobridge.bridge.reading import Reader
from studiobridge.bridge.tables import record_path
from studiobridge.shown.cells import as_csv
from tests.brokers import needs_mosquitto
from tests.panel.browser import browser, come_in, findings, needs_chromium, sure, watched
from tests.panel.studio import Studio, studio, until
from tests.panel.test_board import board

pytestmark = [needs_mosquitto, needs_chromium]
LONG = 20_000


@dataclass
class Scene:
    made: Studio
    page: Any
    wrong: list[str]
    browser: Any

    @property
    def url(self) -> str:
        return f"{self.made.url}/s/{self.made.profile.name}"

    def take(self, roll: bool) -> None:
        self.made.room.roll("camera", roll)

    def recorded(self) -> list[Any]:
        path = record_path(Path(self.made.env["STUDIOBRIDGE_DATA"]), self.made.profile.name)
        with closing(Reader(path)) as reader:
            return reader.takes()


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    with studio(tmp_path_factory.mktemp("takes")) as made, browser() as started:
        page = started.new_page(viewport={"width": 360, "height": 740})
        wrong = watched(page)
        come_in(page, made.url, made.code())
        assert made.command("up").returncode == 0
        yield Scene(made, page, wrong, started)
        assert wrong == []


def ended(scene: Scene, n: int) -> None:
    until(
        lambda: len(scene.recorded()) >= n and scene.recorded()[n - 1].ended is not None,
        f"take {n} to be in the record",
    )


def test_the_hand_shows_the_take_and_marks_the_last_one(scene: Scene) -> None:
    page = scene.page
    page.goto(scene.url)
    scene.take(True)
    page.wait_for_selector("#take:has-text('take 1')", timeout=LONG)
    until(
        lambda: re.match("0:0[1-9]", page.inner_text("#take .clock")) is not None,
        "the clock of the take to count",
    )
    assert page.locator("#take .mark").count() == 0  # nothing to mark before it has ended
    scene.take(False)
    page.wait_for_selector("#take .mark", timeout=LONG)
    box = page.locator("#take .mark").first.bounding_box()
    assert box["height"] >= 44 and box["width"] >= 44
    page.click("#take .mark[data-mark='good']")
    page.wait_for_selector("#take .mark[aria-pressed='true']:has-text('good')", timeout=LONG)
    until(lambda: scene.recorded()[0].mark == "good", "the mark to be in the record")
    assert scene.recorded()[0].marked_by == "Ana (page)"


def test_the_list_is_live_and_marks_an_older_take(scene: Scene) -> None:
    page = scene.page
    page.goto(f"{scene.url}/takes")
    page.wait_for_selector("#takes-list li:has-text('take 1')", timeout=LONG)
    scene.take(True)
    page.wait_for_selector("#takes-now:has-text('take 2 rolls')", timeout=LONG)
    page.wait_for_selector("#takes-list li:has-text('take 2'):has-text('rolls')", timeout=LONG)
    scene.take(False)
    ended(scene, 2)
    page.wait_for_selector("#takes-now:has-text('Nothing rolls')", timeout=LONG)
    assert [a.strip() for a in page.locator("#takes-list li > a").all_inner_texts()] == [
        "take 2",
        "take 1",
    ]
    page.click("#takes-list li:has-text('take 1') .mark[data-mark='again']")
    page.wait_for_selector(
        "#takes-list li:has-text('take 1') .mark[aria-pressed='true']:has-text('again')",
        timeout=LONG,
    )
    page.click("#takes-list li:has-text('take 2') .mark[data-mark='good']")
    page.wait_for_selector("#takes-differs:has-text('Against take 2')", timeout=LONG)
    page.wait_for_selector("#takes-differs:has-text('stands as it did then')", timeout=LONG)
    scene.made.room.touch("key", level=30.0)
    page.wait_for_selector("#takes-differs li:has-text('key')", timeout=LONG)
    assert "stop" in page.inner_text("#takes-differs li:has-text('key')")
    assert findings(page) == []


def test_one_take_shows_how_the_set_stood_and_goes_back_to_it(scene: Scene) -> None:
    page = scene.page
    page.goto(f"{scene.url}/takes/2")
    stood = page.inner_text("section:has(#h-stood)")
    assert "key" in stood and "by its report" in stood
    page.fill("#note input", "the bowl wobbles")
    with page.expect_navigation(timeout=LONG):
        page.click("#note button")
    assert "the bowl wobbles" in page.inner_text("main")
    assert findings(page) == []
    page.wait_for_selector(".ask[data-ask='match']:not([disabled])")
    page.click(".ask[data-ask='match']")
    sure(page, "Bring the set to how it stood in take 2?")

    def stands() -> bool:
        state = json.loads(scene.made.command("status", "--json").stdout)
        return bool(state["look"] == "take-2" and state["state"] == "ready")

    until(stands, "the set to stand as it did", 40.0)


def test_csv_has_times_of_day_and_runs_in_no_spreadsheet(scene: Scene) -> None:
    page = scene.page
    assert scene.made.command("takes", "1", "--note", "=1+2").returncode == 0
    until(lambda: scene.recorded()[0].note == "=1+2", "the note to be in the record")
    reply = page.request.get(f"{scene.url}/takes.csv")
    assert reply.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(reply.text())))
    assert [row["take"] for row in rows] == ["1", "2"]
    assert rows[0]["note"] == "'=1+2"
    assert rows[0]["began_utc"].endswith("Z") and rows[0]["ended_utc"].endswith("Z")
    assert float(rows[1]["seconds"]) > 0


@pytest.mark.parametrize("path", ["takes/0", "takes/999", "takes/x", "takes/1e3", "takes/-1"])
def test_what_is_no_take_is_said(scene: Scene, path: str) -> None:
    reply = scene.page.request.get(f"{scene.url}/{path}")
    assert reply.status == 404
    assert "no such take" in reply.text()


def test_a_viewer_marks_nothing(scene: Scene) -> None:
    context = scene.browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.goto(scene.made.url)
    page.fill("input[name=secret]", scene.made.code("--viewer"))
    page.fill("input[name=name]", "Vi")
    page.click("button[type=submit]")
    page.goto(f"{scene.url}/takes")
    page.wait_for_selector("#takes-list li .mark", timeout=LONG)
    page.wait_for_timeout(100)
    assert page.locator("#takes-list .mark:not([disabled])").count() == 0
    page.goto(f"{scene.url}/takes/1")
    assert page.locator(".mark, #note, .ask").count() == 0
    context.close()


# ---- without a browser -----------------------------------------------------------------------


@pytest.mark.parametrize("text", ["=1+2", "+1", "-2", "@sum", "\tx", "\rx"])
def test_a_cell_that_a_spreadsheet_would_run_is_text(text: str) -> None:
    (row,) = csv.DictReader(io.StringIO(as_csv([{"note": text, "n": -2.5}]), newline=""))
    assert row["note"] == f"'{text}"
    assert row["n"] == "-2.5"  # a number is none of those


LAST = {
    "take": 3,
    "began": "2026-03-01T20:00:00.000Z",
    "ended": "2026-03-01T20:01:05.000Z",
    "seconds": 65.0,
    "by": "report",
    "off_s": 0.0,
    "ended_by": "inferred",
    "ended_off_s": 40.0,
    "why": "the bridge began anew",
    "changes": 1,
    "mark": "",
    "note": "",
    "marked_by": "",
    "look": "day",
}


def takes_of(**more: Any) -> dict[str, Any]:
    none = dict.fromkeys(("now", "last", "good", "picture"))
    return {**none, "marked": [], "differs": [], "differs_more": 0, **more}


def test_an_end_that_is_inferred_is_not_shown_as_one_that_was_heard() -> None:
    made = board({"state": "ready", "session": 1, "takes": takes_of(last=LAST)})
    text = made.shows("hand")["take"]
    assert "1:05" in text and "inferred" in text and "up to 40" in text
    # nothing counts, and nothing can be marked, where nothing is sure
    made.visitor.sure = False
    made.visitor.version += 1
    assert "disabled" in made.shows("hand")["take"]
    made = board({"state": "ready", "takes": takes_of(now={**LAST, "cameras": ["camera"]})})
    assert "data-counts-from" in made.shows("hand")["take"]
    made.visitor.sure = False
    made.visitor.version += 1
    assert "data-counts-from" not in made.shows("hand")["take"]
    assert "data-counts-from" not in made.shows("takes")["takes-now"]


def test_a_bridge_that_knows_no_takes_shows_none() -> None:
    made = board({"state": "ready"})
    assert made.shows("hand")["take"].strip() == ""
    assert "not on this machine" in made.shows("takes")["takes-list"]

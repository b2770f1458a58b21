"""The whole evening on a phone, by touch, in a real browser, over real Mosquitto.

A studio for each set, in the order of its evenings.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from studiobridge.panel.serve import way_in
from tests.brokers import needs_mosquitto
from tests.panel.browser import PHONE, come_in, needs_chromium, sure, watched
from tests.panel.studio import Process, Studio, studio, until

pytestmark = [needs_mosquitto, needs_chromium]
LONG = 60_000


@pytest.fixture(scope="module")
def corner(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    with studio(tmp_path_factory.mktemp("corner")) as made:
        yield made


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    with studio(tmp_path_factory.mktemp("shelf"), "one-plug-one-light") as made:
        yield made


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    with studio(tmp_path_factory.mktemp("table"), "two-person-table") as made:
        yield made


@pytest.fixture
def page(opened: Any) -> Iterator[Any]:
    context = opened.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    page = context.new_page()
    yield page
    context.close()


def headline(page: Any, text: str, within: int = LONG) -> None:
    page.wait_for_selector(f"#headline:has-text('{text}')", timeout=within)


def tap_twice(page: Any, selector: str, asks: str) -> None:
    """A touch, the question it raises, and yes."""
    page.tap(selector)
    sure(page, asks)


def test_the_whole_evening_by_touch(corner: Studio, page: Any) -> None:
    wrong = watched(page)
    # as a phone comes that read the drawing: the code is in the address, and leaves it at once
    page.goto(way_in(corner.url, corner.code()))
    page.fill("input[name=name]", "Ana")
    assert page.url == f"{corner.url}/pair"
    page.tap("button")
    page.wait_for_url("**/s/wheel-corner")
    page.evaluate("() => { window.neverReloaded = true }")
    headline(page, "dark")
    assert page.inner_text("#big .label") == "bring the set up"

    # up: it says how long, what it waits for, and the steps fill in
    page.tap("#big")
    headline(page, "rising")
    page.wait_for_selector("#switch .under:has-text('waits for')")
    page.wait_for_selector("#run rect.confirmed")
    headline(page, "ready")
    assert page.locator("#run rect.waiting, #run rect.sent").count() == 0
    assert page.locator("#beam-key stop").count() > 0
    assert "64 %" in (page.text_content("#lamp-key") or "")

    # dials: what its watts prove wants nobody's word
    page.wait_for_selector("#dials li:has-text('rim'):has-text('as it should be, by its watts')")
    assert page.locator("#dials li:has-text('rim') .ask:has-text('I have set it')").count() == 0

    # somebody touches a light: the picture's own words, and it is put back
    corner.room.touch("key", level=90.0)
    page.wait_for_selector("#drift li:has-text('key +0.49 stop')", timeout=LONG)
    line = page.inner_text("#drift li")
    assert re.search(r"face \+0\.34 stop, ratio 2\.0:1 → 2\.8:1", line)
    assert "+0.49 stop" in (page.text_content("#lamp-key") or "")
    page.tap(".cells [data-device=key]")
    page.wait_for_selector("#d[open] #d-title:has-text('key')")
    assert "bench-plug ← bench" in page.inner_text("#d-in")
    page.tap("#d .close")
    page.tap("#drift li .ask:has-text('put it back')")
    headline(page, "ready")
    assert abs(corner.room.room.devices["key"].level - 64.0) < 1.0
    assert page.locator("#drift li").count() == 0

    # rolling: shown large, and what it forbids is held with its reason
    corner.room.touch("fill", level=60.0)
    page.wait_for_selector("#drift li:has-text('fill')", timeout=LONG)
    corner.room.roll("camera", True)
    page.wait_for_selector("#rolling:has-text('ROLLING')")
    held = page.locator("#drift li .ask:has-text('put it back')")
    assert held.is_disabled()
    assert "held: camera rolls" in page.inner_text("#drift li")
    assert page.locator("#looks .ask").first.is_disabled()
    corner.room.roll("camera", False)
    page.wait_for_selector("#drift li .ask:has-text('put it back'):not([disabled])")
    until(lambda: page.locator("#rolling:has-text('ROLLING')").count() == 0, "rolling to be over")
    page.wait_for_timeout(1200)  # it closes its file, and nothing on the page says how long
    page.tap("#drift li .ask:has-text('put it back')")
    headline(page, "ready")

    # down: a second touch, and what is left
    tap_twice(page, "#big", "Take the set down?")
    headline(page, "lowering")
    headline(page, "dark")
    page.wait_for_selector("#after:has-text('has said that it is off')")
    assert "clip-mic" in page.inner_text("#after")
    assert page.evaluate("() => window.neverReloaded") is True

    # the record: the session with its energy, the drift as a plot, a moment next to now
    page.tap("nav a:has-text('record')")
    page.wait_for_selector("text=session 1")
    assert "kWh" in page.inner_text("tbody")
    assert page.locator("svg.plot .stops").count() >= 2
    page.tap("text=session 1")
    page.wait_for_selector("h2:has-text('How it stood at')")
    row = page.inner_text("tr:has-text('key')")
    assert "64 %" in row
    assert "key has moved: +0.49 stop" in page.inner_text(".events")
    assert wrong == []
    assert corner.room.room.harms == []


def test_a_hand_on_a_dial_is_guided_on_the_page_and_in_a_pipe(corner: Studio, page: Any) -> None:
    """Nobody's command turns it and it says nothing itself: its plug's watts do."""
    wrong = watched(page)
    come_in(page, corner.url, corner.code())
    headline(page, "dark")
    page.click("#big")
    headline(page, "ready")
    page.wait_for_selector("#guides li.there:has-text('rim: 5')", timeout=LONG)
    corner.room.touch("rim", level=60.0)
    page.wait_for_selector("#guides li:has-text('rim: 9'):has-text('less')", timeout=LONG)
    page.wait_for_selector("#drift li:has-text('rim'):has-text('by its watts')", timeout=LONG)
    if os.environ.get("PICTURES"):
        page.locator("#guides").screenshot(path=f"{os.environ['PICTURES']}/guides.png")
        page.screenshot(path=f"{os.environ['PICTURES']}/guided.png", full_page=True)
    hand = Process(corner.env, "by-hand", "rim", "--watch").start()
    corner.more.append(hand)
    assert hand.said(r"rim: 9(\.\d)? W.*less")
    corner.room.touch("rim", level=30.0)
    assert hand.wait(60) == 0, hand.lines
    assert re.match(r"rim: 5(\.\d)? W.*: there$", hand.lines[-2])
    assert hand.lines[-1] == "set by hand: rim"
    page.wait_for_selector("#guides li.there:has-text('rim: 5')", timeout=LONG)
    page.wait_for_selector("#drift:not(:has(li))", state="attached", timeout=LONG)
    headline(page, "ready")
    tap_twice(page, "#big", "Take the set down?")
    headline(page, "dark")
    assert wrong == []


def test_an_evening_waits_for_no_library(tmp_path: Path, page: Any) -> None:
    """What loads in the middle of it would leave bridge and page deaf for a second or more."""
    with studio(tmp_path, env={"PYTHONVERBOSE": "1"}) as made:
        come_in(page, made.url, made.code())
        headline(page, "dark")
        began = [len(process.lines) for process in (made.bridge, made.page)]
        assert min(began) > 500  # it does say what it loads
        page.click("#big")
        headline(page, "ready")
        made.room.touch("cloth", level=20.0)
        page.wait_for_selector("#drift li:has-text('cloth')", timeout=LONG)
        page.click("#drift li .ask:has-text('put it back')")
        headline(page, "ready")
        for process, before in zip((made.bridge, made.page), began, strict=True):
            loaded = [x for x in process.lines[before:] if x.startswith("import '")]
            assert not [x for x in loaded if "scipy" in x or "numpy" in x], loaded
            assert len(loaded) < 20, loaded


def test_two_pages_and_the_command_line_agree(shelf: Studio, opened: Any) -> None:
    pages = [opened.new_context(viewport=PHONE).new_page() for _ in range(2)]
    for i, page in enumerate(pages):
        come_in(page, shelf.url, shelf.code(), f"person {i}")
        headline(page, "dark")
    pages[0].click("#big")
    for page in pages:
        headline(page, "ready")
    status = shelf.command("status")
    assert "ready" in status.stdout
    shelf.room.touch("shelf-light", level=80.0)
    for page in pages:
        page.wait_for_selector("#drift li:has-text('+0.54 stop')", timeout=LONG)
    assert "+0.54 stop" in shelf.command("drift").stdout
    assert shelf.command("restore").returncode == 0
    for page in pages:
        headline(page, "ready")
        page.wait_for_selector("#drift li", state="detached")
    locked = shelf.command("lockout", "shelf-light", "--by", "Bo", "--why", "a cable")
    assert locked.returncode == 0
    for page in pages:
        page.wait_for_selector("#headline:has-text('shelf-light is locked out by Bo')")
    assert shelf.command("release", "shelf-light").returncode == 0
    assert shelf.command("down").returncode == 0
    for page in pages:
        headline(page, "dark")
        page.context.close()


def test_no_motion_for_those_who_ask_for_less(shelf: Studio, page: Any) -> None:
    come_in(page, shelf.url, shelf.code())
    page.evaluate(
        """() => { const ring = document.createElementNS('http://www.w3.org/2000/svg', 'circle');
        const svg = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
        svg.setAttribute('class', 'room'); ring.setAttribute('class', 'ring moved'); ring.id = 'probe';
        svg.append(ring); document.querySelector('main').append(svg) }"""
    )
    for motion in ("no-preference", "reduce"):
        page.emulate_media(reduced_motion=motion)
        moves = page.evaluate(
            "() => getComputedStyle(document.getElementById('probe')).animationName"
        )
        assert (moves == "none") == (motion == "reduce")


def test_killed_and_started_again_the_page_finds_its_way_back(shelf: Studio, page: Any) -> None:
    """Bridge, broker and the panel itself: each is seen to be gone within two seconds."""
    come_in(page, shelf.url, shelf.code())
    page.evaluate("() => { window.neverReloaded = true }")
    headline(page, "dark")
    page.click("#big")
    headline(page, "ready")

    shelf.bridge.kill()
    page.wait_for_selector("#truth:has-text('No bridge runs')", timeout=2000)
    assert page.locator("#big").is_disabled()
    assert "not confirmed" in page.inner_text("#headline")
    shelf.bridge.start().said("running on")
    # this light cannot be asked, and has not spoken since: nobody knows that it is as it was
    page.wait_for_selector("#big:not([disabled])", timeout=LONG)
    headline(page, "adrift")
    assert page.inner_text("#truth") == ""

    shelf.broker.stop(kill=True)
    page.wait_for_selector("#truth:has-text('No way to the set')", timeout=2000)
    assert page.locator("#big").is_disabled()
    shelf.broker.start()
    page.wait_for_selector("#truth:has-text('No way to the set')", state="detached", timeout=LONG)
    page.wait_for_selector("#big:not([disabled])", timeout=LONG)

    port = shelf.url.rsplit(":", 1)[1]
    shelf.page.kill()
    page.wait_for_selector("#lost:not([hidden])", timeout=2500)
    assert page.locator("#big").is_disabled()
    settings = Path(shelf.env["STUDIOBRIDGE_SETTINGS"])
    settings.write_text(f"panel: {{port: {port}}}\n", encoding="utf-8")
    shelf.page.start().said("the page is at")
    page.wait_for_selector("#lost", state="hidden", timeout=LONG)
    page.wait_for_selector("#big:not([disabled])", timeout=LONG)
    assert page.evaluate("() => window.neverReloaded") is True


def test_a_look_is_chosen_first_and_comes_with_the_switch(corner: Studio, page: Any) -> None:
    """In a dark set touching a look starts nothing."""
    come_in(page, corner.url, corner.code())
    headline(page, "dark")
    page.click("#looks button:has-text('glaze')")
    page.wait_for_timeout(600)
    assert "dark" in page.inner_text("#headline")
    assert page.get_attribute("#looks button:has-text('glaze')", "aria-pressed") == "true"
    page.click("#big")
    headline(page, "ready, look glaze")
    page.click("#looks button:has-text('lesson')")
    headline(page, "look lesson")


def test_a_camera_that_cannot_say_so_is_asked_about_on_the_page(table: Studio, page: Any) -> None:
    assert table.command("up").returncode == 0
    wrong = watched(page)
    come_in(page, table.url, table.code())
    headline(page, "ready")
    tap_twice(page, "#big", "Take the set down?")
    page.wait_for_selector("#asks:has-text('Does camera still roll?')", timeout=LONG)
    page.tap("#asks .ask[data-ask='rolling_on']")
    page.wait_for_selector("#rolling:has-text('ROLLING')", timeout=LONG)
    assert page.inner_text("#asks").strip() == ""
    assert table.room.room.devices["left-face"].energised
    page.tap("#cameras .ask[data-ask='rolling_off']")
    headline(page, "dark")
    assert not table.room.room.devices["left-face"].energised
    assert wrong == []


def test_one_touch_too_many_does_not_say_that_a_camera_stopped(table: Studio, page: Any) -> None:
    assert table.command("up").returncode == 0
    come_in(page, table.url, table.code())
    headline(page, "ready")
    tap_twice(page, "#big", "Take the set down?")
    stopped = "#asks .ask[data-ask='rolling_off']"
    page.wait_for_selector(stopped, timeout=LONG)
    page.tap(stopped)
    page.wait_for_selector("#sure:not(.fresh):has-text('Has camera really stopped?')")
    assert table.room.room.devices["left-face"].energised
    page.tap("#sure-yes")
    headline(page, "dark")

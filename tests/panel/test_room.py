"""The drawing in Chromium: a tap opens the nearest lamp, words are as wide as reckoned, and it fits."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from studiobridge.profile import read_profile
from studiobridge.shown.live import drawing
from studiobridge.shown.placing import wide
from tests.brokers import needs_mosquitto
from tests.panel.browser import PHONE, browser, come_in, findings, needs_chromium, watched
from tests.panel.studio import studio

pytestmark = [needs_mosquitto, needs_chromium]

LETTERS = "".join(chr(n) for n in range(32, 127)) + "äöüÄÖÜßéèçñåøœ−…·°±▲▼’“„–"


def many(count: int = 24) -> str:
    """A profile with so many lamps, some a hand apart."""
    dice = random.Random(5)
    head = """format: 1
set: many-lamps
title: Many lamps over a long table
mains:
  voltage: 230 V
  circuits: {wall: {breaker: 16 A, curve: C}}
dialects:
  relay:
    switch:
      tell: {topic: "{at}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}
    ask: {topic: "{at}/report"}
room:
  depth: 6 m
  width: 5 m
  mark: {from_back: 2.5 m, height: 1.4 m}
devices:
  bar: {kind: plug, fed_by: wall, speaks: relay, at: table/bar}
"""
    lines, looks = [], []
    for i in range(count):
        back, across = dice.uniform(0.2, 5.8), dice.uniform(-2.4, 2.4)
        lines.append(
            f"  lamp-{i}: {{kind: light, place: {{from_back: {back:.2f} m, across: {across:.2f} m,"
            f" height: 2 m, aim: mark}}, output: 900 lx at 1 m, beam: 60 deg, fed_by: bar, speaks:"
            f" homie5, at: lamp-{i}/light, draws: 10 W, inrush: 1 A, boots_in: 1 s}}\n"
        )
        looks.append(
            f"lamp-{i}: {{level: {dice.randint(10, 100)} %, cct: {dice.choice([2700, 4300, 6500])} K}}"
        )
    return head + "".join(lines) + "looks:\n  day: {" + ", ".join(looks) + "}\n"


@pytest.fixture(scope="module")
def open_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("many")
    path = folder / "many-lamps.yaml"
    path.write_text(many(), encoding="utf-8")
    with studio(folder, str(path.with_suffix(""))) as made, browser() as opened:
        page = opened.new_context(viewport=PHONE, has_touch=True, is_mobile=True).new_page()
        wrong = watched(page)
        come_in(page, made.url, made.code())
        page.wait_for_selector("#lamp-lamp-0 .body")
        yield SimpleNamespace(page=page, made=made, opened=opened)
        assert wrong == []


def middles(page: Any, path: Path) -> dict[str, tuple[float, float]]:
    """Where the middle of every lamp is on the screen, from the profile and the drawing's own box."""
    ground = drawing(read_profile(path).profile).ground
    page.locator("svg.room").scroll_into_view_if_needed()
    box = page.evaluate(
        "() => { const m = document.querySelector('svg.room').getScreenCTM();"
        " return [m.a, m.e, m.d, m.f]; }"
    )
    return {
        name: (thing.at[0] * box[0] + box[1], thing.at[1] * box[2] + box[3])
        for name, thing in ground.things.items()
    }


def test_a_tap_on_the_middle_of_each_lamp_opens_it(open_page: Any) -> None:
    page, path = open_page.page, open_page.made.path
    page.evaluate("() => document.querySelector('svg.room').scrollIntoView({block: 'start'})")
    opened = {}
    for name, (x, y) in middles(page, path).items():
        page.touchscreen.tap(x, y)
        page.wait_for_selector("#d[open] #d-title")
        opened[name] = page.text_content("#d-title")
        page.click("#d .close")
        page.wait_for_selector("#d:not([open])", state="attached")
    assert len(opened) == 24
    wrong = {name: title for name, title in opened.items() if name not in str(title)}
    assert not wrong


def test_rows_and_lone_lamps_are_44_px(open_page: Any) -> None:
    """Of 360 by 640: whoever has no row has a cell of 44 px (WCAG 2.2, 2.5.5)."""
    page = open_page.page
    page.set_viewport_size({"width": 360, "height": 640})
    rows = page.evaluate(
        "() => [...document.querySelectorAll('.plan-rows .plan-row')].map((el) =>"
        " [el.dataset.device, el.getBoundingClientRect().width, el.getBoundingClientRect().height])"
    )
    assert rows and all(w >= 44 and h >= 43.9 for _, w, h in rows), rows
    cells = page.evaluate(
        "() => [...document.querySelectorAll('.cell')].map((el) =>"
        " [el.dataset.device, el.getBoundingClientRect().width, el.getBoundingClientRect().height])"
    )
    have = {name for name, _, _ in rows}
    assert all(w >= 44 and h >= 44 for name, w, h in cells if name not in have), cells
    page.tap(f"#row-{rows[0][0]}")
    page.wait_for_selector("#d[open] #d-title")
    assert rows[0][0] in page.text_content("#d-title")
    page.click("#d .close")
    page.set_viewport_size(PHONE)


def test_words_are_no_wider_than_reckoned(open_page: Any) -> None:
    """Each letter alone and the words of the drawing, plain and bold, in this browser's fonts."""
    page = open_page.page
    samples = [*LETTERS, "100 %, 10000 K", "+0.88 stop, warmer", "nur gesagt", "lamp-window-12"]
    measured = page.evaluate(
        """(samples) => { const svg = document.querySelector('svg.room');
        const text = document.createElementNS(svg.namespaceURI, 'text'); svg.append(text);
        text.setAttribute('font-size', '100'); text.setAttribute('xml:space', 'preserve');
        text.style.whiteSpace = 'pre';
        const out = samples.map((said) => ['400', '700'].map((weight) => {
          text.style.fontWeight = weight; text.textContent = said; return text.getComputedTextLength(); }));
        text.remove(); return out; }""",
        samples,
    )
    over = [
        (said, plain, bold)
        for said, (plain, bold) in zip(samples, measured, strict=True)
        if plain > wide(said, 100.0) + 0.5 or bold > wide(said, 100.0, bold=True) + 0.5
    ]
    assert over == []
    # and not much wider: a label would take room for nothing
    assert sum(wide(s, 100.0) for s in samples[-4:]) < 1.35 * sum(p for p, _ in measured[-4:])


@pytest.mark.parametrize("size", [(360, 640), (360, 740), (740, 360), (820, 1180), (1280, 800)])
def test_the_drawing_is_whole_and_leaves_room(open_page: Any, size: tuple[int, int]) -> None:
    page = open_page.page
    page.set_viewport_size({"width": size[0], "height": size[1]})
    box = page.evaluate(
        "() => { const b = document.querySelector('svg.room').getBoundingClientRect();"
        " return [b.left, b.right, b.width, b.height, document.documentElement.scrollWidth]; }"
    )
    left, right, width, height, across = box
    assert left >= 0 and right <= size[0] + 0.5 and across <= size[0]
    if size[1] > size[0]:
        assert height <= 0.6 * size[1] + 1 and width >= 240
    else:
        assert height <= 0.9 * size[1]
    # letters are never below 10 px
    scale = page.evaluate("() => document.querySelector('svg.room').getScreenCTM().a")
    assert 13 * scale >= 10
    page.set_viewport_size(PHONE)


def test_every_lamp_is_reached_by_keyboard_and_shows_it(open_page: Any) -> None:
    page = open_page.page
    names = page.evaluate(
        "() => [...document.querySelectorAll('svg.room a')].map((el) => el.dataset.device)"
    )
    page.evaluate("() => document.querySelector('svg.room a').focus()")
    # by keyboard, as it is shown only then
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Tab")
    seen = []
    for _ in names:
        seen.append(page.evaluate("() => document.activeElement.dataset.device"))
        stroke = page.evaluate(
            "() => getComputedStyle(document.activeElement.querySelector('.focus')).strokeWidth"
        )
        assert stroke != "1px", "the focus is not seen"
        page.keyboard.press("Tab")
    assert seen == names and len(set(seen)) == 24
    page.evaluate("() => document.querySelector('svg.room a:last-of-type').focus()")
    page.keyboard.press("Enter")
    page.wait_for_selector("#d[open] #d-title")
    assert names[-1] in page.text_content("#d-title")
    page.keyboard.press("Escape")


def test_what_moved_is_in_the_drawing_and_axe_finds_nothing(open_page: Any) -> None:
    page, made = open_page.page, open_page.made
    page.evaluate("() => document.querySelector('#big').click()")
    page.wait_for_selector("#headline:has-text('ready')", timeout=60_000)
    page.wait_for_function(
        "() => [...document.querySelectorAll('svg.room a .body')].every((el) =>"
        " el.classList.contains('set'))"
    )
    made.room.touch("lamp-3", level=3.0)
    page.wait_for_selector("#lamp-lamp-3 .badge", timeout=30_000, state="attached")
    title = page.evaluate("() => document.querySelector('#lamp-lamp-3 title').textContent")
    assert "darker" in title or "brighter" in title
    assert findings(page) == []
    for dim in (False, True):
        page.evaluate(
            "(on) => { if (on) document.documentElement.dataset.mode = 'dim';"
            " else delete document.documentElement.dataset.mode }",
            dim,
        )
        # nothing white out of a screen that is dimmed: the brightest green and blue of it
        if dim:
            faces = page.evaluate(
                "() => [...document.querySelectorAll('svg.room .face')].map((el) =>"
                " getComputedStyle(el).fill.match(/\\d+/g).map(Number))"
            )
            assert faces and all(g < 80 and b < 60 for _, g, b, *_ in faces), faces
    page.evaluate("() => { delete document.documentElement.dataset.mode }")


def test_it_holds_in_forced_colours(open_page: Any) -> None:
    """Every hood, wall and word in a colour of the system that stands out from its canvas."""
    page = open_page.page
    page.emulate_media(forced_colors="active")
    colours = page.evaluate(
        """() => { const of = (q, what) => [...document.querySelectorAll(q)].map((el) => getComputedStyle(el)[what]);
        const canvas = document.createElement('p'); canvas.style.cssText = 'color: CanvasText; background: Canvas';
        document.body.append(canvas); const s = getComputedStyle(canvas); const found = [s.color, s.backgroundColor];
        canvas.remove();
        return { found, hoods: of('svg.room .body', 'stroke'), words: of('svg.room .name:not(.moved)', 'fill'),
          ground: of('svg.room .ground', 'fill') }; }"""
    )
    page.emulate_media(forced_colors="none")
    ink, canvas = colours["found"]
    assert ink != canvas
    assert set(colours["hoods"]) == {ink} and set(colours["words"]) <= {ink}
    assert set(colours["ground"]) == {canvas}
    assert math.isfinite(len(colours["words"]))


def test_a_row_is_a_row_on_a_phone_on_its_side(open_page: Any) -> None:
    """What stands in it is beside its number, in whole words: no style of the page means it too."""
    page = open_page.page
    page.set_viewport_size({"width": 740, "height": 360})
    heights = page.evaluate(
        "() => [...document.querySelectorAll('.plan-row .how')].map((el) => {"
        " el.textContent = '53 %, 2700 K'; el.className = 'how set';"
        " return el.getBoundingClientRect().height; })"
    )
    page.set_viewport_size(PHONE)
    assert heights and max(heights) < 40, heights

"""Every view in every state of an evening: axe, sizes both ways up, German, letters, and what is under the foot.

One panel for all of it, told how the set is (`served.py`), by states a controller was played into
(`states.py`). Pages follow by their own stream, as they do in a studio.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.panel.browser import PHONE, browser, findings, needs_chromium, watched
from tests.panel.served import Served, served
from tests.panel.states import CORNER, Said, evening
from tests.panel.test_wide_words import smaller_than_a_thumb, too_wide

pytestmark = needs_chromium
SET = f"/s/{CORNER.name}"
# the last two: 1280 px at 200 %, and at the 400 % of WCAG 2.2, 1.4.10 (reflow)
SIZES = {
    "small phone": (360, 640),
    "on its side": (740, 360),
    "tablet": (820, 1180),
    "laptop": (1280, 800),
    "200 %": (640, 400),
    "400 %": (320, 256),
}
# which states a view draws differently; the others it draws like one of these
EVERY = (
    "wait", "dark", "up", "ready", "adjusting", "moved", "rolling", "locked", "down", "left",
    "stalled", "no bridge", "no broker",
)  # fmt: skip
SHOWS = {
    "": EVERY,
    "/stand": ("dark", "up", "moved", "rolling", "stalled", "no bridge"),
    "/mark": ("dark", "ready", "adjusting", "moved", "rolling", "locked", "no bridge"),
    "/takes": ("ready", "rolling", "no bridge"),
    "/before": ("ready", "rolling", "no bridge"),
    "/after": ("left", "no broker"),
}
STILL = ("/plain", "/record", "/setup", "/sets", "/this-page")  # drawn once, without a stream
HEARS = """const Real = window.EventSource; window.heard = { beats: 0, parts: 0 };
window.EventSource = class extends Real { constructor(...all) { super(...all);
  this.addEventListener('beat', () => { heard.beats += 1 });
  this.addEventListener('parts', () => setTimeout(() => { heard.parts += 1 }, 0)) } }"""
# Text that is smaller than it may be: what is read in passing 13 px, what is said in lines 16 px.
SMALL = """() => { const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let at; (at = walk.nextNode()); ) {
    const el = at.parentElement;
    if (!at.textContent.trim() || !el.checkVisibility() || el.closest('svg, script, noscript, .hide, .skip')) continue;
    const size = parseFloat(getComputedStyle(el).fontSize);
    const least = el.closest('.soft, .said, .who, .how, .under, .of, .then, .by, nav, thead, th, small, .acts, button, summary, .plain, #good-to-roll, .caption, .facts') ? 13 : 16;
    if (size < least - 0.01) found.push(`${size} px: ${el.tagName}.${el.className}: ${at.textContent.trim().slice(0, 40)}`);
  }
  return found }"""
# What can be pressed or read and stays under the foot or out of the screen wherever one scrolls.
HIDDEN = """() => { const found = [];
  const things = [...document.querySelectorAll('main a, main button, main summary, main li, main p, footer button, footer a')];
  for (const el of things) {
    if (!el.checkVisibility() || el.closest('dialog, .hide, .skip, .cells, svg') || !el.textContent.trim()) continue;
    let seen = false, top = null;
    for (const block of ['center', 'start', 'end']) {
      el.scrollIntoView({ block, inline: 'center', behavior: 'instant' });
      const box = el.getClientRects()[0];
      if (!box || !box.width || !box.height) { seen = true; break }
      // of what is higher than the screen its middle is looked at
      const from = Math.max(box.top, 0), to = Math.min(box.bottom, innerHeight);
      top = document.elementFromPoint(Math.min(Math.max(box.left + box.width / 2, 1), innerWidth - 2), (from + to) / 2);
      seen = !!top && (el.contains(top) || top.contains(el));
      if (seen) break;
    }
    if (!seen) found.push(`${el.tagName}.${el.className} ${el.textContent.trim().slice(0, 40)}: under ${top && (top.id || top.className || top.tagName)}`);
  }
  scrollTo(0, 0);
  return found }"""


# The switch is in view without scrolling, wherever the page stands.
SWITCH = """() => [0, 1e6].flatMap((at) => { scrollTo(0, at);
  const box = document.querySelector('#big').getBoundingClientRect();
  const seen = box.height > 40 && box.top >= 0 && box.bottom <= innerHeight + 0.5;
  return seen ? [] : [`the switch is at ${box.top} to ${box.bottom}, scrolled to ${scrollY}`] })"""


class Views:
    def __init__(self, panel: Served, opened: Any) -> None:
        self.panel = panel
        self.said: dict[str, Said] = evening()
        self.wrong: list[str] = []
        self.pages: dict[str, Any] = {}
        for language in ("en", "de"):
            context = opened.new_context(
                viewport=PHONE, locale=language, reduced_motion="reduce", has_touch=True
            )
            context.add_init_script(HEARS)
            page = context.new_page()
            self.wrong += []
            page.wrong = watched(page)
            page.goto(panel.url)
            page.fill("input[name=secret]", panel.code())
            page.fill("input[name=name]", "Ana")
            page.click("button.big, form button[type=submit]")
            page.wait_for_selector("#big .label", state="attached")
            self.pages[language] = page

    def open(self, page: Any, path: str, first: str) -> None:
        """A view, in its first state."""
        self.panel.say(**self.said[first])
        page.goto(self.panel.url + (path if path in ("/sets", "/this-page") else SET + path))
        if path in SHOWS:
            page.wait_for_function("() => heard.parts > 0")

    def show(self, page: Any, state: str) -> None:
        """The set is so, and the page has drawn it: what did not change is not sent."""
        before = page.evaluate("() => heard")
        self.panel.say(**self.said[state])
        page.wait_for_function(
            "(was) => heard.parts > was.parts || heard.beats > was.beats + 1", arg=before
        )

    def sized(self, page: Any, size: str) -> None:
        wide, high = SIZES[size]
        page.set_viewport_size({"width": wide, "height": high})
        # the word across the room is measured anew in the next frame
        page.evaluate(
            "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
        )


@pytest.fixture(scope="module")
def views(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Views]:
    with served(tmp_path_factory.mktemp("views"), CORNER) as panel, browser() as opened:
        yield Views(panel, opened)


@pytest.mark.parametrize("path", SHOWS, ids=lambda path: path[1:] or "hand")
def test_every_state_of_a_view_fits_every_size(views: Views, path: str) -> None:
    """In English; in German too where the room is least."""
    found = []
    for language, sizes in (("en", SIZES), ("de", ("small phone", "on its side", "400 %"))):
        page = views.pages[language]
        views.open(page, path, SHOWS[path][0])
        for state in SHOWS[path]:
            views.show(page, state)
            for size in sizes:
                views.sized(page, size)
                where = f"{path or '/'} {state}, {size}, {language}: "
                lines = [*too_wide(page), *smaller_than_a_thumb(page)]
                if size in ("small phone", "on its side", "200 %"):
                    lines += page.evaluate(HIDDEN)
                if size in ("small phone", "laptop"):
                    lines += page.evaluate(SMALL)
                if not path and size != "400 %":
                    lines += page.evaluate(SWITCH)
                found += [where + line for line in lines]
        assert page.wrong == []
    assert found == []


@pytest.mark.parametrize("path", SHOWS, ids=lambda path: path[1:] or "hand")
def test_axe_finds_nothing_in_any_state(views: Views, path: str) -> None:
    """Light; dark and dim change colours alone, and are looked at in the states that have most of them."""
    found = []
    for language in ("en", "de"):
        page = views.pages[language]
        views.open(page, path, SHOWS[path][0])
        page.set_viewport_size({"width": 360, "height": 4000})
        for state in SHOWS[path] if language == "en" else SHOWS[path][-2:]:
            views.show(page, state)
            modes = (
                ("light", "dark", "dim") if state in ("moved", "rolling", "left") else ("light",)
            )
            for mode in modes:
                dressed(page, mode)
                found += [f"{path} {state}, {mode}, {language}: {x}" for x in findings(page)]
            dressed(page, "light")
    assert found == []


def dressed(page: Any, mode: str) -> None:
    page.emulate_media(color_scheme="dark" if mode == "dark" else "light", reduced_motion="reduce")
    page.evaluate(
        "(dim) => { document.documentElement.dataset.mode = dim ? 'dim' : '' }", mode == "dim"
    )


def test_pages_that_stand_still_fit_and_axe_finds_nothing(views: Views) -> None:
    found = []
    for language in ("en", "de"):
        page = views.pages[language]
        for path in STILL:
            views.open(page, path, "moved")
            for size in SIZES:
                views.sized(page, size)
                lines = [*too_wide(page), *smaller_than_a_thumb(page)]
                if size == "small phone":
                    lines += [*page.evaluate(SMALL), *page.evaluate(HIDDEN)]
                    if language == "en" or path == "/plain":
                        lines += findings(page)
                found += [f"{path}, {size}, {language}: {line}" for line in lines]
        assert page.wrong == []
    assert found == []

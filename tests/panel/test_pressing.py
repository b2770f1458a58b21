"""What takes two touches, by every hand: over a panel that is told what it hears, and asks go no further."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from tests.panel.browser import PHONE, come_in, needs_chromium, watched
from tests.panel.served import Served, served
from tests.panel.states import CORNER, Said, evening

pytestmark = needs_chromium
HANDS = ("mouse", "pen", "finger", "Enter", "Space")
# what a second touch counts for: where it is, and in which state; what opens it first
TWICE = {
    "down": ("ready", "#big", ""),
    "keep": ("moved", "#drift li .ask[data-ask=keep][data-target=key]", ""),
    "lockout": ("ready", "#d .ask[data-ask=lockout]", ".cells [data-device=fill]"),
    "release": ("locked", "#d .ask[data-ask=release]", ".cells [data-device=key]"),
}


class Pressed:
    def __init__(self, panel: Served, opened: Any) -> None:
        self.panel = panel
        self.said: dict[str, Said] = evening()
        context = opened.new_context(viewport=PHONE, has_touch=True, reduced_motion="reduce")
        self.page = context.new_page()
        self.page.clock.install()
        self.wrong = watched(self.page)
        self.asked: list[str] = []
        self.answers, self.breaks = True, False
        self.page.route("**/ask", self._ask)
        self.hands = context.new_cdp_session(self.page)
        come_in(self.page, panel.url, panel.code())

    def _ask(self, route: Any) -> None:
        self.asked.append(json.loads(route.request.post_data)["what"])
        if self.breaks:
            route.abort("connectionreset")
        elif self.answers:
            route.fulfill(status=200, json={"final": True, "code": 0, "text": "it was heard"})

    def stands(self, state: str) -> None:
        self.asked.clear()
        self.page.clock.resume()
        self.panel.say(**self.said[state])
        self.page.goto(f"{self.panel.url}/s/{CORNER.name}")
        word = {"moved": "adrift", "locked": "adrift"}.get(state, state)
        self.page.wait_for_selector(f"#headline:has-text('{word}')")
        # from here on the page's time goes when a test says so, however busy this machine is
        self.page.clock.pause_at(self.page.evaluate("() => (Date.now() + 50) / 1000"))

    def press(self, selector: str, hand: str, times: int = 1, apart: int = 60) -> None:
        """With that hand on its middle, so often, without looking what came of it."""
        self.page.locator(selector).scroll_into_view_if_needed()
        box = self.page.locator(selector).bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        if hand in ("Enter", "Space"):
            self.page.focus(selector)
        for _ in range(times):
            if hand == "finger":
                self.page.touchscreen.tap(x, y)
            elif hand in ("mouse", "pen"):
                for what in ("mousePressed", "mouseReleased"):
                    more = {"button": "left", "clickCount": 1, "pointerType": hand}
                    self.hands.send(
                        "Input.dispatchMouseEvent", {"type": what, "x": x, "y": y, **more}
                    )
            else:
                self.page.keyboard.press(hand)
            self.page.clock.run_for(apart)

    def later(self, by: int) -> None:
        """So much later (ms) on the page, which has heard a beat meanwhile."""
        self.panel.heard.version += 1
        self.page.wait_for_timeout(90)
        self.page.clock.run_for(by)

    def open(self, selector: str) -> None:
        if selector:
            self.page.click(selector, force=True)
            self.page.wait_for_selector("dialog[open]")
            self.later(700)
            self.page.wait_for_selector("dialog[open]:not(.fresh)")


@pytest.fixture(scope="module")
def pressed(tmp_path_factory: pytest.TempPathFactory, opened: Any) -> Iterator[Pressed]:
    with served(tmp_path_factory.mktemp("pressing"), CORNER) as panel:
        found = Pressed(panel, opened)
        yield found
        assert found.wrong == []


@pytest.mark.parametrize("what", TWICE)
def test_two_touches_by_mistake_ask_for_nothing_by_any_hand(pressed: Pressed, what: str) -> None:
    """Two and three, 60 ms apart; then yes, and it is asked once, though that too is touched twice."""
    page = pressed.page
    state, selector, way = TWICE[what]
    pressed.stands(state)
    # every hand where it costs most; the others are pressed by the same code
    for hand in HANDS if what == "down" else ("finger", "Enter"):
        pressed.open(way)
        pressed.press(selector, hand, 3 if hand == "finger" else 2)
        assert pressed.asked == [], hand
        question = page.locator("#sure[role=alertdialog]")
        assert question.is_visible(), hand
        pressed.later(700)
        page.keyboard.press("Escape")
        assert question.is_hidden()
        if way:
            page.evaluate("() => document.querySelector('dialog[open]')?.close()")
    for hand in ("finger", "mouse") if what == "down" else ("finger",):
        pressed.open(way)
        pressed.press(selector, hand)
        pressed.later(700)
        # as a screen reader has it: a question with its name, that has the focus
        assert page.locator("#sure").aria_snapshot().startswith('- alertdialog "')
        assert page.evaluate("() => document.activeElement.id") == "sure"
        pressed.press("#sure-yes", hand, 2)
        page.wait_for_selector("#answer:has-text('it was heard')")
        assert pressed.asked == [what], hand
        pressed.asked.clear()
        page.evaluate("() => document.querySelector('dialog[open]')?.close()")
        pressed.later(600)


def test_a_cut_is_asked_once_and_nothing_that_lies_below_it(pressed: Pressed) -> None:
    """Its dialog is the question: what opens it touched twice cuts nothing; the yes touched twice
    does not go through to what the dialog has lain over."""
    page = pressed.page
    for state, hand in (("ready", "mouse"), ("ready", "Enter"), ("dark", "finger")):
        pressed.stands(state)
        pressed.press("#cut-open", hand, 1 if hand == "Enter" else 2)
        yes = page.locator("#cut .ask[data-ask=cut]")
        assert pressed.asked == []
        pressed.later(700)
        if not yes.is_visible():
            page.click("#cut-open")
            pressed.later(700)
        pressed.press("#cut .ask[data-ask=cut]", hand, 3)
        page.wait_for_selector("#answer:has-text('it was heard')")
        assert pressed.asked == ["cut"], (state, hand)


def test_a_question_does_not_outlast_that_nobody_looked(pressed: Pressed) -> None:
    """A phone in a pocket: what was asked back then is not confirmed by the first touch on waking up."""
    page = pressed.page
    pressed.stands("ready")
    page.click("#big")
    page.wait_for_selector("#sure:visible")
    page.evaluate(
        """() => { Object.defineProperty(document, 'hidden', {value: true, configurable: true});
        document.dispatchEvent(new Event('visibilitychange')); delete document.hidden }"""
    )
    assert page.locator("#sure").is_hidden()


def test_a_request_that_is_never_answered_is_said(pressed: Pressed) -> None:
    """The stream goes on, and the request lies on the way: it may come yet, and nobody is left to guess."""
    page = pressed.page
    pressed.stands("moved")
    pressed.answers = False
    try:
        page.click("#drift li .ask[data-ask=restore] >> nth=0")
        page.wait_for_selector("#answer:has-text('asking')")
        page.clock.run_for(9_000)
        assert "asking" in page.inner_text("#answer")
        page.clock.run_for(4_000)
        page.wait_for_selector("#answer.bad:has-text('No answer came')", timeout=3000)
        assert pressed.asked == ["restore"]
    finally:
        pressed.answers = True


def test_of_a_device_that_could_not_be_fetched_nobody_says_that_nothing_was_asked(
    pressed: Pressed,
) -> None:
    page = pressed.page
    pressed.stands("ready")
    page.route("**/d/key", lambda route: route.abort("connectionreset"))
    try:
        page.click(".cells [data-device=key]")
        page.wait_for_selector("#answer.bad:has-text('not known whether the question arrived')")
        assert "nothing was asked" not in page.inner_text("#answer")
        assert not page.locator("#d").is_visible()
    finally:
        page.unroute("**/d/key")


def test_of_a_request_that_broke_off_on_the_way_nobody_says_that_nothing_was_asked(
    pressed: Pressed,
) -> None:
    """It was sent: a panel that is killed a moment later may have handed it on already."""
    page = pressed.page
    pressed.stands("moved")
    pressed.breaks = True
    try:
        page.click("#drift li .ask[data-ask=restore] >> nth=0")
        page.wait_for_selector("#answer.bad:has-text('It may have been asked')", timeout=3000)
        assert pressed.asked == ["restore"]
    finally:
        pressed.breaks = False

"""The view in the hand, in a real browser: what is seen first, what a touch does, what is heard.

One studio for all of it, in the order of an evening.
"""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from tests.brokers import needs_mosquitto
from tests.panel.browser import CHROMIUM, PHONE, browser, come_in, findings, needs_chromium, watched
from tests.panel.studio import Studio, studio, until

pytestmark = [needs_mosquitto, needs_chromium]
SET = "wheel-corner"
LONG = 120_000
# A photograph of each state, to be looked at.
PICTURES = os.environ.get("PICTURES", "")


class Swallowing:
    """A proxy before the page: connections open now go deaf while their sockets stay open.

    As a phone's do that changed its network, or a router's that forgot them. New ones pass.
    """

    def __init__(self, to: int) -> None:
        self._to = to
        self._deaf = threading.Event()
        self.open = 0.0
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def swallow(self) -> None:
        deaf, self._deaf = self._deaf, threading.Event()
        deaf.set()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                here, _ = self._server.accept()
                there = socket.create_connection(("127.0.0.1", self._to))
                deaf = self._deaf
                self.open += 1
                for a, b in ((here, there), (there, here)):
                    threading.Thread(target=self._pump, args=(a, b, deaf), daemon=True).start()

    def _pump(self, a: socket.socket, b: socket.socket, deaf: threading.Event) -> None:
        with contextlib.suppress(OSError):
            while data := a.recv(65536):
                if not deaf.is_set():
                    b.sendall(data)
            if not deaf.is_set():
                b.shutdown(socket.SHUT_RDWR)
        self.open -= 0.5  # a connection has two ways


class Hand:
    """The studio, a browser, and pages of an operator and of a viewer."""

    def __init__(self, made: Studio, opened: Any) -> None:
        self.made = made
        self.opened = opened
        self._kept: dict[str, Any] = {}
        self.client = httpx.Client(base_url=made.url, timeout=20)
        self.client.post("/pair", data={"secret": made.code(), "name": "Ben"})
        token = self.client.get("/api/session").json()["token"]
        self.client.headers["X-Studiobridge-Token"] = token
        for role, more in (("operator", ()), ("viewer", ("--viewer",))):
            context = opened.new_context()
            come_in(context.new_page(), made.url, made.code(*more))
            self._kept[role] = context.storage_state()
            context.close()

    def ask(self, what: str, **more: Any) -> httpx.Response:
        return self.client.post(f"/api/sets/{SET}/ask", json={"what": what, **more})

    def state(self) -> dict[str, Any]:
        reply = self.client.get(f"/api/sets/{SET}/state")
        return dict(reply.json()) if reply.status_code == 200 else {}

    def comes_to(self, state: str) -> None:
        until(lambda: self.state().get("state") == state, state, 60)

    def up(self) -> None:
        """Ready, whatever the test before has left."""
        self._unhindered()
        if self.state().get("state") not in ("ready", "adrift"):
            until(lambda: self.ask("up").status_code == 200, "up is taken")
        else:
            self.ask("restore")
        self.comes_to("ready")

    def rests(self) -> None:
        """Dark, whatever the test before has left."""
        self._unhindered()
        if self.state().get("state") != "dark":
            self.down()

    def _unhindered(self) -> None:
        self.made.room.roll("camera", False)
        for lockout in self.state().get("lockouts", ()):
            self.ask("release", targets=[lockout["target"]])

    def down(self) -> None:
        assert self.ask("down").status_code == 200
        self.comes_to("dark")

    @contextlib.contextmanager
    def page(
        self,
        role: str = "operator",
        size: dict[str, int] = PHONE,
        url: str = "",
        opened: Any = None,
        **more: Any,
    ) -> Iterator[Any]:
        context = (opened or self.opened).new_context(
            viewport=size, storage_state=self._kept[role], **more
        )
        context.set_default_timeout(15_000)
        page = context.new_page()
        wrong = watched(page)
        page.goto(f"{url or self.made.url}/s/{SET}")
        page.wait_for_selector("#headline:has-text('since')", timeout=LONG)
        try:
            yield page
        finally:
            context.close()
        assert wrong == []


@pytest.fixture(scope="module")
def hand(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hand]:
    with studio(tmp_path_factory.mktemp("hand")) as made, browser() as opened:
        found = Hand(made, opened)
        found.comes_to("dark")
        yield found


def photograph(page: Any, name: str) -> None:
    if PICTURES:
        page.screenshot(path=f"{PICTURES}/{name}.png")


def box(page: Any, selector: str) -> dict[str, float]:
    found = page.locator(selector).first.bounding_box()
    assert found is not None, f"{selector} is not there to be seen"
    return dict(found)


def in_sight(page: Any, selector: str) -> float:
    """How much (px) of this element's height is on the screen and not under the sill."""
    return float(
        page.evaluate(
            """(selector) => {
            const of = document.querySelector(selector).getBoundingClientRect();
            const sill = document.querySelector('.sill').getBoundingClientRect();
            const beside = sill.left >= of.right || sill.right <= of.left;
            const end = Math.min(innerHeight, beside ? innerHeight : sill.top);
            return Math.max(0, Math.min(of.bottom, end) - Math.max(of.top, 0)); }""",
            selector,
        )
    )


# ---- dark ----------------------------------------------------------------------------------


def test_every_view_is_a_touch_away_and_so_is_the_way_out(hand: Hand) -> None:
    with hand.page() as page:
        photograph(page, "dark")
        there = page.eval_on_selector_all(
            "nav a", "found => found.map((a) => new URL(a.href).pathname)"
        )
        for view in ("stand", "mark", "takes", "before", "record", "setup", "sheet"):
            assert f"/s/{SET}/{view}" in there
        assert page.locator(f"nav [aria-current=page][href='/s/{SET}']").count() == 1
        assert page.locator("form[action='/leave'] button, a[href='/this-page']").count() >= 1
        # one line: it scrolls sideways and takes no more of the height
        assert box(page, "nav.views")["height"] < 60


def test_the_sheet_opens_from_the_page_with_its_style_and_nothing_else(hand: Hand) -> None:
    with hand.page() as page:
        reply = page.goto(f"{hand.made.url}/s/{SET}/sheet")
        assert reply.status == 200
        rules = reply.headers["content-security-policy"]
        assert "script-src" not in rules and "default-src 'none'" in rules
        assert page.evaluate("() => getComputedStyle(document.querySelector('h1')).fontSize") == (
            f"{19 * 96 / 72:.4f}px"
        )
        assert page.locator("svg").count() >= 1
    assert hand.client.get(f"/s/{SET}/sheet?look=nothing").status_code == 404
    assert httpx.get(f"{hand.made.url}/s/{SET}/sheet").status_code in (303, 401)


def test_a_lockout_of_what_it_needs_is_said_before_the_press(hand: Hand) -> None:
    hand.rests()
    with hand.page() as page:
        assert page.get_attribute("#big", "data-again") is None  # up is one touch
        assert hand.ask("lockout", targets=["key"], why="new cable").status_code == 200
        page.wait_for_selector("#switch:has-text('locked out: key'):has-text('not be ready')")
        photograph(page, "locked")
        page.click("#big")
        page.wait_for_selector("#sure:has-text('key')")
        assert hand.state()["state"] == "dark"
        page.click("#sure-no")
        assert hand.ask("up").status_code == 409  # and the set itself wants it said
        # all the same: the rest comes up, and stands still half way
        page.click("#big")
        page.wait_for_selector("#sure:not(.fresh)")
        page.click("#sure-yes")
        page.wait_for_selector("#state:has-text('stalled')", timeout=LONG)
        photograph(page, "stalled")
        # from there power comes by no single touch
        assert page.get_attribute("#big", "data-ask") == "up"
        assert "Is the reason mended?" in (page.get_attribute("#big", "data-again") or "")
        page.click("#switch .second")
        page.wait_for_selector("#sure:not(.fresh):has-text('Take the set down?')")
        page.click("#sure-yes")
        hand.comes_to("dark")
        assert hand.ask("release", targets=["key"]).status_code == 200
        page.wait_for_selector("#big:not([data-again])")


def test_cut_in_the_dark_room_is_a_question_elsewhere(hand: Hand) -> None:
    """Two taps 60 ms apart on the same spot: the second is not on what confirms."""
    hand.rests()
    with hand.page(has_touch=True) as page:
        at = box(page, "#cut-open")
        x, y = at["x"] + at["width"] / 2, at["y"] + at["height"] / 2
        page.touchscreen.tap(x, y)
        page.wait_for_timeout(60)
        page.touchscreen.tap(x, y)
        page.wait_for_timeout(900)
        assert hand.state().get("cut") is not True
        assert page.inner_text("#answer") == ""
        if page.locator("#cut[open]").count():
            page.click("#cut .close")
        # dead as long as a second tap of the same finger may come, wherever it falls
        page.evaluate(
            """() => { document.getElementById('cut-open').click();
            document.querySelector('#cut .danger').click() }"""
        )
        page.wait_for_timeout(300)
        assert page.locator("#cut[open] .danger").is_visible()
        assert hand.state().get("cut") is not True


# ---- coming up -----------------------------------------------------------------------------


def test_a_viewer_sees_the_countdown_and_has_nothing_to_press(hand: Hand) -> None:
    hand.rests()
    with hand.page("viewer") as page, hand.page() as other:
        assert page.locator("#big").is_hidden()
        assert "to ready" in page.inner_text("#switch")
        for each in (page, other):
            each.evaluate(
                """() => { window.seen = new Set();
                new MutationObserver(() => window.seen.add(
                  document.getElementById('switch').innerText.replace(/\\s+/g, ' ')))
                  .observe(document.getElementById('switch'),
                    {subtree: true, childList: true, characterData: true}) }"""
            )
        other.click("#big")
        page.wait_for_selector("#state:has-text('rising')", timeout=LONG)
        photograph(page, "viewer-rising")
        photograph(other, "rising")
        page.wait_for_selector("#state:has-text('ready')", timeout=LONG)
        counted = {
            found[1]
            for text in page.evaluate("() => [...window.seen]")
            if (found := re.search(r"rising, ready in (\d+) s", text))
        }
        assert len(counted) > 2, counted
        # the action says what it does, the state stands beside it
        assert any(
            re.search(r"^rising, .* take it down instead$", text.strip())
            for text in other.evaluate("() => [...window.seen]")
        )
        assert page.locator(".ask:visible, .choose:visible, #cut-open:visible").count() == 0


# ---- ready ---------------------------------------------------------------------------------


def test_two_taps_by_mistake_do_not_take_it_down(hand: Hand) -> None:
    hand.up()
    with hand.page(has_touch=True) as page:
        at = box(page, "#big")
        x, y = at["x"] + at["width"] / 2, at["y"] + at["height"] / 2
        for apart in (60, 60, 250):
            page.touchscreen.tap(x, y)
            page.wait_for_timeout(apart)
            page.touchscreen.tap(x, y)
            page.wait_for_selector("#sure:has-text('Take the set down?')")
            asked = box(page, "#sure-yes")
            inside = asked["x"] <= x <= asked["x"] + asked["width"]
            assert not (inside and asked["y"] <= y <= asked["y"] + asked["height"])
            photograph(page, "sure")
            page.wait_for_selector("#sure:not(.fresh)")
            page.tap("#sure-no")
        # and what confirms is dead at first: the same tap a moment later counts
        page.tap("#big")
        page.dispatch_event("#sure-yes", "click")
        page.wait_for_timeout(100)
        assert page.locator("#sure").is_visible()
        assert hand.state()["state"] == "ready"
        page.keyboard.press("Escape")
        assert page.locator("#sure").is_hidden()


def test_a_question_taken_back_and_asked_again_at_once_counts_when_it_looks_like_it(
    hand: Hand,
) -> None:
    """The moment of the first is not that of the second: what looks ready to be touched is."""
    hand.up()
    with hand.page() as page:
        asked: list[str] = []

        def no_further(route: Any) -> None:
            asked.append(route.request.post_data)
            route.fulfill(status=200, json={"text": "it stayed on the way", "code": 0})

        page.route("**/ask", no_further)
        page.evaluate(
            """() => { const at = (id) => document.getElementById(id);
            at('big').click();
            setTimeout(() => {
              at('sure-no').click();
              at('big').click();
              const box = at('sure');
              const look = new MutationObserver(() => {
                if (box.hidden || box.classList.contains('fresh')) return;
                look.disconnect();
                at('sure-yes').click();
              });
              look.observe(box, {attributes: true});
            }, 250) }"""
        )
        page.wait_for_selector("#answer:has-text('stayed on the way')", timeout=5000)
        assert len(asked) == 1 and '"down"' in asked[0]


def test_the_same_by_keyboard_and_by_ear(hand: Hand) -> None:
    hand.up()
    with hand.page() as page:
        page.focus("#big")
        page.keyboard.press("Enter")
        page.keyboard.press("Enter")
        page.wait_for_selector("#sure[role=alertdialog]:not(.fresh)")
        page.keyboard.press("Enter")  # on the question itself nothing happens
        name = page.evaluate(
            """() => { const on = document.activeElement;
            return on.id + ': ' +
              document.getElementById(on.getAttribute('aria-labelledby')).textContent }"""
        )
        assert name == "sure: Take the set down?"
        page.keyboard.press("Tab")
        assert page.evaluate("() => document.activeElement.id") == "sure-yes"
        assert findings(page) == []
        page.keyboard.press("Escape")
        assert page.evaluate("() => document.activeElement.id") == "big"
        assert hand.state()["state"] == "ready"


def test_a_held_key_confirms_nothing(hand: Hand) -> None:
    hand.up()
    with hand.page() as page:
        page.focus("#big")
        page.keyboard.down("Enter")
        for _ in range(12):
            page.wait_for_timeout(60)
            page.keyboard.down("Enter")
        page.keyboard.up("Enter")
        page.wait_for_timeout(200)
        assert hand.state()["state"] == "ready"


def test_a_press_held_across_an_update_is_not_lost(hand: Hand) -> None:
    """By mouse and by pen: ten of ten, with the part drawn anew under it each time."""
    hand.up()
    device = hand.made.room.room.devices["key"]
    with hand.page() as page:
        page.evaluate(
            """() => { window.changes = 0;
            new MutationObserver(() => { window.changes += 1 })
              .observe(document.body, {subtree: true, childList: true, characterData: true}) }"""
        )
        at = box(page, "#big")
        x, y = at["x"] + at["width"] / 2, at["y"] + at["height"] / 2
        asked = 0
        hands = page.context.new_cdp_session(page)

        def button(what: str, n: int) -> None:
            more = {"button": "left", "clickCount": 1, "pointerType": "pen" if n % 2 else "mouse"}
            hands.send("Input.dispatchMouseEvent", {"type": what, "x": x, "y": y, **more})

        for n in range(10):
            page.mouse.move(x, y)
            button("mousePressed", n)
            before = page.evaluate("() => window.changes")
            # within tolerance: shown, and no drift
            hand.made.room.touch("key", level=64.0 if n % 2 else 63.0)
            # all parts once more, as after a lost connection: the button's own among them
            page.evaluate(
                """async () => { const { again } = await import(
                [...document.scripts].find((s) => s.src.includes('page.js')).src
                  .replace('page.js', 'patching.js')); again() }"""
            )
            page.wait_for_function("(was) => window.changes > was", arg=before, timeout=10_000)
            button("mouseReleased", n)
            asked += page.locator("#sure:visible").count()
            page.wait_for_selector("#sure:not(.fresh)", timeout=2000)
            page.click("#sure-no")
        assert asked == 10
        assert device.level == pytest.approx(64.0, abs=0.5)


def test_nothing_takes_the_focus_and_the_status_is_the_state_s_word(hand: Hand) -> None:
    hand.up()
    with hand.page() as page:
        page.click("summary:has-text('everything in words')")
        page.focus("#things .thing[data-device=key]")
        page.evaluate(
            """() => { window.said = []; window.lost = 0;
            document.activeElement.addEventListener('blur', () => { window.lost += 1 });
            for (const el of document.querySelectorAll('[role=status],[role=alert],[aria-live]'))
              new MutationObserver(() => window.said.push(el.id + ': ' + el.textContent))
                .observe(el, {subtree: true, childList: true, characterData: true}) }"""
        )
        hand.made.room.touch("key", level=63.0)
        page.wait_for_function("() => document.querySelector('#things').innerText.includes('63 %')")
        assert page.evaluate("() => document.activeElement.dataset.device") == "key"
        assert page.evaluate("() => [window.lost, window.said]") == [0, []]
        hand.made.room.touch("key", level=90.0)
        page.wait_for_selector("#state:has-text('adrift: key')", timeout=LONG)
        page.wait_for_timeout(1200)
        said = page.evaluate("() => window.said")
        assert said and all(text.startswith("state: ") and len(text) < 60 for text in said), said
        assert len(said) <= 3
        assert page.evaluate("() => document.activeElement.dataset.device") == "key"
    hand.up()


def test_what_moved_does_not_push_the_room_away(hand: Hand) -> None:
    hand.up()
    with hand.page() as page:
        hand.made.room.touch("key", level=90.0)
        hand.made.room.touch("fill", level=60.0)
        page.wait_for_selector("#drift li:has-text('fill')", timeout=LONG)
        page.wait_for_selector("#drift li:has-text('key')", timeout=LONG)
        photograph(page, "moved")
        whole = box(page, ".room")
        assert whole["height"] > 250
        assert in_sight(page, ".room") >= 0.95 * whole["height"]
        assert box(page, "#drift")["y"] > whole["y"] + whole["height"] - 2
    hand.up()


def foot_and_room(page: Any, wide: int, high: int, least: float, most: float) -> None:
    """The foot takes at most this share of the height, and the room is seen over at least that."""
    sill = box(page, ".sill")
    beside = sill["width"] < 0.5 * wide
    assert beside or sill["height"] <= most * high
    assert in_sight(page, ".room") >= least * high
    # the switch is there without scrolling, and nothing runs out at the side
    big = box(page, "#big")
    assert big["y"] + big["height"] <= high + 1
    assert page.evaluate("() => document.documentElement.scrollWidth") <= wide


@pytest.mark.parametrize(("wide", "high"), [(740, 360), (640, 360), (360, 640), (1280, 800)])
def test_the_room_stays_in_sight(hand: Hand, wide: int, high: int) -> None:
    """Lying on its side, and short; 640 x 360 is 1280 x 720 at 200 %."""
    hand.up()
    with hand.page(size={"width": wide, "height": high}) as page:
        photograph(page, f"room-{wide}x{high}")
        foot_and_room(page, wide, high, 0.42, 0.35)
        assert in_sight(page, ".room") >= 0.95 * box(page, ".room")["height"]


def test_the_room_stays_in_sight_with_letters_twice_as_large(hand: Hand) -> None:
    """The reader's own size of letters, not the page's zoom."""
    hand.up()
    large = ["--no-sandbox", "--blink-settings=defaultFontSize=32"]
    other = hand.opened.browser_type.launch(executable_path=CHROMIUM, args=large)
    try:
        with hand.page(opened=other) as page:
            assert page.evaluate("() => getComputedStyle(document.documentElement).fontSize") == (
                "34px"
            )
            photograph(page, "letters")
            # it may take a stroke of the finger, and then the room is there
            page.evaluate("() => document.querySelector('.stage').scrollIntoView()")
            photograph(page, "letters-room")
            foot_and_room(page, PHONE["width"], PHONE["height"], 0.38, 0.45)
    finally:
        other.close()


# ---- rolling -------------------------------------------------------------------------------


def test_down_while_it_rolls_waits_for_the_end_of_the_take(hand: Hand) -> None:
    hand.up()
    with hand.page() as page:
        hand.made.room.touch("fill", level=60.0)
        page.wait_for_selector("#drift li:has-text('fill')", timeout=LONG)
        hand.made.room.roll("camera", True)
        page.wait_for_selector("#rolling:has-text('ROLLING')", timeout=LONG)
        page.click("#big")
        page.wait_for_selector("#sure:not(.fresh):has-text('when the take ends')")
        page.click("#sure-yes")
        page.wait_for_selector("#switch:has-text('goes down when the take ends')", timeout=LONG)
        photograph(page, "waits")
        back = page.locator("#big[data-ask=withdraw]")
        assert back.inner_text().strip() == "take that back"
        page.wait_for_selector("#drift li:has-text('fill')")  # what moved is still said
        back.click()
        page.wait_for_selector("#state:has-text('adrift')", timeout=LONG)
        assert hand.state()["rolling"] == ["camera"]
        # asked again, and left: it goes when the take ends
        page.click("#big")
        page.wait_for_selector("#sure:not(.fresh)")
        page.click("#sure-yes")
        page.wait_for_selector("#big[data-ask=withdraw]", timeout=LONG)
        hand.made.room.roll("camera", False)
        hand.comes_to("dark")


def test_the_marks_of_a_take_stay_under_the_finger_when_the_camera_has_closed_its_file(
    hand: Hand,
) -> None:
    """What is held is said above all that is pressed: nothing moves when it is over."""
    hand.up()
    places = """() => [...document.querySelectorAll('.sill button')]
        .map((b) => [b.textContent.trim(), Math.round(b.getBoundingClientRect().top)])"""
    with hand.page() as page:
        hand.made.room.roll("camera", True)
        page.wait_for_selector("#rolling:has-text('ROLLING')", timeout=LONG)
        hand.made.room.roll("camera", False)
        page.wait_for_selector(".sill:has(.mark):has-text('closes its file')", timeout=LONG)
        high = box(page, ".sill")["height"]
        before = page.evaluate(places)
        page.wait_for_selector(".sill:not(:has-text('closes its file'))", timeout=LONG)
        assert box(page, ".sill")["height"] < high
        assert page.evaluate(places) == before
        assert any(word == "good" for word, _ in before)


# ---- after ---------------------------------------------------------------------------------


def test_what_is_left_is_seen_without_scrolling(hand: Hand) -> None:
    hand.up()
    hand.down()
    with hand.page() as page:
        page.wait_for_selector("#after li")
        photograph(page, "left")
        last = box(page, "#after li >> nth=-1")
        assert last["y"] + last["height"] <= box(page, ".sill")["y"]


def test_up_and_down_are_told_apart_by_word_and_shape(hand: Hand) -> None:
    look = """() => { const of = getComputedStyle(document.getElementById('big'));
        return [of.borderTopLeftRadius, of.borderBottomLeftRadius, of.borderTopWidth,
          document.querySelector('#big .arrow path').getAttribute('d')] }"""
    hand.rests()
    with hand.page() as page:
        up, said = page.evaluate(look), page.inner_text("#big .label")
        hand.up()
        page.wait_for_selector("#big[data-ask=down]", timeout=LONG)
        down = page.evaluate(look)
        assert said == "bring the set up" and page.inner_text("#big .label") == "take it down"
        assert all(a != b for a, b in zip(up, down, strict=True)), (up, down)


# ---- what fails ----------------------------------------------------------------------------


def test_a_dead_page_says_nothing_that_it_does_not_know(hand: Hand) -> None:
    """The page's process stands still: no `ready`, nothing to press, nothing that counts on."""
    hand.up()
    with hand.page() as page:
        page.wait_for_selector("#state:has-text('ready')")
        os.kill(hand.made.page.pid, signal.SIGSTOP)
        try:
            page.wait_for_selector("#lost:visible", timeout=4000)
            photograph(page, "lost")
            assert page.inner_text("#state") == "not confirmed"
            assert "ready" in page.inner_text("#lost")  # as it was, with its time
            assert re.search(r"\d\d:\d\d", page.inner_text("#lost"))
            assert page.locator(".ask:visible:not([disabled])").count() == 0
            assert page.locator(".choose:visible:not([disabled])").count() == 0
            for text in page.locator("[data-counts-to],[data-counts-from]").all_inner_texts():
                assert text == "–"
            page.click("#cut-open")
            page.wait_for_selector("#cut[open]:has-text('Nothing is cut from here')")
            assert re.search(r"breaker.*16 A", page.inner_text("#cut"))
            assert page.locator("#cut .danger:visible").count() == 0
            photograph(page, "lost-cut")
        finally:
            os.kill(hand.made.page.pid, signal.SIGCONT)
        page.wait_for_selector("#lost", state="hidden", timeout=15_000)
        page.click("#cut .close")
        page.wait_for_selector("#state:has-text('ready')")
        page.wait_for_selector("#big:not([disabled])")


def test_a_half_dead_connection_is_renewed_by_its_beat(hand: Hand) -> None:
    """Its sockets stay open and nothing comes: known in two seconds, and made anew after four."""
    hand.up()
    proxy = Swallowing(int(hand.made.url.rpartition(":")[2]))
    with hand.page(url=f"http://127.0.0.1:{proxy.port}") as page:
        # what the files came by is closed by then: a browser would try those first
        until(lambda: proxy.open == 1, "the stream alone")
        proxy.swallow()
        began = time.monotonic()
        page.wait_for_selector("#lost:visible", timeout=4000)
        page.wait_for_selector("#lost", state="hidden", timeout=12_000)
        assert time.monotonic() - began < 6.5
        # at once where there is reason to look: it is taken up again, or the network is back
        for event in ("visibilitychange", "pageshow", "online"):
            page.wait_for_timeout(200)
            proxy.swallow()
            page.wait_for_selector("#lost:visible", timeout=4000)
            began = time.monotonic()
            where = "document" if event == "visibilitychange" else "window"
            page.evaluate(f"() => {where}.dispatchEvent(new Event('{event}'))")
            page.wait_for_selector("#lost", state="hidden", timeout=5000)
            assert time.monotonic() - began < 3.0, event


def test_a_cut_without_a_bridge_says_at_once_that_nothing_was_cut(hand: Hand) -> None:
    with hand.page() as page:
        hand.made.bridge.kill()
        page.wait_for_selector("#truth:has-text('bridge')", timeout=LONG)
        began = time.monotonic()
        reply = hand.ask("cut", yes=True)
        assert time.monotonic() - began < 0.5
        assert reply.status_code == 503
        assert "nothing was cut" in reply.json()["text"]
        assert re.search(r"breaker.*16 A", reply.json()["text"])
        page.click("#cut-open")
        page.wait_for_selector("#cut[open]:has-text('Nothing is cut from here')")
        assert re.search(r"breaker.*16 A", page.inner_text("#cut"))
        assert page.locator("#cut .danger:visible").count() == 0
        photograph(page, "no-bridge")
        page.click("#cut .close")
        assert page.locator("#big").is_disabled()

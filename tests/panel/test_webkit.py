"""An evening by touch in WebKit: the engine of half the phones, over a whole studio.

The driver gives WebKitGTK a touch, and the page gets a press of a mouse from it: what is special
to fingers in WebKit (their cancelling by a scroll) is not seen here. Everything else is its own:
modules, the stream, dialogs, the question between two touches, a wake lock that is not there.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.brokers import needs_mosquitto
from tests.panel.browser import AXE_RUN, axe_script
from tests.panel.served import served
from tests.panel.states import CORNER, evening
from tests.panel.studio import Studio, studio, until
from tests.panel.webkit import needs_webkit, webkit

pytestmark = [needs_mosquitto, needs_webkit]
SET = "wheel-corner"
LONG = 60.0
# what goes wrong on a page is kept by the page itself: this driver brings no console
WATCH = """if (!window.wentWrong) { window.wentWrong = [];
addEventListener('error', (e) => wentWrong.push(String(e.message)));
addEventListener('unhandledrejection', (e) => wentWrong.push(String(e.reason)));
addEventListener('securitypolicyviolation', (e) => wentWrong.push(`rules: ${e.violatedDirective} ${e.blockedURI}`)) }"""


class Phone:
    """A WebKit, touched."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def run(self, script: str, *args: object) -> Any:
        return self.driver.execute_script(script, *args)

    def wait(self, script: str) -> Any:
        """What a promise comes to."""
        self.driver.set_script_timeout(30)
        return self.driver.execute_async_script(
            f"const done = arguments[arguments.length - 1]; ({script})().then(done)"
        )

    def open(self, url: str) -> None:
        self.driver.get(url)
        self.run(WATCH)

    def sees(self, selector: str, text: str = "", within: float = 45.0) -> Any:
        """The first element of this selector that is shown and holds the text, when it is there."""
        found: list[Any] = []

        def there() -> bool:
            found[:] = [
                self.run(
                    """const [selector, text] = arguments;
                    return [...document.querySelectorAll(selector)].find((el) =>
                      el.checkVisibility() && el.textContent.includes(text)) || null""",
                    selector,
                    text,
                )
            ]
            return found[0] is not None

        until(there, f"{selector} with {text!r}, but {self.text()[:600]!r}", within)
        return found[0]

    def text(self, selector: str = "body") -> str:
        return str(
            self.run("return document.querySelector(arguments[0])?.innerText ?? ''", selector)
        )

    def tap(self, selector: str, text: str = "", within: float = 45.0) -> None:
        """A finger on the middle of it, lifted again."""
        from selenium.webdriver.common.actions.action_builder import ActionBuilder
        from selenium.webdriver.common.actions.pointer_input import PointerInput

        element = self.sees(selector, text, within)
        self.run("arguments[0].scrollIntoView({block: 'center'})", element)
        hand = ActionBuilder(self.driver, mouse=PointerInput("touch", "finger"))
        hand.pointer_action.move_to(element).pointer_down().pause(0.05).pointer_up()
        hand.perform()

    def yes(self, asks: str) -> None:
        self.sees("#sure:not(.fresh)", asks)
        self.tap("#sure-yes")

    def nothing_wrong(self) -> None:
        assert self.run("return window.wentWrong || ['not watched']") == []


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    with studio(tmp_path_factory.mktemp("webkit")) as found:
        yield found


@pytest.fixture(scope="module")
def phone() -> Iterator[Phone]:
    with webkit() as driver:
        yield Phone(driver)


def leave(phone: Phone, way: Callable[[], None]) -> None:
    """To another page, when nothing went wrong on this one, and until what runs in it has begun.

    Before that a touch on it goes nowhere.
    """
    phone.nothing_wrong()
    phone.run("window.leftBehind = true")
    way()
    until(
        lambda: bool(phone.run("return !window.leftBehind && document.readyState === 'complete'")),
        "the other page, with all that runs in it",
    )


def pair(made: Studio, phone: Phone) -> None:
    phone.sees("input[name=secret]").send_keys(made.code())
    phone.sees("input[name=name]").send_keys("Ana")
    phone.tap("button.big, form button[type=submit]")
    phone.sees("#headline", "", LONG)


def inside(made: Studio, phone: Phone) -> None:
    """On the set's page: each test may be the first that this phone is here for."""
    phone.open(f"{made.url}/s/{SET}")
    if phone.run("return document.querySelector('input[name=secret]') !== null"):
        pair(made, phone)
        phone.open(f"{made.url}/s/{SET}")


def test_an_evening_by_touch(made: Studio, phone: Phone) -> None:
    phone.open(made.url)
    pair(made, phone)
    phone.sees("#headline", "dark", LONG)
    phone.run(WATCH)
    phone.run("window.neverReloaded = true")

    # up, and a light that is moved, and put back
    phone.tap("#big")
    phone.sees("#headline", "rising")
    phone.sees("#switch .under", "waits for")
    phone.sees("#headline", "ready", LONG)
    made.room.touch("key", level=90.0)
    phone.sees("#drift li", "key +0.49 stop", LONG)
    phone.run(
        "document.querySelector('.cells [data-device=key]').scrollIntoView({block: 'center'})"
    )
    phone.tap(".cells [data-device=key]")
    phone.sees("#d[open] #d-title", "key")
    until(
        lambda: phone.run("return !document.querySelector('#d').classList.contains('fresh')"), "it"
    )
    phone.tap("#d .close")
    until(lambda: not phone.run("return document.querySelector('#d').open"), "the dialog to close")
    phone.tap("#drift li .ask", "put it back")
    phone.sees("#headline", "ready", LONG)
    until(lambda: abs(made.room.room.devices["key"].level - 64.0) < 1.0, "the key is put back")
    assert phone.run("return window.neverReloaded") is True

    # at the mark: one step, and back as it was
    leave(phone, lambda: phone.open(f"{made.url}/s/{SET}/mark#at-key"))
    phone.tap('#at-key .step[data-step="+0.1 stop"]:not([disabled])')
    until(lambda: abs(made.room.room.devices["key"].level - 68.6) < 1.2, "a tenth of a stop more")
    phone.sees("#at-key", "adjusted by Ana (page)")
    phone.tap("#at-key .ask:not([disabled])", "back as it was")
    until(lambda: abs(made.room.room.devices["key"].level - 64.0) < 1.0, "as it was")
    phone.sees("#standing", "ready", LONG)

    # across the room, while it rolls; a screen that nothing keeps lit says so
    leave(phone, lambda: phone.open(f"{made.url}/s/{SET}/stand"))
    phone.sees("#stand .word", "READY", LONG)
    phone.tap("summary")
    if not phone.run("return 'wakeLock' in navigator"):
        assert len(phone.text("#awake")) > 10
    assert phone.run("return document.querySelector('#shake').hidden")
    made.room.roll("camera", True)
    phone.sees("#stand .word", "ROLLING")
    until(lambda: re.search(r"0:0[2-9]", phone.text("#stand")) is not None, "the take's clock runs")
    made.room.roll("camera", False)
    phone.sees("#stand .word", "READY")

    # the take is marked, and the set taken down by two touches
    leave(phone, lambda: phone.tap("a.back"))
    phone.sees("#headline", "ready", LONG)
    phone.run(WATCH)
    # its foot is lower when that line goes, and what is above it goes down with it
    until(lambda: "closes its file" not in phone.text(".sill"), "the camera has closed its file")
    phone.tap("#take .mark[data-mark=good]")
    phone.sees('#take .mark[data-key$="-good"][aria-pressed=true]')
    phone.tap("#big")
    phone.yes("Take the set down?")
    phone.sees("#headline", "lowering")
    phone.sees("#headline", "dark", LONG)
    phone.sees("#after, #left", "")
    assert "clip-mic" in phone.text("#after") + phone.text("#left")
    phone.nothing_wrong()
    assert made.room.room.harms == []


def test_a_press_is_seen_at_once_and_not_lost_to_an_update(made: Studio, phone: Phone) -> None:
    """Held for a second and a half, over several beats, on a switch that is drawn anew."""
    from selenium.webdriver.common.actions.action_builder import ActionBuilder
    from selenium.webdriver.common.actions.pointer_input import PointerInput

    inside(made, phone)
    phone.sees("#headline", "dark", LONG)
    big = phone.sees("#big:not([disabled])")
    phone.run(
        "addEventListener('pointerdown', () => { window.shown = document.querySelector('#big').className })"
    )
    hand = ActionBuilder(phone.driver, mouse=PointerInput("touch", "finger"))
    hand.pointer_action.move_to(big).pointer_down().pause(1.5).pointer_up()
    hand.perform()
    assert "pressed" in phone.run("return window.shown")
    phone.sees("#headline", "rising")
    phone.sees("#headline", "ready", LONG)
    # a second touch by mistake asks for nothing
    hand = ActionBuilder(phone.driver, mouse=PointerInput("touch", "finger"))
    hand.pointer_action.move_to(phone.sees("#big")).pointer_down().pointer_up()
    hand.pointer_action.pause(0.06).pointer_down().pointer_up()
    hand.perform()
    phone.sees("#sure", "Take the set down?")
    phone.tap("#sure-no")
    assert phone.text("#headline").startswith("ready")
    phone.nothing_wrong()


def test_what_is_gone_is_said_and_found_again(made: Studio, phone: Phone) -> None:
    """A bridge that dies, and a page's own process: what is shown is not called so any more."""
    inside(made, phone)
    phone.sees("#big:not([disabled])", "", LONG)
    if not phone.text("#headline").startswith("ready"):
        phone.tap("#big")
    phone.sees("#headline", "ready", LONG)
    made.bridge.kill()
    phone.sees("#truth", "No bridge", 5.0)
    assert "not confirmed" in phone.text("#headline")
    assert phone.run("return document.querySelector('#big').disabled")
    made.bridge.start().said("running on")
    phone.sees("#big:not([disabled])", "", LONG)
    port = made.url.rsplit(":", 1)[1]
    made.page.kill()
    phone.sees("#lost", "No connection", 5.0)
    settings = made.path.parent / "settings.yaml"
    settings.write_text(f"panel: {{port: {port}}}\n", encoding="utf-8")
    made.page.start().said("the page is at")
    until(
        lambda: phone.run("return document.querySelector('#lost').hidden"),
        "it is heard again",
        LONG,
    )
    phone.sees("#big:not([disabled])", "", LONG)
    phone.nothing_wrong()


def test_axe_finds_nothing_in_this_engine_either(phone: Phone, tmp_path: Path) -> None:
    """The three views, each in a state that has much on it, over a panel that is told how the set is."""
    states, axe = evening(), axe_script()
    found = []
    with served(tmp_path, CORNER) as panel:
        panel.say(**states["moved"])
        phone.open(panel.url)
        phone.sees("input[name=secret]").send_keys(panel.code())
        phone.sees("input[name=name]").send_keys("Ana")
        phone.tap("button.big, form button[type=submit]")
        phone.sees("#headline", "adrift", LONG)
        for path, state, drawn, text in (
            ("", "moved", "#drift li", "key"),
            ("/stand", "moved", "#stand .word", "ADRIFT"),
            ("/mark#at-key", "adjusting", "#at-key .step", ""),
        ):
            panel.say(**states[state])
            phone.open(f"{panel.url}/s/{SET}{path}")
            phone.sees(drawn, text)
            phone.run(axe)
            found += [f"{path} {state}: {line}" for line in phone.wait(AXE_RUN)]
        phone.nothing_wrong()
    assert found == [], "\n".join(found)

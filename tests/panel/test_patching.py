"""`patching.js` in a browser: what is there stays there, whatever else of a part changes."""

from __future__ import annotations

import functools
import http.server
import threading
from collections.abc import Iterator
from typing import Any

import pytest

from studiobridge.panel.files import STATIC
from tests.panel.browser import browser, needs_chromium

pytestmark = needs_chromium

ROWS = """<ul>{rows}</ul>"""
ROW = """<li><p>{text}</p><button class="ask" data-ask="restore" data-target="{name}">back</button></li>"""


class Files(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *said: object) -> None:
        pass


@pytest.fixture(scope="module")
def opened() -> Iterator[Any]:
    serve = functools.partial(Files, directory=str(STATIC))
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), serve)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    with browser() as made:
        page = made.new_page()
        page.goto(f"http://127.0.0.1:{server.server_port}/icon.svg")
        yield page, f"http://127.0.0.1:{server.server_port}"
    server.shutdown()


@pytest.fixture
def page(opened: Any) -> Any:
    found, url = opened
    found.goto(f"{url}/patching.js")
    found.evaluate(
        """async (url) => { document.body.innerHTML =
          '<div id="part"></div><svg><g id="drawn"></g></svg>';
        window.patching = await import(url); window.put = window.patching.put }""",
        f"{url}/patching.js",
    )
    return found


def put(page: Any, html: str, part: str = "part") -> None:
    page.evaluate("([part, html]) => window.put(part, html)", [part, html])


def rows(*names: str, text: str = "moved") -> str:
    return ROWS.format(rows="".join(ROW.format(name=name, text=text) for name in names))


def focused(page: Any) -> str:
    return str(
        page.evaluate("() => document.activeElement.dataset.target || document.activeElement.id")
    )


def test_a_row_before_it_leaves_the_focus_and_the_very_element_where_they_are(page: Any) -> None:
    put(page, rows("fill", "key"))
    page.focus("[data-target=key]")
    page.evaluate(
        "() => { window.was = document.activeElement; window.blurs = 0;"
        " window.was.addEventListener('blur', () => { window.blurs += 1 }) }"
    )
    put(page, rows("cloth", "fill", "key", text="moved more"))
    put(page, rows("key"))
    put(page, rows("key", "fill"))
    assert page.evaluate("() => [document.activeElement === window.was, window.blurs]") == [True, 0]
    assert page.inner_text("#part p >> nth=0") == "moved"
    assert page.locator("#part li").count() == 2


def test_what_goes_with_the_focus_on_it_leaves_it_to_its_part(page: Any) -> None:
    put(page, rows("fill", "key"))
    page.focus("[data-target=key]")
    put(page, rows("fill"))
    assert focused(page) == "part"
    assert page.locator("[data-target=key]").count() == 0


def test_what_goes_under_a_finger_stays_until_it_is_let_go(page: Any) -> None:
    put(page, rows("fill", "key"))
    page.evaluate(
        "() => { window.clicks = []; document.addEventListener('click',"
        " (e) => window.clicks.push(e.target.dataset.target)) }"
    )
    page.hover("[data-target=key]")
    page.mouse.down()
    put(page, rows("fill"))
    assert page.locator("[data-target=key]").count() == 1
    page.mouse.up()
    page.wait_for_selector("[data-target=key]", state="detached")
    assert page.evaluate("() => window.clicks") == ["key"]


def test_what_a_reader_opened_and_what_a_hand_types_is_its_own(page: Any) -> None:
    html = "<details><summary>more</summary><p>{n}</p></details><input id='note' value='{n}'>"
    put(page, html.format(n=1))
    page.click("summary")
    page.click("#note")
    page.keyboard.type("2")
    put(page, html.format(n=7))
    assert page.inner_text("details p") == "7"
    assert page.input_value("#note") == "12"
    page.evaluate("() => document.activeElement.blur()")
    put(page, html.format(n=8))
    assert page.input_value("#note") == "8"
    box = "<input type='checkbox' id='done'{on}>"
    put(page, box.format(on=""))
    page.click("#done")
    page.evaluate("() => document.activeElement.blur()")
    put(page, box.format(on=""))  # the server has not taken it
    assert not page.is_checked("#done")
    put(page, box.format(on=" checked"))
    assert page.is_checked("#done")


def test_a_drawing_is_changed_as_one(page: Any) -> None:
    put(page, '<circle r="3"/><text>key</text>', "drawn")
    put(page, '<circle r="4"/><circle r="5"/>', "drawn")
    found = page.evaluate(
        "() => [...document.getElementById('drawn').children].map((e) =>"
        " [e.namespaceURI.endsWith('svg'), e.getAttribute('r')])"
    )
    assert found == [[True, "4"], [True, "5"]]


def test_attributes_and_words_follow_and_unknown_parts_are_nobodys(page: Any) -> None:
    put(page, "<p class='a' title='x'>one <b>two</b></p>")
    put(page, "<p class='b'>one <i>three</i> four</p>")
    assert page.inner_html("#part") == '<p class="b">one <i>three</i> four</p>'
    put(page, "<p>x</p>", "nowhere")
    page.evaluate("() => window.patching.again()")
    assert page.inner_html("#part") == '<p class="b">one <i>three</i> four</p>'

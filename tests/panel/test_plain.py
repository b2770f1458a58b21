"""The set without scripts: its state can be read, and the switch pressed, in a browser that runs none."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from tests.brokers import needs_mosquitto
from tests.panel.browser import PHONE, findings, needs_chromium
from tests.panel.studio import Studio, studio, until

pytestmark = [needs_mosquitto, needs_chromium]
HOW = "one-plug-one-light"
SET = "shelf-corner"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    with studio(tmp_path_factory.mktemp("studio"), HOW) as found:
        until(
            lambda: httpx.get(f"{found.url}/health").status_code == 200,
            "the panel to see the bridge",
        )
        yield found


def looks_until(page: Any, text: str) -> None:
    """Look again, by the link that a person uses, until the page says it."""

    def there() -> bool:
        page.click("a:text-is('look again')")
        return text in page.inner_text(".now")

    until(there, text, 40)


def test_up_and_down_without_a_script(made: Studio, opened: Any) -> None:
    context = opened.new_context(viewport=PHONE, java_script_enabled=False)
    page = context.new_page()
    page.goto(made.url)
    page.fill("input[name=secret]", made.code())
    page.fill("input[name=name]", "Ana")
    page.click("button[type=submit]")
    page.wait_for_url("**/plain")  # the page that wants scripts sends on who has none
    assert page.inner_text(".now") == "DARK"
    assert re.search(r"As it was at \d\d:\d\d:\d\d", page.inner_text("main"))

    page.click("button:has-text('bring the set up')")
    assert page.url.startswith(f"{made.url}/s/{SET}/plain?answer=")
    assert page.inner_text(".came") != ""
    looks_until(page, "READY")
    assert page.locator(".came").count() == 0

    # down is asked back first, and no is the first thing that can be chosen
    page.click("button:has-text('take the set down')")
    assert page.inner_text("h1") == "Take the set down?"
    page.click("a:has-text('no, leave it')")
    looks_until(page, "READY")
    page.click("button:has-text('take the set down')")
    page.click("button:has-text('yes: take the set down')")
    assert page.inner_text(".came") != ""
    # what came of it is shown once: loading it again neither asks again nor says so
    page.reload()
    assert page.locator(".came").count() == 0
    looks_until(page, "DARK")
    page.goto(f"{made.url}/s/{SET}/stand")
    assert page.inner_text("#stand .word").strip() == "DARK"
    assert "As it was at" in page.inner_text("main")
    context.close()


@pytest.fixture(scope="module")
def visitor(made: Studio) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=made.url) as client:
        client.post("/pair", data={"secret": made.code(), "name": "Ana"})
        yield client


def token(client: httpx.Client) -> str:
    return str(client.get("/api/session").json()["token"])


def sent(client: httpx.Client, **fields: str) -> httpx.Response:
    return client.post(f"/s/{SET}/plain", data={"token": token(client), **fields})


def state(client: httpx.Client) -> str:
    return str(client.get(f"/api/sets/{SET}/state").json()["state"])


def test_who_has_no_right_asks_for_nothing(made: Studio, visitor: httpx.Client) -> None:
    path = f"/s/{SET}/plain"
    assert httpx.get(f"{made.url}{path}").status_code == 401
    assert httpx.post(f"{made.url}{path}", data={"what": "up"}).status_code == 401
    assert visitor.post(path, data={"what": "up"}).status_code == 403
    assert visitor.post(path, data={"what": "up", "token": "guessed"}).status_code == 403
    form = {"what": "up", "token": token(visitor)}
    for headers in ({"Origin": "http://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}):
        assert visitor.post(path, data=form, headers=headers).status_code == 403
    with httpx.Client(base_url=made.url) as viewer:
        viewer.post("/pair", data={"secret": made.code("--viewer"), "name": "Guest"})
        assert "<form" not in viewer.get(path).text
        assert sent(viewer, what="up").status_code == 403
    assert state(visitor) == "dark"


@pytest.mark.parametrize("what", ["cut", "toggle", "lockout", "keep", "x", ""])
def test_nothing_else_is_asked_and_nothing_at_once(
    made: Studio, visitor: httpx.Client, what: str
) -> None:
    reply = sent(visitor, what=what)
    if what == "cut":
        assert reply.status_code == 200 and "Cut everything now?" in reply.text
    else:
        assert reply.status_code == 303
        assert "nothing was asked" in visitor.get(reply.headers["location"]).text
    assert state(visitor) == "dark"


@pytest.mark.parametrize("made_at", ["0", "x", "99999999999999999999", "nan", "-1"])
def test_a_yes_from_an_old_page_is_asked_back_anew(visitor: httpx.Client, made_at: str) -> None:
    reply = sent(visitor, what="cut", made=made_at)
    assert reply.status_code == 200
    assert "nothing was asked yet" in reply.text


def test_what_came_of_it_is_for_who_asked(made: Studio, visitor: httpx.Client) -> None:
    where = sent(visitor, what="x").headers["location"]
    with httpx.Client(base_url=made.url) as other:
        other.post("/pair", data={"secret": made.code(), "name": "Bo"})
        assert "nothing was asked" not in other.get(where).text


def test_it_looks_again_by_itself_only_when_asked_to(visitor: httpx.Client) -> None:
    path = f"/s/{SET}/plain"
    assert "refresh" not in visitor.get(path).text
    assert '<meta http-equiv="refresh" content="3">' in visitor.get(f"{path}?again=3").text
    for odd in ("0", "1", "x", "3;url=http://elsewhere.example"):
        assert "refresh" not in visitor.get(path, params={"again": odd}).text


def test_axe_finds_nothing_without_scripts(
    made: Studio, opened: Any, visitor: httpx.Client
) -> None:
    context = opened.new_context(viewport=PHONE)
    context.add_cookies(
        [{"name": "studiobridge", "value": visitor.cookies["studiobridge"], "url": made.url}]
    )
    page = context.new_page()
    page.goto(f"{made.url}/s/{SET}/plain")
    found = findings(page)
    page.click("button:has-text('cut everything')")
    found += findings(page)
    assert page.evaluate("() => document.documentElement.scrollWidth") <= PHONE["width"]
    small = page.evaluate(
        "() => [...document.querySelectorAll('button, a')].filter((el) => el.offsetHeight < 43.5).map((el) => el.outerHTML)"
    )
    context.close()
    assert found == []
    assert small == []


def test_no_bridge_is_said_and_nothing_offered(made: Studio, visitor: httpx.Client) -> None:
    made.bridge.kill()
    try:
        until(
            lambda: "NOT CONNECTED" in visitor.get(f"/s/{SET}/plain").text,
            "the bridge to be missed",
            6,
        )
        text = visitor.get(f"/s/{SET}/plain").text
        assert "<form" not in text and "not confirmed" in text
        reply = sent(visitor, what="up")
        assert "nothing was asked" in visitor.get(reply.headers["location"]).text
    finally:
        made.bridge.start().said("running on")
        until(lambda: visitor.get("/health").status_code == 200, "the bridge to be back")

"""Around a take, on a phone: the one line, rows that are ticked, what is left once all is down."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.brokers import needs_mosquitto
from tests.panel import studio as studios
from tests.panel.browser import (
    PHONE,
    come_in,
    findings,
    needs_chromium,
    sure,
    watched,
)
from tests.panel.studio import Studio

pytestmark = [needs_mosquitto, needs_chromium]
LONG = 60_000


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    """The wheel corner, whose lamps are warm after two seconds."""
    quick = studios.quick
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            studios, "quick", lambda text: quick(text).replace("warm_up: 10 min", "warm_up: 2 s")
        )
        with studios.studio(tmp_path_factory.mktemp("before")) as found:
            yield found


def phone(opened: Any, made: Studio, name: str, role: str = "") -> Any:
    context = opened.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    page = context.new_page()
    page.wrong = watched(page)
    come_in(page, made.url, made.code(*(["--role", role] if role else [])), name)
    return page


def line(page: Any, text: str, within: int = LONG) -> None:
    page.wait_for_selector(f"#good-to-roll .heard:has-text('{text}')", timeout=within)


def short_of(page: Any) -> float:
    """How far (px) the page is wider than its window."""
    return float(page.evaluate("document.documentElement.scrollWidth - innerWidth"))


def test_around_a_take_by_touch_and_by_two(made: Studio, opened: Any) -> None:
    page = phone(opened, made, "Ana")
    line(page, "not yet: the set is dark")
    done = made.command("before")
    assert (done.returncode, done.stdout.splitlines()[0]) == (1, "not yet: the set is dark")

    page.tap("#big")
    line(page, "not yet: the set is rising")
    line(page, "not yet: lens wiped (not ticked)")

    # the styles of what is new leave the switch as it was
    assert page.locator("#big").bounding_box()["width"] > PHONE["width"] / 2

    # the line leads to the rows; another phone ticks one of them, and it is seen here
    page.tap("#good-to-roll a")
    page.wait_for_url("**/before")
    page.wait_for_selector("#tick-lens-wiped[aria-checked=false]")
    measured = page.locator(".row:not(.ask)")
    assert measured.count() == 5
    for row in (page.locator("#tick-lens-wiped"), page.locator("#good-to-roll a")):
        box = row.bounding_box()
        assert box["height"] >= 44 and box["width"] >= 300
    assert short_of(page) <= 0
    other = phone(opened, made, "Bo")
    other.goto(f"{made.url}/s/wheel-corner/before")
    other.tap("#tick-lens-wiped")
    page.wait_for_selector("#tick-lens-wiped[aria-checked=true]:has-text('Bo (page)')")
    page.tap("#tick-phone-silent")
    page.wait_for_selector("#tick-phone-silent[aria-checked=true]:has-text('Ana (page)')")
    done = made.command("before", "tick", "microphone on", "--by", "Cy")
    assert (done.returncode, done.stdout) == (0, "ticked: microphone on\n")
    line(page, "good to roll")
    done = made.command("before")
    assert done.returncode == 0, done.stdout
    assert done.stdout.splitlines()[0] == "good to roll"
    assert "  ✓ microphone on: Cy, " in done.stdout
    assert findings(page) == []

    # the focus stays on the row whose meaning turned under it
    page.focus("#tick-lens-wiped")
    page.keyboard.press("Enter")
    page.wait_for_selector("#tick-lens-wiped[aria-checked=false]")
    assert page.evaluate("document.activeElement.id") == "tick-lens-wiped"
    line(page, "not yet: lens wiped (not ticked)")

    # it rolls all the same; the tick for a take ends with it
    made.room.roll("camera", True)
    page.wait_for_selector("#times dt:has-text('this take')")
    made.room.roll("camera", False)
    page.wait_for_selector("#tick-phone-silent[aria-checked=false]", timeout=LONG)
    timeline = made.command("record", "--session", "1")
    assert "camera rolled before it was so: lens wiped" in timeline.stdout, timeline
    assert "Bo (page) ticks lens-wiped" in timeline.stdout

    # without the bridge nothing is good, and nothing can be ticked
    page.tap("#tick-lens-wiped")
    page.tap("#tick-phone-silent")
    line(page, "good to roll")
    made.bridge.kill()
    page.wait_for_selector("#good-to-roll .unknown", timeout=LONG)
    assert page.locator("#rows .ask:not([disabled])").count() == 0
    made.bridge.start().said("running on")
    page.wait_for_selector("#tick-lens-wiped[aria-checked=true]:has-text('Ana (page)')")
    # its key speaks only when it changes: nothing of it was heard by this bridge
    line(page, "not known: everything proven (key")

    # down: what is left stands above the fold in the hand, and whole on a page of its own
    page.goto(f"{made.url}/s/wheel-corner")
    page.wait_for_selector("#big .label:has-text('take it down')", timeout=LONG)
    page.tap("#big")
    sure(page, "Take the set down?")
    page.wait_for_selector("#after .left-over", timeout=LONG)
    box = page.locator("#after").bounding_box()
    assert box["y"] < PHONE["height"] / 2
    text = page.inner_text("#after")
    for said in ("Cards to empty: camera", "clip-mic", "0 of 3 ticked"):
        assert said in text, text
    # what only has to be known is a touch away: the room is seen as well
    assert "Stays on" not in text
    line(page, "not yet: the set is dark")
    page.tap("#after a")
    page.wait_for_url("**/after")
    page.wait_for_selector("#left-over:has-text('Stays on')")
    page.tap("#tick-card-emptied")
    page.wait_for_selector("#tick-card-emptied[aria-checked=true]:has-text('Ana (page)')")
    assert findings(page) == []
    assert short_of(page) <= 0
    done = made.command("after")
    assert done.returncode == 0
    assert "  ✓ card emptied: Ana (page), " in done.stdout
    assert page.wrong == [] and other.wrong == []


def test_a_page_that_hears_nothing_shows_no_old_line_as_if_it_were_now(
    made: Studio, opened: Any
) -> None:
    page = phone(opened, made, "Dee")
    line(page, "not yet")
    page.context.set_offline(True)
    made.page.kill()
    page.wait_for_selector("#good-to-roll .unheard:visible", timeout=LONG)
    assert not page.is_visible("#good-to-roll .heard")
    page.close()

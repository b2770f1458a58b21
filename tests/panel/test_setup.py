"""A set put up with the phone in one hand: the list, its ticks, and that they claim nothing."""

from __future__ import annotations

from pathlib import Path

from tests.brokers import needs_mosquitto
from tests.panel.browser import PHONE, browser, come_in, findings, needs_chromium, watched
from tests.panel.studio import studio

pytestmark = [needs_mosquitto, needs_chromium]


def test_ticks_are_kept_on_this_device_and_tell_nobody(tmp_path: Path) -> None:
    with studio(tmp_path, "market-stall") as made, browser() as opened:
        page = opened.new_context(viewport=PHONE, has_touch=True, is_mobile=True).new_page()
        wrong = watched(page)
        come_in(page, made.url, made.code())
        page.tap(".views a[href$='/setup']")
        page.wait_for_url("**/s/market-stall/setup")
        sent: list[str] = []
        page.on("request", lambda request: sent.append(request.method))
        panel = "li:has-text('left-panel'):has-text('tapes 9 ft 4 in left, 14 ft 7 3/4 in right')"
        page.tap(f"{panel} label")
        assert page.is_checked(f"{panel} input")
        assert "POST" not in sent  # nothing was asked of anybody
        assert "nobody else sees it" in page.inner_text("header")
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        assert findings(page) == []
        page.reload()
        assert page.is_checked(f"{panel} input")
        assert page.locator("input:checked").count() == 1
        # the other way has ticks of its own, and leads from the camera back to the wall
        page.tap("a:has-text('strike it')")
        page.wait_for_selector("h1:has-text('Striking it')")
        assert page.locator("input:checked").count() == 0
        names = page.locator("section:has(h2:has-text('From the camera')) strong").all_inner_texts()
        assert names[0] == "camera" and names[-1] == "cloth"
        page.go_back()
        page.tap("#untick")
        page.reload()
        assert page.locator("input:checked").count() == 0
        # a look that is not there, by whoever types an address
        assert page.goto(f"{made.url}/s/market-stall/setup?look=nightfall").status == 404
        assert wrong == [] or all("404" in text for text in wrong), wrong

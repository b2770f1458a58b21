"""Times that count on a page: by the bridge's clock, and only while the bridge is heard."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from studiobridge.panel.files import STATIC
from tests.panel.browser import needs_chromium

pytestmark = needs_chromium
BRIDGE = datetime(2026, 3, 1, 20, 0, 0, tzinfo=UTC)
PAGE = """<!doctype html><p id="to" data-counts-to="2026-03-01T20:01:30.000Z">?</p>
<p id="over" data-counts-to="2026-03-01T20:00:02.000Z" data-counts-over="a little longer">?</p>
<p id="from" data-counts-from="2026-03-01T19:59:18.000Z" data-counts-as="clock">?</p>
<p id="long" data-counts-from="2026-03-01T18:57:55.000Z" data-counts-as="clock">?</p>
<p id="odd" data-counts-to="nonsense">?</p>
<script type="module">
import * as counting from "/counting.js";
window.counting = counting;
</script>"""


@pytest.fixture
def page(opened: Any) -> Iterator[Any]:
    """A page whose own clock is two hours wrong, and stands until it is told to go on."""
    made = opened.new_page()
    script = (STATIC / "counting.js").read_text(encoding="utf-8")
    made.route("**/counting.js", lambda r: r.fulfill(body=script, content_type="text/javascript"))
    made.route("**/", lambda r: r.fulfill(body=PAGE, content_type="text/html"))
    made.clock.install(time=BRIDGE + timedelta(hours=2, seconds=7))
    made.clock.pause_at(BRIDGE + timedelta(hours=2, seconds=8))
    made.goto("http://page.test/")
    made.wait_for_function("() => window.counting")
    yield made
    made.close()


def beat(page: Any, after: float = 0.0) -> None:
    page.evaluate("(at) => counting.heard(at)", BRIDGE.timestamp() + after)


def said(page: Any, *names: str) -> list[str]:
    return [page.inner_text(f"#{name}") for name in names]


def run(page: Any, seconds: float) -> None:
    page.clock.run_for(int(seconds * 1000))


def test_nothing_counts_before_the_bridge_is_heard(page: Any) -> None:
    run(page, 0.5)
    assert said(page, "to", "from") == ["–", "–"]


def test_a_page_whose_clock_is_wrong_counts_right(page: Any) -> None:
    beat(page)
    assert said(page, "to", "from", "long") == ["1 min 30 s", "0:42", "1:02:05"]
    assert said(page, "odd") == ["–"]
    run(page, 1)
    assert said(page, "to", "from") == ["1 min 29 s", "0:43"]


def test_it_counts_by_itself_and_stops_when_no_beat_comes(page: Any) -> None:
    beat(page)
    run(page, 3.5)
    assert said(page, "to", "from") == ["1 min 27 s", "0:45"]
    run(page, 1)
    assert said(page, "to", "from") == ["–", "–"]
    beat(page, 4.5)
    assert said(page, "to", "from") == ["1 min 26 s", "0:46"]


def test_it_stops_at_once_when_the_panel_has_no_bridge(page: Any) -> None:
    beat(page)
    page.evaluate("() => counting.heard(null)")
    assert said(page, "to", "from") == ["–", "–"]


def test_what_is_over_is_not_said_to_have_come(page: Any) -> None:
    beat(page)
    assert said(page, "over") == ["2 s"]
    run(page, 2)
    assert said(page, "over") == ["a little longer"]


def test_a_late_beat_does_not_make_it_count_back(page: Any) -> None:
    beat(page)
    run(page, 1)
    beat(page, 0.2)  # sent 0.8 s ago
    assert said(page, "to", "from") == ["1 min 29 s", "0:43"]


def test_the_bridge_s_clock_may_be_set_anew(page: Any) -> None:
    beat(page)
    beat(page, 30.0)
    assert said(page, "to", "from") == ["1 min 00 s", "1:12"]
    beat(page, 0.0)
    assert said(page, "to", "from") == ["1 min 30 s", "0:42"]


def test_what_is_put_anew_is_counted_before_it_is_seen(page: Any) -> None:
    beat(page)
    text = page.evaluate(
        """async () => { const el = document.getElementById("to");
        el.outerHTML = '<p id="to" data-counts-to="2026-03-01T20:00:10Z">as drawn</p>';
        await Promise.resolve(); return document.getElementById("to").textContent }"""
    )
    assert text == "10 s"


def test_a_phone_that_slept_counts_nothing_until_it_hears_again(page: Any) -> None:
    beat(page)
    # the one clock stood while the machine slept, the other went on
    page.evaluate("() => { const was = Date.now; Date.now = () => was() + 60000 }")
    run(page, 0.5)
    assert said(page, "to", "from") == ["–", "–"]
    beat(page, 61.0)
    assert said(page, "from") == ["1:43"]

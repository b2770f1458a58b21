"""Gear told quiet on the page: one line, one button, and what is still off after."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from studiobridge.shown import quieted
from tests.brokers import needs_mosquitto
from tests.panel.browser import browser, come_in, needs_chromium, sure
from tests.panel.studio import Studio, studio, until

pytestmark = [needs_mosquitto, needs_chromium]
AT = "2026-11-26T21:00:00.000Z"


def said(state: str, why: str = "x", back: str | None = AT) -> dict[str, Any]:
    return {"device": "fridge", "state": state, "since": AT, "back_at": back, "why": why}


def test_what_waits_for_a_person_is_said_first_and_as_that() -> None:
    state = {"quiet": [said("quiet"), {**said("cut", back=None), "device": "ice"}]}
    first, second = quieted.lines(state)
    assert (
        first.startswith("ice is OFF SINCE THE CUT") and "nothing brings it back but you" in first
    )
    assert second.startswith("fridge is quiet, back by itself at ")
    assert quieted.urgent(state) and not quieted.urgent({"quiet": [said("quiet")]})


@pytest.mark.parametrize("state", [*quieted.STATES, "a word of a later bridge"])
def test_every_state_has_its_line_and_no_device_says_more_than_text(state: str) -> None:
    (line,) = quieted.lines({"quiet": [{**said(state), "device": "fri\x1b[31mdge"}]})
    assert "fri" in line and "\x1b" not in line


def test_nonsense_in_every_field_is_no_traceback() -> None:
    for entry in ({}, {"state": 3}, {"device": None, "since": [], "back_at": {}}):
        assert all(isinstance(line, str) for line in quieted.lines({"quiet": [entry]}))
        assert not quieted.urgent({"quiet": [entry]})
    assert quieted.lines({"quiet": "x"}) == [] and quieted.lines({}) == []


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Studio, Any]]:
    with (
        studio(tmp_path_factory.mktemp("quiet"), name="spare-room") as made,
        browser() as opened,
    ):
        page = opened.new_context(viewport={"width": 360, "height": 740}).new_page()
        come_in(page, made.url, made.code())
        yield made, page


def test_an_evening_of_a_heater_by_touch(room: tuple[Studio, Any]) -> None:
    made, page = room
    heater = made.room.room.devices["heater"]
    assert heater.contact
    button = page.locator("#quieted button")
    button.get_by_text("quiet: heater off for a while").wait_for()
    assert button.bounding_box()["height"] >= 44
    button.click()
    page.locator("#quieted .hushed").get_by_text(re.compile("heater is quiet")).wait_for()
    assert not heater.contact
    after = page.context.new_page()
    after.goto(page.url.split("?")[0] + "/after")
    after.locator("#still-quiet").get_by_text("bring back what is quiet").wait_for()
    after.get_by_text("heater, back on at").wait_for()
    after.close()
    page.locator("#quieted button").click()  # power comes on: asked once more, elsewhere
    assert not heater.contact
    sure(page, "Are all hands off it?")
    until(lambda: heater.contact, "it is on again", 20.0)
    page.locator("#quieted button").get_by_text("quiet: heater").wait_for()
    assert page.locator("#quieted .hushed").count() == 0


def test_no_bridge_no_line_and_no_button_that_can_be_pressed(room: tuple[Studio, Any]) -> None:
    made, page = room
    page.locator("#quieted button").click()
    page.locator("#quieted .hushed").wait_for()
    made.bridge.kill()
    until(lambda: page.locator("#quieted .hushed").count() == 0, "no line", 10.0)
    assert page.locator("#quieted button").is_disabled()
    made.bridge.start().said("running on")

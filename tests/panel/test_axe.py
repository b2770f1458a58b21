"""axe-core finds nothing: every page, at three sizes, in light, dark and dim; and by keyboard."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.brokers import needs_mosquitto
from tests.panel.browser import (
    LAPTOP,
    PHONE,
    TABLET,
    browser,
    come_in,
    findings,
    needs_chromium,
    watched,
)
from tests.panel.studio import studio

pytestmark = [needs_mosquitto, needs_chromium]


def dressed(page: Any, mode: str, size: dict[str, int]) -> None:
    # high enough that nothing lies half under the switch, which stays in view
    page.set_viewport_size({"width": size["width"], "height": 5000})
    page.emulate_media(color_scheme="dark" if mode == "dark" else "light", reduced_motion="reduce")
    # as the button does, which not every page has
    page.evaluate(
        """(dim) => { const of = document.documentElement;
        if (dim) of.dataset.mode = 'dim'; else delete of.dataset.mode }""",
        mode == "dim",
    )
    page.wait_for_timeout(80)


LOOKS = (
    ("light", PHONE), ("light", TABLET), ("light", LAPTOP), ("dark", PHONE), ("dim", PHONE),
)  # fmt: skip

# where a state is in every light at a phone's size already (test_views.py)
OTHER = (("light", TABLET), ("dark", PHONE), ("dim", LAPTOP))


def everywhere(page: Any, where: str, looks: Any = OTHER) -> list[str]:
    found = []
    # dark and dim change colours alone, and a size changes none: not each of them with each
    for mode, size in looks:
        dressed(page, mode, size)
        found += [f"{where}, {mode}, {size['width']}: {text}" for text in findings(page)]
    dressed(page, "light", PHONE)
    return found


def test_axe_finds_nothing(tmp_path: Path) -> None:
    with studio(tmp_path) as made, browser() as opened:
        page = opened.new_context(viewport=PHONE).new_page()
        wrong = watched(page)
        page.goto(made.url)
        found = findings(page)
        come_in(page, made.url, made.code())
        page.wait_for_selector("#headline:has-text('dark')")
        found += everywhere(page, "dark set")
        page.click("#big")
        page.wait_for_selector("#headline:has-text('rising')")
        found += [f"rising: {text}" for text in findings(page)]
        page.wait_for_selector("#headline:has-text('ready')", timeout=60_000)
        page.click("#dials li .ask >> nth=0")
        made.room.touch("key", level=90.0)
        page.wait_for_selector("#drift li", timeout=60_000)
        page.click("summary:has-text('everything in words')")
        found += everywhere(page, "adrift", LOOKS)
        page.click("#drift li .ask:has-text('keep it so')")
        page.wait_for_selector("#sure:not([hidden]):not(.fresh)")
        found += [f"asked: {text}" for text in findings(page)]
        page.click("#things .thing >> nth=6")
        page.wait_for_selector("#d[open] #d-title")
        found += everywhere_but_dim(page, "device")
        page.click("#d .close")
        page.click("#cut-open")
        found += [f"cut: {text}" for text in findings(page)]
        page.click("#cut .close")
        made.room.roll("camera", True)
        page.wait_for_selector("#rolling:has-text('ROLLING')")
        found += everywhere(page, "rolling")
        made.room.roll("camera", False)
        made.bridge.kill()
        page.wait_for_selector("#truth:has-text('No bridge')")
        found += everywhere(page, "no bridge")
        page.goto(f"{made.url}/s/wheel-corner/record")
        found += everywhere(page, "record")
        page.click("text=session 1")
        page.wait_for_selector("h2:has-text('How it stood')")
        found += [f"session: {text}" for text in findings(page)]
        assert found == []
        assert wrong == []


def everywhere_but_dim(page: Any, where: str) -> list[str]:
    """A dialog is in front of the button that dims."""
    found = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        found += [f"{where}, {scheme}: {text}" for text in findings(page)]
    page.emulate_media(color_scheme="light")
    return found


def test_by_keyboard_alone(tmp_path: Path) -> None:
    with studio(tmp_path, "one-plug-one-light") as made, browser() as opened:
        page = opened.new_context(viewport=LAPTOP).new_page()
        page.goto(made.url)
        page.keyboard.type(made.code())  # the field has the focus
        page.keyboard.press("Enter")
        page.wait_for_selector("#headline:has-text('dark')")
        page.keyboard.press("Tab")
        assert page.evaluate("() => document.activeElement.className") == "skip"
        page.keyboard.press("Enter")
        assert page.evaluate("() => document.activeElement.id") == "big"
        page.keyboard.press("Enter")
        page.wait_for_selector("#headline:has-text('ready')", timeout=60_000)
        # the part was drawn anew many times; the focus is where it was
        assert page.evaluate("() => document.activeElement.id") == "big"
        page.keyboard.press("Enter")
        page.wait_for_selector("#sure:not([hidden]):not(.fresh)")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector("#headline:has-text('dark')", timeout=60_000)

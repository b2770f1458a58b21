"""Debian's Chromium through Playwright, and axe-core from the npm registry."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import hashlib
import io
import shutil
import tarfile
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_chromium = pytest.mark.skipif(
    CHROMIUM is None, reason="needs chromium (tests/run installs it)"
)
PHONE = {"width": 360, "height": 740}
TABLET = {"width": 820, "height": 1180}
LAPTOP = {"width": 1366, "height": 768}

AXE_VERSION = "4.10.2"
AXE_URL = f"https://registry.npmjs.org/axe-core/-/axe-core-{AXE_VERSION}.tgz"
# as the registry states it for this version (dist.integrity)
AXE_SHA512 = (
    "RE3mdQ7P3FRSe7eqCWoeQ/Z9QXrtniSjp1wUjt5nRC3WIpz5rSCve6o3fsZ2aCpJtrZjSZgjwXAoTO5k4tEI0w=="
)
CACHE = Path(__file__).parents[2] / ".venv" / "cache"


def axe_script() -> str:
    """axe.min.js, fetched once and checked against the registry's own hash."""
    kept = CACHE / f"axe-{AXE_VERSION}.min.js"
    if kept.exists():
        return kept.read_text(encoding="utf-8")
    with urllib.request.urlopen(AXE_URL, timeout=60) as reply:
        packed = reply.read()
    found = base64.b64encode(hashlib.sha512(packed).digest()).decode()
    assert found == AXE_SHA512, f"axe-core {AXE_VERSION} is not what the registry says: {found}"
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        inside = archive.extractfile("package/axe.min.js")
        assert inside is not None
        text = inside.read().decode("utf-8")
    with contextlib.suppress(OSError):
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_text(text, encoding="utf-8")
    return text


class _Kept:
    """One Chromium for a whole run of tests: starting it costs more than most of them."""

    def __init__(self) -> None:
        self.wanted = False
        self.running: tuple[Any, Any, Any] | None = None
        self.users = 0


_KEPT = _Kept()


@contextlib.contextmanager
def kept() -> Iterator[None]:
    """Within this, `browser` gives the same one each time; it is started when it is first wanted."""
    _KEPT.wanted = True
    try:
        yield
    finally:
        _KEPT.wanted = False
        if _KEPT.running is not None:
            play, made, loop = _KEPT.running
            _KEPT.running = None
            asyncio._set_running_loop(loop)
            made.close()
            play.stop()


@contextlib.contextmanager
def browser() -> Iterator[Any]:
    """A browser with nothing open in it; what is opened is closed at the end."""
    from playwright.sync_api import sync_playwright

    if not _KEPT.wanted:
        with sync_playwright() as play:
            made = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
            try:
                yield made
            finally:
                made.close()
        return
    if _KEPT.running is None:
        play = sync_playwright().start()
        made = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        _KEPT.running = (play, made, asyncio.get_running_loop())
    _, made, loop = _KEPT.running
    # Playwright lets this thread look as if its loop were running, as long as it is in use; other
    # tests of this process have loops of their own
    asyncio._set_running_loop(loop)
    before = list(made.contexts)
    _KEPT.users += 1
    try:
        yield made
    finally:
        for context in made.contexts:
            if context not in before:
                context.close()
        _KEPT.users -= 1
        if not _KEPT.users:
            asyncio._set_running_loop(None)


def watched(page: Any) -> list[str]:
    """Everything that goes wrong on a page: errors of scripts, and of what the rules forbid."""
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))

    def said(message: Any) -> None:
        if message.type == "error" and "ERR_" not in message.text:
            wrong.append(message.text)

    page.on("console", said)
    return wrong


def come_in(page: Any, url: str, code: str, name: str = "Ana") -> None:
    page.goto(url)
    page.fill("input[name=secret]", code)
    page.fill("input[name=name]", name)
    page.click("button[type=submit]")
    # a viewer has it too, and does not see it
    page.wait_for_selector("#big .label", state="attached")


def sure(page: Any, asks: str) -> None:
    """Answer the question a first touch raised with yes, as soon as that counts."""
    page.wait_for_selector(f"#sure:not(.fresh):has-text('{asks}')", timeout=5000)
    page.click("#sure-yes")


# what passed is not told in detail: that takes longer than finding what did not
AXE_RUN = """() => axe.run(document, {resultTypes: ['violations'], runOnly: {type: 'tag', values:
  ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}})
  .then(({violations}) => violations.flatMap((v) => v.nodes.map((node) =>
    `${v.id}: ${node.target} ${node.html.slice(0, 120)} ${(node.failureSummary || '').slice(0, 300)}`)))"""


def findings(page: Any) -> list[str]:
    """What axe finds against WCAG 2.2 A and AA, a line each."""
    # as an evaluated script: the page's own rules forbid a foreign script element
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(axe_script())
    return list(page.evaluate(AXE_RUN))

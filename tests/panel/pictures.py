"""The pictures of the page in the README, drawn anew: python -m tests.panel.pictures FOLDER

Or every state at three sizes in light, dark and dim, to be looked at: … FOLDER --all
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Any

from tests.panel.browser import LAPTOP, PHONE, TABLET, browser, come_in
from tests.panel.studio import studio

SIZES = {"phone": PHONE, "tablet": TABLET, "laptop": LAPTOP}


def shoot(page: Any, folder: Path, name: str, every: bool) -> None:
    for mode in ("light", "dark", "dim"):
        for size, box in SIZES.items():
            if not every and (size != "phone" or name not in KEPT.get(mode, ())):
                continue
            page.set_viewport_size(box)
            scheme = "dark" if mode == "dark" else "light"
            page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
            page.evaluate(
                "(on) => { if (on) document.documentElement.dataset.mode = 'dim';"
                " else delete document.documentElement.dataset.mode }",
                mode == "dim",
            )
            # a click on the switch below scrolls to it: a picture begins at the top of the page
            page.evaluate("window.scrollTo(0, 0)")
            page.wait_for_timeout(350)
            where = folder / f"page-{name}-{mode}{'' if not every else '-' + size}.png"
            page.screenshot(path=where)
            smaller(where)


KEPT = {"light": ("up", "moved"), "dark": ("rolling",), "dim": ("ready",)}


def smaller(path: Path) -> None:
    """Fewer colours, a quarter of the bytes; Pillow comes with nothing of ours, so only if there."""
    try:
        from PIL import Image
    except ImportError:
        return
    with Image.open(path) as picture:
        picture.convert("RGB").quantize(128).save(path, optimize=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--all", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, studio(Path(name)) as made, browser() as opened:
        page = opened.new_context(viewport=PHONE).new_page()
        come_in(page, made.url, made.code())

        def shot(what: str) -> None:
            shoot(page, asked.folder, what, asked.all)

        page.wait_for_selector("#headline:has-text('dark')")
        page.wait_for_timeout(900)
        shot("dark")
        page.click("#big")
        page.wait_for_selector("#run rect.confirmed")
        page.wait_for_timeout(1400)
        shot("up")
        page.wait_for_selector("#headline:has-text('ready')", timeout=60_000)
        page.wait_for_timeout(600)
        shot("ready")
        made.room.touch("key", level=90.0)
        page.wait_for_selector("#drift li", timeout=60_000)
        page.wait_for_timeout(600)
        shot("moved")
        made.room.roll("camera", True)
        page.wait_for_selector("#rolling:has-text('ROLLING')")
        shot("rolling")
        made.room.roll("camera", False)
        page.wait_for_timeout(1500)
        page.click("#big")
        page.click("#big")
        page.wait_for_selector("#headline:has-text('lowering')")
        page.wait_for_timeout(2000)
        shot("lowering")
        page.wait_for_selector("#headline:has-text('dark')", timeout=60_000)
        shot("left")
        made.bridge.kill()
        page.wait_for_selector("#truth:has-text('No bridge')")
        shot("no-bridge")
        page.goto(f"{made.url}/s/wheel-corner/record")
        shot("record")
        page.click("text=session 1")
        shot("session")


if __name__ == "__main__":
    main()

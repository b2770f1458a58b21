"""The pictures of the page in README and config/, drawn anew: python -m tests.panel.pictures FOLDER

Or every view and state at three sizes, in light, dark and dim, in English and German, joined in
sheets to be looked at: … FOLDER --all
"""

from __future__ import annotations

import argparse
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.panel import studio as studios
from tests.panel.browser import LAPTOP, PHONE, TABLET, browser, come_in, sure

SIZES = {"phone": PHONE, "tablet": TABLET, "laptop": LAPTOP, "lying": {"width": 740, "height": 360}}
VIEWS = {"hand": "", "stand": "/stand", "mark": "/mark#at-key"}
# What is kept: view, state and mode, and the size of its window; a stand's phone lies on its side.
LYING = {"width": 740, "height": 360}
KEPT: dict[tuple[str, str, str], dict[str, int]] = {
    ("hand", "up", "light"): PHONE,
    ("hand", "moved", "light"): PHONE,
    ("hand", "good", "dim"): PHONE,
    ("stand", "good", "dark"): LYING,
    ("stand", "moved", "dark"): LYING,
    ("stand", "rolling", "dark"): LYING,
    ("mark", "mark", "light"): PHONE,
}
# (language, mode, size): German once, for its long words
EVERY = [
    *(("en", mode, size) for mode in ("light", "dark", "dim") for size in ("phone", "lying")),
    ("de", "light", "phone"), ("en", "light", "tablet"), ("en", "light", "laptop"),
    ("de", "dark", "laptop"),
]  # fmt: skip
SHORT = [("en", "light", "phone"), ("de", "dark", "lying"), ("en", "light", "laptop")]
BRIEF = ("up", "lowering")
# Where it passes a step, gear takes its time: all of a state has to be drawn while it lasts.
PACE = 1.5


class Shooting:
    """One view a tab, in two languages, and a picture of each."""

    def __init__(self, folder: Path, every: bool) -> None:
        self.folder, self.every = folder, every
        self.tabs: dict[tuple[str, str], Any] = {}

    def open(self, opened: Any, made: Any) -> None:
        for language in ("en", "de") if self.every else ("en",):
            locale = "de-DE" if language == "de" else "en-GB"
            context = opened.new_context(viewport=PHONE, locale=locale, reduced_motion="reduce")
            for view, path in VIEWS.items():
                page = context.new_page()
                if view == "hand":
                    come_in(page, made.url, made.code())
                else:
                    page.goto(f"{made.url}/s/wheel-corner{path}")
                self.tabs[language, view] = page

    def shot(self, state: str, views: tuple[str, ...] = tuple(VIEWS)) -> None:
        for view in views:
            for language, mode, size, box in self._wanted(view, state):
                page = self.tabs[language, view]
                page.bring_to_front()
                page.set_viewport_size(box)
                turn(page, mode)
                page.wait_for_timeout(120 if state in BRIEF else 300)
                name = f"{view}-{state}-{mode}"
                if self.every:
                    name += f"-{size}-{language}"
                save(page, self.folder / f"page-{name}.png")

    def _wanted(self, view: str, state: str) -> Iterator[tuple[str, str, str, dict[str, int]]]:
        if self.every:
            for language, mode, size in SHORT if state in BRIEF else EVERY:
                yield language, mode, size, SIZES[size]
            return
        for (kept, its, mode), box in KEPT.items():
            if (kept, its) == (view, state):
                yield "en", mode, "", box

    def pages(self, made: Any, names: tuple[str, ...]) -> None:
        """Pages that stand by themselves, at every size."""
        if not self.every:
            return
        for language in ("en", "de"):
            page = self.tabs[language, "hand"]
            page.bring_to_front()
            for name in names:
                page.goto(f"{made.url}{name}")
                title = re.sub(r"\W+", "-", name.removeprefix("/s/wheel-corner")).strip("-")
                for size in ("phone", "laptop"):
                    page.set_viewport_size(SIZES[size])
                    turn(page, "light")
                    page.wait_for_timeout(300)
                    save(page, self.folder / f"page-{title}-page-light-{size}-{language}.png")


def turn(page: Any, mode: str) -> None:
    page.emulate_media(color_scheme="dark" if mode == "dark" else "light", reduced_motion="reduce")
    page.evaluate(
        "(on) => { if (on) document.documentElement.dataset.mode = 'dim';"
        " else delete document.documentElement.dataset.mode }",
        mode == "dim",
    )
    # a click on the switch below scrolls to it: a picture begins at the top of the page
    page.evaluate("if (!location.hash) window.scrollTo(0, 0)")


def save(page: Any, where: Path) -> None:
    page.screenshot(path=where)
    smaller(where)


def smaller(path: Path) -> None:
    """Fewer colours, a quarter of the bytes; Pillow comes with nothing of ours, so only if there."""
    try:
        from PIL import Image
    except ImportError:
        return
    with Image.open(path) as picture:
        picture.convert("RGB").quantize(64).save(path, optimize=True)


def sheets(folder: Path) -> None:
    """All pictures of one size side by side, so that eyes have few files to look at."""
    try:
        from PIL import Image
    except ImportError:
        return
    kinds: dict[str, list[Path]] = {}
    for path in sorted(folder.glob("page-*.png")):
        _, view, _, *_, size, language = path.stem.split("-")
        view = view if view in VIEWS else "pages"
        kinds.setdefault(f"{view}-{size}-{language}", []).append(path)
    for kind, paths in kinds.items():
        across = 2 if "laptop" in kind else 3 if "lying" in kind else 6
        for at in range(0, len(paths), across * 2):
            part = [Image.open(path).convert("RGB") for path in paths[at : at + across * 2]]
            wide, tall = part[0].width + 8, part[0].height + 8
            sheet = Image.new("RGB", (wide * across, tall * -(-len(part) // across)), "magenta")
            for i, picture in enumerate(part):
                sheet.paste(picture, (i % across * wide, i // across * tall))
            sheet.save(folder / f"sheet-{kind}-{at // (across * 2)}.png")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--all", action="store_true")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    made_quick = studios.quick
    # a lamp's ten minutes would be ten minutes here
    studios.quick = lambda text: re.sub("warm_up: 10 min", "warm_up: 8 s", made_quick(text, PACE))
    shooting = Shooting(asked.folder, asked.all)
    with (
        tempfile.TemporaryDirectory() as name,
        studios.studio(Path(name)) as made,
        browser() as opened,
    ):
        shooting.open(opened, made)
        evening(shooting, made)
    if asked.all:
        sheets(asked.folder)


def evening(shooting: Shooting, made: Any) -> None:
    page = shooting.tabs["en", "hand"]

    def wait(selector: str, within: int = 60_000) -> None:
        page.wait_for_selector(selector, timeout=within)
        page.wait_for_timeout(700)

    wait("#headline:has-text('dark')")
    shooting.shot("dark")
    page.click("#big")
    page.wait_for_selector("#run rect.confirmed", timeout=60_000)
    page.wait_for_timeout(2500)
    shooting.shot("up")
    wait("#headline:has-text('ready')")
    shooting.shot("ready")
    made.command("by-hand")
    made.command("before", "tick", "lens wiped", "microphone on", "phone silent")
    wait("#good-to-roll:has-text('good to roll')")
    shooting.shot("good")
    mark = shooting.tabs["en", "mark"]
    mark.bring_to_front()
    for _ in range(2):
        mark.locator("#at-key button.step:has-text('brighter')").click()
        mark.wait_for_timeout(1500)
    shooting.shot("mark", ("mark", "stand", "hand"))
    made.command("adjust", "key", "--back")
    page.wait_for_timeout(1500)
    made.room.touch("key", level=90.0)
    wait("#drift li")
    shooting.shot("moved")
    made.command("restore")
    page.wait_for_timeout(1500)
    made.room.roll("camera", True)
    wait("#rolling:has-text('ROLLING')")
    shooting.shot("rolling")
    page.bring_to_front()
    page.click("#big")
    page.wait_for_timeout(800)
    if page.query_selector("#sure") is not None:
        sure(page, "")
    page.wait_for_timeout(1500)
    shooting.shot("waits")
    made.command("down", "--withdraw")
    page.wait_for_timeout(500)
    made.room.roll("camera", False)
    page.wait_for_timeout(4000)
    made.command("takes", "1", "--good")
    shooting.shot("after-take")
    if shooting.every:
        shooting.pages(
            made, ("/s/wheel-corner/before", "/s/wheel-corner/takes", "/s/wheel-corner/takes/1")
        )
        for language in ("en", "de"):
            shooting.tabs[language, "hand"].goto(f"{made.url}/s/wheel-corner")
            shooting.tabs[language, "hand"].wait_for_selector("#big .label", state="attached")
        page.bring_to_front()
        page.click("#big")
        sure(page, "")
        wait("#headline:has-text('lowering')")
        shooting.shot("lowering")
        wait("#headline:has-text('dark')")
        shooting.shot("left")
        shooting.pages(
            made,
            (
                *(f"/s/wheel-corner/{p}" for p in ("after", "record", "record/1", "setup")),
                "/",
                "/this-page",
            ),
        )
        for language in ("en", "de"):
            shooting.tabs[language, "hand"].goto(f"{made.url}/s/wheel-corner")
            shooting.tabs[language, "hand"].wait_for_selector("#big .label", state="attached")
        made.bridge.kill()
        page.wait_for_timeout(4000)
        shooting.shot("no-bridge")
        made.page.kill()
        page.wait_for_timeout(6000)
        shooting.shot("no-panel")


if __name__ == "__main__":
    main()

"""The icons that are no drawing by themselves, made of icon.svg: python -m tests.panel.icons

A maskable icon is cut to any shape by whoever installs it: its ground goes to the edge, and what is
drawn stays within a circle of 40 % of its side (W3C, Web Application Manifest, "safe zone").
"""

from __future__ import annotations

import re
from pathlib import Path

from studiobridge.panel.files import STATIC
from studiobridge.panel.kept import GROUND
from tests.panel.browser import browser

# The drawing of icon.svg lies within a circle of 83 of its 192 px, which is 43 %.
WITHIN = 0.85
SIDES = {"icon-192.png": 192, "icon-512.png": 512, "icon-maskable-512.png": 512}


def page(name: str, side: int) -> str:
    drawing = (STATIC / "icon.svg").read_text(encoding="utf-8")
    if "maskable" in name:
        inside = re.sub(r"^<svg[^>]*>|</svg>\s*$|<rect[^>]*/>", "", drawing)
        drawing = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 192 192"><rect width="192"'
            f' height="192" fill="{GROUND}"/><g transform="translate(96 96) scale({WITHIN})'
            f' translate(-96 -94)">{inside}</g></svg>'
        )
    style = f"*{{margin:0}}svg{{display:block;width:{side}px;height:{side}px}}"
    return f"<!doctype html><style>{style}</style>{drawing}"


def draw(folder: Path) -> None:
    with browser() as opened:
        for name, side in SIDES.items():
            made = opened.new_page(viewport={"width": side, "height": side})
            made.set_content(page(name, side))
            made.screenshot(path=folder / name, omit_background=True)
            made.close()


if __name__ == "__main__":
    draw(STATIC)

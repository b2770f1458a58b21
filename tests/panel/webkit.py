"""Debian's WebKitGTK, the engine of half the phones, through its own WebDriver and on a screen of its own."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

PLACES = [*os.environ.get("PATH", "").split(os.pathsep), *map(str, Path("/usr/lib").glob("*"))]
DRIVER = shutil.which("WebKitWebDriver", path=os.pathsep.join(PLACES))
XVFB = shutil.which("Xvfb")
BROWSER = next(iter(sorted(Path("/usr").glob("lib*/**/webkit2gtk-4.1/MiniBrowser"))), None)
needs_webkit = pytest.mark.skipif(
    None in (DRIVER, XVFB, BROWSER),
    reason="needs webkit2gtk-driver (with MiniBrowser) and xvfb (tests/run installs them)",
)


@contextlib.contextmanager
def screen(wide: int = 1400, high: int = 1000) -> Iterator[str]:
    """A screen nobody sees, on a display that was free."""
    assert XVFB is not None
    here, there = os.pipe()
    server = subprocess.Popen(
        [XVFB, "-displayfd", str(there), "-screen", "0", f"{wide}x{high}x24", "-nolisten", "tcp"],
        pass_fds=[there],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(there)
    try:
        with os.fdopen(here) as said:
            number = said.readline().strip()
        assert number, "Xvfb found no free display"
        yield f":{number}"
    finally:
        server.terminate()
        server.wait(10)


@contextlib.contextmanager
def webkit(width: int = 390, height: int = 740) -> Iterator[Any]:
    """A WebDriver of a MiniBrowser about as large as a phone."""
    from selenium import webdriver
    from selenium.webdriver.webkitgtk.options import Options
    from selenium.webdriver.webkitgtk.service import Service

    with screen() as display:
        env = {
            **os.environ,
            "DISPLAY": display,
            # nobody has a bus, an accessibility daemon or a graphics card here
            "NO_AT_BRIDGE": "1",
            "GTK_A11Y": "none",
            "LIBGL_ALWAYS_SOFTWARE": "1",
            "WEBKIT_DISABLE_DMABUF_RENDERER": "1",
            "WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS": "1",
        }
        options = Options()
        options.binary_location = str(BROWSER)
        options.add_argument("--automation")
        made = webdriver.WebKitGTK(
            options=options, service=Service(executable_path=str(DRIVER), env=env)
        )
        # it should never take so long; a test that hangs tells nobody anything
        made.command_executor.client_config.timeout = 40
        try:
            made.set_window_size(width, height)
            yield made
        finally:
            made.quit()

"""One browser for all the tests of the page that a process runs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.panel.browser import browser, kept


@pytest.fixture(scope="session", autouse=True)
def _one_browser() -> Iterator[None]:
    with kept():
        yield


@pytest.fixture(scope="module")
def opened() -> Iterator[Any]:
    """The browser, with nothing left open in it by the file before."""
    with browser() as found:
        yield found

"""Fixtures ``chromium`` (one for the session) and ``pages`` (new ones for each test).

Use with ``pytest_plugins = ["tests.real.browser_fixtures"]`` in a test module, marked
``real("browser")``.
"""

import shutil
from collections.abc import Iterator
from contextlib import ExitStack

import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.real.browser import Pages

NAMES = ("chromium", "chromium-browser")
_QUIET = [
    "--no-sandbox",  # the tests are root's
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
]


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Debian's Chromium without a window; ended with the session."""
    found = next(path for name in NAMES if (path := shutil.which(name)))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=_QUIET)
        yield browser
        browser.close()


@pytest.fixture
def pages(chromium: Browser) -> Iterator[Pages]:
    """Opens pages; fails the test where one asked for something outside, or complained."""
    with ExitStack() as stack:
        opened = Pages(chromium, stack)
        yield opened
    assert opened.outside == [], "a page asked for something outside"
    assert opened.complaints == [], "a page has an error on its console"

"""Debian's chromium through Playwright, for the tests of the class page: opened from disk, watched.

A request to anything but the files beside the page, a script error or a dialog fails the test.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest

CHROMIUM = Path("/usr/bin/chromium")
MARKS = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="chromium is not installed"),
]
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--autoplay-policy=no-user-gesture-required",
]  # fmt: skip


@contextlib.contextmanager
def started_chromium():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=str(CHROMIUM), headless=True, args=ARGUMENTS
        )
        yield browser
        browser.close()


class Desk:
    """One browser profile (its own storage) with the pages opened in it."""

    def __init__(self, browser, width=1400, height=900):
        self.context = browser.new_context(
            viewport={"width": width, "height": height}, accept_downloads=True
        )
        self.requests, self.errors = [], []

    def open(self, path, address=""):
        page = self.context.new_page()
        page.set_default_timeout(8000)
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("dialog", lambda dialog: (self.errors.append("dialog"), dialog.dismiss()))
        page.goto(path.as_uri() + address)
        page.wait_for_selector("html[data-ready]", state="attached")
        return page

    def close(self):
        self.context.close()
        assert self.errors == []
        assert [u for u in self.requests if not u.startswith(("file:///", "blob:", "data:"))] == []


def wait_until(page, condition):
    """Wait for an expression of the page: its own policy forbids Playwright's way of waiting."""
    in_time(page, lambda: page.evaluate(condition), condition)


def in_time(page, holds, what="as expected"):
    """Ask again and again until `holds()`; the page does some things a moment later."""
    for _ in range(160):
        if holds():
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never true: {what}")

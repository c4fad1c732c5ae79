"""What the browser tests share: Chromium, a small demo fleet, signing in, and looking a page over."""

import os
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from fleetcal.web import demo

# Playwright keeps an event loop in this thread; the database is used beside it, never inside it.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"

DESK, PHONE = {"width": 1440, "height": 900}, {"width": 360, "height": 740}
TODAY = date(2026, 11, 25)


@pytest.fixture(scope="package")
def browser(chromium: str) -> Iterator[Browser]:
    arguments = [
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
    ]
    with sync_playwright() as playwright:
        yield playwright.chromium.launch(executable_path=chromium, args=arguments)


@pytest.fixture
def fleet(settings: Any, tmp_path: Path) -> None:
    settings.DATA_DIR = tmp_path
    demo.load(demo.Fleet(vehicles=12, years=1.5, seed=3), TODAY, lambda _: None)


def sign_in(page: Page, url: str, role: str) -> None:
    user = next(user for user in demo.sign_ins() if user.role == role)
    page.goto(url)
    page.get_by_label("Username").fill(user.username)
    page.get_by_label("Password").fill(demo.password())
    with page.expect_navigation():
        page.get_by_role("button", name="Sign in").click()


def examine(page: Page, name: str) -> Iterator[str]:
    """What is wrong with the page that stands open, at both sizes."""
    if page.locator("h1").count() != 1:
        yield f"{name}: {page.locator('h1').count()} main headings"
    before = page.viewport_size
    for size in (DESK, PHONE):
        page.set_viewport_size(size)
        for violation in Axe().run(page).response["violations"]:
            nodes = "; ".join(node["html"][:120] for node in violation["nodes"][:3])
            yield f"{name}, {size['width']} px, {violation['id']}: {nodes}"
        overflow = page.evaluate(
            "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        if overflow > 0:
            yield f"{name}, {size['width']} px: {overflow} px too wide"
        if folder := os.environ.get("FLEETCAL_SCREENSHOTS"):
            page.screenshot(path=f"{folder}/{name}-{size['width']}.png", full_page=True)
    if before:
        page.set_viewport_size(before)

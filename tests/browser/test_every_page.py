"""Every page in a real browser: no axe violation, no content-security-policy complaint, no sideways scrolling at 360 px.

The pages are found by following links from the due list, one of each kind.
"""

import os
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import Resolver404, get_resolver, resolve
from playwright.sync_api import Browser, Page, sync_playwright

from fleetcal.web import demo

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

DESK, PHONE = {"width": 1440, "height": 900}, {"width": 360, "height": 740}
TODAY = date(2026, 11, 25)
# Files, and what is not a page of ours.
NOT_PAGES = {"audit_pdf", "attachment", "logout", "unit_switch"}
CHROMIUM = {
    "executable_path": "/usr/bin/chromium",
    "args": [
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
    ],
}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        yield playwright.chromium.launch(**CHROMIUM)


@pytest.fixture
def fleet(settings: Any, tmp_path: Path) -> None:
    settings.DATA_DIR = tmp_path
    demo.load(demo.Fleet(vehicles=12, years=1.5, seed=3), TODAY, lambda _: None)


@pytest.mark.parametrize("role", ["administrator", "clerk"])
def test_every_page_is_accessible_and_fits(
    browser: Browser, live_server: Any, fleet: None, role: str, tmp_path: Path
) -> None:
    page = browser.new_page(viewport=DESK)
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    sign_in(page, live_server.url, role)
    faults: list[str] = []
    seen = set()
    for name in crawl(page, live_server.url):
        seen.add(name)
        faults += [f"{name}: {fault}" for fault in examine(page, name)]
        page.set_viewport_size(DESK)
    assert not faults, "\n".join(faults)
    assert not complaints, "\n".join(complaints[:20])
    if role == "administrator":
        assert len(seen) > 25, sorted(seen)


def sign_in(page: Page, url: str, role: str) -> None:
    user = next(user for user in demo.sign_ins() if user.role == role)
    page.goto(url)
    page.get_by_label("Username").fill(user.username)
    page.get_by_label("Password").fill(demo.password())
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{url}/**")


def crawl(page: Page, origin: str) -> Iterator[str]:
    """Open one page of each name that links lead to; the page stands open while it is yielded."""
    waiting, known = [origin + "/"], set()
    while waiting:
        url = waiting.pop(0)
        name = name_of(url, origin)
        if name is None or name in known:
            continue
        known.add(name)
        response = page.goto(url)
        assert response is not None
        assert response.status == 200, f"{url}: {response.status}"
        yield name
        links = page.eval_on_selector_all("a[href]", "links => links.map(a => a.href)")
        waiting += [link for link in links if name_of(link, origin) not in {None, *known}]


def name_of(url: str, origin: str) -> str | None:
    parts = urlsplit(url)
    if not url.startswith(origin) or "export=" in parts.query:
        return None
    try:
        found = resolve(parts.path, get_resolver().urlconf_name)
    except Resolver404:
        return None
    if found.app_name == "admin" or found.namespace or found.url_name in NOT_PAGES or found.url_name is None:
        return None
    return str(found.url_name)


def examine(page: Page, name: str) -> Iterator[str]:
    if page.locator("h1").count() != 1:
        yield f"{page.locator('h1').count()} main headings"
    for size in (DESK, PHONE):
        page.set_viewport_size(size)
        for violation in Axe().run(page).response["violations"]:
            nodes = "; ".join(node["html"][:120] for node in violation["nodes"][:3])
            yield f"{size['width']} px, {violation['id']}: {nodes}"
        overflow = page.evaluate(
            "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        if overflow > 0:
            yield f"{size['width']} px: {overflow} px too wide"
        if folder := os.environ.get("FLEETCAL_SCREENSHOTS"):
            page.screenshot(path=f"{folder}/{name}-{size['width']}.png", full_page=True)

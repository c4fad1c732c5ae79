"""Every page in a real browser: no axe violation, no content-security-policy complaint, no sideways scrolling at 360 px.

The pages are found by following links from the due list, one of each kind.
"""

from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.urls import Resolver404, get_resolver, resolve
from playwright.sync_api import Browser, Page

from tests.browser.pages import DESK, examine, sign_in

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

# Files, and what is not a page of ours.
NOT_PAGES = {"audit_pdf", "attachment", "logout", "unit_switch"}


@pytest.mark.parametrize("role", ["administrator", "clerk"])
def test_every_page_is_accessible_and_fits(
    browser: Browser, live_server: Any, fleet: None, role: str
) -> None:
    page = browser.new_page(viewport=DESK)
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    sign_in(page, live_server.url, role)
    faults: list[str] = []
    seen = set()
    for name in crawl(page, live_server.url):
        seen.add(name)
        faults += examine(page, name)
    assert not faults, "\n".join(faults)
    assert not complaints, "\n".join(complaints[:20])
    if role == "administrator":
        assert len(seen) > 40, sorted(seen)


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

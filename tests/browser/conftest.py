from tests.browser.pages import browser, fleet

__all__ = ["browser", "fleet"]

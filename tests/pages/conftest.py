"""A real Chromium on a real server. Without either Chromium or playwright these tests are skipped, and say so."""

from __future__ import annotations

import importlib.util
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest

from processes import served

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
PHONE = {"width": 390, "height": 844}
DESKTOP = {"width": 1280, "height": 800}
AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip every test of a page where there is nothing to open it with."""
    if CHROMIUM is None:
        reason = "needs a Chromium on the path (Debian: `apt-get install chromium`), or its path in CHROMIUM"
    elif importlib.util.find_spec("playwright") is None:
        reason = "needs `pip install 'tramwright[pages]'`"
    else:
        return
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.skip(reason=reason))


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    with served() as port:
        yield f"http://127.0.0.1:{port}"


# One for each module and none beyond: an event loop runs in this thread meanwhile, and other tests must not meet it.
@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


class Visit:
    """An empty browser: its storage is its own. What it asks of other hosts, and what goes wrong in it, is noted."""

    def __init__(self, browser: Browser, server: str, options: dict[str, Any]) -> None:
        self.context = browser.new_context(base_url=server, **options)
        self.host = urlsplit(server).netloc
        self.elsewhere: list[str] = []
        self.wrong: list[str] = []
        self.context.on("request", lambda request: self._asked(request.url))
        self.context.on("weberror", lambda error: self.wrong.append(str(error.error)))
        self.context.on("console", lambda said: said.type == "error" and self.wrong.append(said.text))
        self.page: Page = self.context.new_page()

    def _asked(self, url: str) -> None:
        parts = urlsplit(url)
        if parts.scheme not in ("data", "blob") and parts.netloc != self.host:
            self.elsewhere.append(url)

    def open(self, path: str) -> Page:
        """Open a page and wait until its script has made it ready."""
        self.page.goto(path)
        self.ready()
        return self.page

    def ready(self) -> None:
        self.page.wait_for_selector("html[data-ready]", state="attached")


Visits = Callable[..., Visit]


@pytest.fixture
def visits(browser: Browser, server: str) -> Iterator[Visits]:
    """Makes visits. At the end none has asked another host for anything and none had an error that it did not expect.

    Options are those of a browser context; the size is a desktop's and the language English unless they say otherwise.
    `allowed`, texts of errors that a test brings about itself.
    """
    made: list[tuple[Visit, tuple[str, ...]]] = []

    def visit(*, allowed: tuple[str, ...] = (), **options: Any) -> Visit:
        one = Visit(browser, server, {"viewport": DESKTOP, "locale": "en-GB", **options})
        made.append((one, allowed))
        return one

    yield visit
    for one, allowed in made:
        one.context.close()
        assert not one.elsewhere
        assert not [text for text in one.wrong if not any(part in text for part in allowed)]

"""A real Chromium on a real server. Without a Chromium these tests are skipped, and say so."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest

from browsing import CHROMIUM, DESKTOP, Visit, Visits
from processes import served

if TYPE_CHECKING:
    from playwright.sync_api import Browser


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip every test of a page where there is nothing to open it with."""
    if CHROMIUM is not None:
        return
    reason = "needs a Chromium on the path (Debian: `apt-get install chromium`), or its path in CHROMIUM"
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.skip(reason=reason))


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """It stores nothing, so all modules may share it."""
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

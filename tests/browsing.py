"""A browser as a person at a machine has it: what the tests of the pages open them with."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
PHONE = {"width": 390, "height": 844}
DESKTOP = {"width": 1280, "height": 800}
MACHINE = "/bench/machine"
REFUSED = "status of 422"
"""What the browser says of its own accord when the service refuses a machine, as these tests make it do."""
AXE = Path(__file__).parent / "pages" / "node_modules" / "axe-core" / "axe.min.js"


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


def field(page: Any, pointer: str) -> Any:
    return page.locator(f'[data-at="{pointer}"]')


def kept(page: Any) -> dict[str, Any]:
    """The machine that is open, as the browser keeps it."""
    text = page.evaluate(
        "localStorage.getItem('tramwright.machine.' + localStorage.getItem('tramwright.current.machine'))"
    )
    document: dict[str, Any] = json.loads(text)
    assert document["version"] == 1
    machine: dict[str, Any] = document["content"]
    return machine


def settled(page: Any) -> str:
    """What the service says of the machine, once it has been asked of it as it is now."""
    page.wait_for_selector("#standing[data-asked=false]", state="attached")
    return str(page.locator("#standing").inner_text())


def violations(page: Any) -> list[str]:
    """What axe-core finds wrong on a page as it stands now."""
    page.evaluate(AXE.read_text())
    found = page.evaluate("axe.run({resultTypes: ['violations']})")["violations"]
    return [f"{one['id']}: {one['help']} {[node['html'][:200] for node in one['nodes']]}" for one in found]

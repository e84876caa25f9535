"""How soon each page can be typed into on a slow phone, and how much comes over the line: nothing is cached.

Run with a Chromium on the path: ``python tests/benchmarks/pages.py``. The processor is slowed down fourfold, the screen
is a phone's, and the service runs on this machine: what is measured is the page and not a network. On the bench page a
job of twelve stations is open, as after a reload at the machine; the farm page shows the worst 48 of 200 machines.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import httpx
from playwright.sync_api import Browser, sync_playwright

from at_the_machine import begin, example
from browsing import CHROMIUM, PHONE
from farm_payloads import machine, survey
from processes import served
from tramwright_service.pages.render import PAGES

STATIONS = [(x, y) for y in (40, 180, 320) for x in (40, 160, 280, 400)]
MACHINES = 200
TIMES = 15
SLOWDOWN = 4
QUIET = 1500
"""Milliseconds after which all has come that a page loads by itself."""
WHEN_READY = """new MutationObserver(() => {
  if (document.documentElement?.dataset.ready && !window.readyAt) window.readyAt = performance.now();
}).observe(document, {subtree: true, attributes: true, childList: true});"""


def visited(browser: Browser, url: str) -> tuple[list[float], float]:
    """Milliseconds of each visit from its beginning until the script has the fields in hand, and bytes received."""
    context = browser.new_context(viewport=PHONE)
    context.add_init_script(WHEN_READY)
    page = context.new_page()
    if url.endswith("/bench"):
        page.goto(url)
        begin(page, example("tilted-bed"), STATIONS)
    session = context.new_cdp_session(page)
    received: list[float] = []

    def count(event: Any) -> None:
        received.append(event["encodedDataLength"])

    session.send("Network.enable")
    session.send("Network.setCacheDisabled", {"cacheDisabled": True})
    session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWDOWN})
    session.on("Network.loadingFinished", count)
    ready = []
    for _ in range(TIMES + 1):
        received.clear()
        page.goto(url, wait_until="load")
        page.wait_for_selector("html[data-ready]", state="attached")
        page.wait_for_timeout(QUIET)  # a stream of events never ends, so the network is never idle
        ready.append(float(page.evaluate("window.readyAt")))
    context.close()
    return ready[1:], sum(received)  # the first visit is that of a tab which has never opened anything


def fill(server: str) -> None:
    """Store machines, each with one survey; invented."""
    with httpx.Client(base_url=f"{server}/v1/machines") as api:
        for number in range(MACHINES):
            api.put(f"dunlin-{number:03d}", json=machine(site="hall 1", tags=["mill"])).raise_for_status()
            api.post(f"dunlin-{number:03d}/surveys", json=survey(0.001 * number)).raise_for_status()


def main() -> None:
    """Print one line for each page."""
    with (
        tempfile.TemporaryDirectory() as folder,
        served(log_level="error", store=str(Path(folder, "farm.db"))) as port,
        sync_playwright() as driver,
    ):
        fill(f"http://127.0.0.1:{port}")
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        print(f"Chromium {browser.version}, processor slowed down {SLOWDOWN} times, {TIMES} visits each")
        print(f"{'ready to type':<18}{'best':>10}{'median':>10}{'worst':>10}{'received':>12}")
        for path in PAGES:
            ready, size = visited(browser, f"http://127.0.0.1:{port}{path}")
            figures = f"{min(ready):>7.0f} ms{statistics.median(ready):>7.0f} ms{max(ready):>7.0f} ms"
            print(f"{path:<18}{figures}{size / 1000:>9.1f} kB")
        browser.close()


if __name__ == "__main__":
    main()

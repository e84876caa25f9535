"""How soon the bench page is ready to type, and what it costs to load: run as ``python tests/benchmarks/bench_page.py``.

A job of twelve stations is open, as after a reload at the machine. The clock starts with the navigation and stops when
the reading's field has the focus; the processor is slowed down four times by Chromium itself, nothing is cached. The
network is this host's own, so that only the page's own work counts.
"""

from __future__ import annotations

import statistics
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from at_the_machine import begin, example
from browsing import CHROMIUM, PHONE
from processes import served

ROUNDS, SLOWER = 15, 4
STATIONS = [(x, y) for y in (40, 180, 320) for x in (40, 160, 280, 400)]
READY = """() => new Promise(done => {
    const look = () => document.activeElement?.id === "reading" ? done(performance.now()) : requestAnimationFrame(look);
    look();
})"""


def main() -> None:
    from playwright.sync_api import sync_playwright

    with served() as port, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_context(base_url=f"http://127.0.0.1:{port}", viewport=PHONE).new_page()
        page.goto("/bench")
        begin(page, example("tilted-bed"), STATIONS)
        devtools = page.context.new_cdp_session(page)
        devtools.send("Network.enable")
        devtools.send("Network.setCacheDisabled", {"cacheDisabled": True})
        sizes: list[float] = []
        devtools.on("Network.loadingFinished", lambda loaded: sizes.append(loaded["encodedDataLength"]))
        for slower in (1, SLOWER):
            devtools.send("Emulation.setCPUThrottlingRate", {"rate": slower})
            times = []
            for _ in range(ROUNDS):
                sizes.clear()
                page.goto("/bench")
                times.append(page.evaluate(READY))
            print(
                f"ready to type with the processor {slower} times slower: median {statistics.median(times):.0f} ms, "
                f"worst of {ROUNDS} {max(times):.0f} ms; {sum(sizes) / 1024:.1f} KB transferred in {len(sizes)} requests"
            )
        browser.close()


if __name__ == "__main__":
    main()

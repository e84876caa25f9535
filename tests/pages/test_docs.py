"""The description of the API asks the service from the page, with a key where one is asked for."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import pytest

from browsing import Visits
from processes import COMMAND, served


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> str:
    return str(tmp_path_factory.mktemp("keys") / "farm.db")


@pytest.fixture(scope="module")
def key(store: str) -> str:
    # by a process: an event loop runs in this thread already
    command = [sys.executable, "-c", COMMAND, "keys", "add", "reader", "--store", store]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()


@pytest.fixture(scope="module")
def server(store: str, key: str) -> Iterator[str]:
    with served(store=store, access="keys") as port:
        yield f"http://127.0.0.1:{port}"


def test_what_is_tried_out_is_sent_with_the_key_that_was_given(visits: Visits, key: str) -> None:
    page = visits(allowed=("status of 401",)).page
    page.goto("/docs")

    def tried() -> str:
        page.locator("#operations-farm-getFleet .opblock-summary-control").click()
        page.get_by_role("button", name="Try it out").click()
        page.get_by_role("button", name="Execute").click()
        return page.locator("#operations-farm-getFleet .live-responses-table .response-col_status").last.inner_text()

    assert tried().startswith("401")
    page.locator(".auth-wrapper .btn.authorize").click()
    page.locator(".auth-container input").fill(key)
    page.locator(".auth-container").get_by_role("button", name="Apply credentials").click()
    page.locator(".modal-ux").get_by_role("button", name="Close").last.click()
    page.goto("/docs")  # the browser keeps it
    assert tried().startswith("200")

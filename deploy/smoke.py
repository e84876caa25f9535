"""Ask a running service every example it documents, and check that it answers each one in full.

    python deploy/smoke.py http://127.0.0.1:8017

For use after an installation or an upgrade, with Python 3.11 or newer and no packages. It changes nothing, because
the service keeps nothing of what it is asked. Where it asks for keys, one that may `submit` is taken from the variable
TRAMWRIGHT_KEY. The exit status is 0 if every answer was as it should be.
"""

import json
import math
import os
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from typing import Any

START_LIMIT = 60.0  # seconds to become ready: the first import of the numerical libraries on a slow disk
# The service is asked directly, whatever proxy the environment names.
KEY = os.environ.get("TRAMWRIGHT_KEY")
OPENER = urllib.request.build_opener(urllib.request.ProxyHandler({}))


def ask(url: str, body: bytes | None = None, media_type: str = "application/json") -> tuple[int, bytes]:
    """Status and body of one request: GET without a body to send, POST with one."""
    headers = {"Accept": "application/json, application/x-ndjson"}
    if KEY:
        headers["Authorization"] = f"Bearer {KEY}"
    if body is not None:
        headers["Content-Type"] = media_type
    try:
        with OPENER.open(urllib.request.Request(url, data=body, headers=headers), timeout=60) as answer:
            return answer.status, answer.read()
    except urllib.error.HTTPError as refused:
        return refused.code, refused.read()


def wait_until_ready(base: str) -> None:
    """Return when /health/ready says 200; TimeoutError after START_LIMIT seconds."""
    until = time.monotonic() + START_LIMIT
    while time.monotonic() < until:
        try:
            if ask(f"{base}/health/ready")[0] == 200:
                return
        except OSError:
            pass  # not listening yet
        time.sleep(0.2)
    raise TimeoutError(f"{base}/health/ready did not answer 200 within {START_LIMIT:g} s")


def examples(document: dict[str, Any]) -> Iterator[tuple[str, str, Any]]:
    """(path, name, payload) of every named request example in an OpenAPI document."""
    for path, methods in document["paths"].items():
        if "{" in path or "post" not in methods:
            continue
        content = methods["post"].get("requestBody", {}).get("content", {})
        for name, example in content.get("application/json", {}).get("examples", {}).items():
            yield path, name, example["value"]


def fault(status: int, body: bytes) -> str | None:
    """What is wrong with an answer to an example, or None."""
    if status != 200:
        return f"status {status}: {body[:400].decode(errors='replace')}"

    def refuse(word: str) -> float:
        raise ValueError(f"{word} is no JSON number")

    def finite(text: str) -> float:
        number = float(text)
        if not math.isfinite(number):
            raise ValueError(f"{text} is too large for a double")
        return number

    try:
        answer = json.loads(body, parse_constant=refuse, parse_float=finite)
    except ValueError as wrong:
        return f"the answer is not finite JSON: {wrong}"
    return None if isinstance(answer, dict) and answer else "the answer is not a JSON object with members"


def main(base: str) -> int:
    """Print one line for each example; the number of those that went wrong, and 1 if there was none to try."""
    wait_until_ready(base)
    status, body = ask(f"{base}/openapi.json")
    if status != 200:
        print(f"/openapi.json: status {status}")
        return 1
    tried = wrong = 0
    for path, name, payload in examples(json.loads(body)):
        said = fault(*ask(base + path, json.dumps(payload).encode()))
        tried += 1
        wrong += said is not None
        print(f"POST {path} {name}: {said or '200, finite'}")
    print(f"{tried - wrong} of {tried} examples answered")
    return min(wrong, 100) if tried else 1


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: smoke.py URL, such as http://127.0.0.1:8017")
    sys.exit(main(sys.argv[1].rstrip("/")))

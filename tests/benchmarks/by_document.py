"""Requests made from the OpenAPI document, by schemathesis: right ones and wrong ones, on every route.

Run from the repository: ``python tests/benchmarks/by_document.py [--count 100] [--store postgresql] [--only WAY …]``.
Services of its own, on free ports of this host, with a store of their own in which there are machines, surveys, moves
and notes. It asks in four ways: a service that asks for no keys; one that does, with a key that may everything, with
none, and with one that may only read. What schemathesis finds is printed; the exit status says whether it is anything.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

import httpx

sys.path.insert(0, str(Path(__file__).parents[1]))

import stores
from farm_payloads import OUTSIDE, WITHIN, machine, survey
from keyed import bearing, of_each_scope
from processes import served

HERE = Path(__file__).parent


class Way(NamedTuple):
    """How the service is asked: whether it asks for keys, and the scope of the key sent."""

    access: str
    scope: str = ""


WAYS = {
    "no keys asked for": Way("anyone"),
    "with a key": Way("keys", "manage"),
    "without a key": Way("keys"),
    "with the wrong scope": Way("keys", "read"),
}


def fill(where: str, key: str) -> None:
    """Put machines, surveys, moves and notes in, for requests that name what is there."""
    with httpx.Client(base_url=f"{where}/v1/machines", headers=bearing(key), timeout=60.0) as client:

        def send(method: str, path: str, payload: Any) -> None:
            client.request(method, path, json=payload).raise_for_status()

        for name in ("kestrel", "wren"):
            for site in ("hall 1", "hall 2"):
                send("PUT", name, machine(site=site, tags=["mill"]))
            for tilt in (OUTSIDE, WITHIN):
                send("POST", f"{name}/surveys", survey(tilt))
            send("PUT", f"{name}/surveys/1/moves", {"moves": [{"adjuster": "right", "travel": -OUTSIDE}]})
            send("POST", f"{name}/notes", {"text": "Invented."})


def ask(way: Way, store: str, keys: dict[str, str], given: argparse.Namespace) -> int:
    """Ask in one way; return the exit status of schemathesis."""
    with served(store=store, access=way.access, rate="0", log_level="warning", seconds=str(given.seconds)) as port:
        where = f"http://127.0.0.1:{port}"
        fill(where, keys["manage"])
        # written when it is first asked for, and then kept: on a busy host schemathesis would not wait so long
        httpx.get(f"{where}/openapi.json", timeout=60.0).raise_for_status()
        command = [
            str(Path(sys.executable).parent / "schemathesis"),
            *("--config-file", str(HERE / "by_document.toml"), "--no-color"),
            *("run", f"{where}/openapi.json", "-c", "all", "-n", str(given.count), "--seed", str(given.seed)),
            *(["-H", f"Authorization: Bearer {keys[way.scope]}"] if way.scope else []),
        ]
        own = {
            "SCHEMATHESIS_HOOKS": "by_document_checks",
            "KEY_GIVEN": keys.get(way.scope, "none"),
            "SCOPE_GIVEN": way.scope,
            "PYTHONPATH": os.pathsep.join(filter(None, [str(HERE), os.environ.get("PYTHONPATH", "")])),
        }
        # what it keeps of a run goes into a folder that nobody keeps
        with tempfile.TemporaryDirectory() as folder:
            return subprocess.run(command, cwd=folder, env={**os.environ, **own}, check=False).returncode


def main() -> None:
    """Ask in every way."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100, help="Examples of each operation, the systematic ones apart.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=int, default=5, help="Seconds that a request may take: plans take longest.")
    parser.add_argument("--store", choices=stores.KINDS, default="sqlite")
    parser.add_argument("--only", nargs="*", choices=WAYS, default=[*WAYS])
    given = parser.parse_args()
    found = []
    with tempfile.TemporaryDirectory() as folder:
        store = stores.ready(stores.fresh(given.store, Path(folder)))
        keys = of_each_scope(store)
        for name in given.only:
            print(f"=== {name}", flush=True)
            if ask(WAYS[name], store, keys, given):
                found.append(name)
    print(f"found wrong: {', '.join(found) or 'nothing'}")
    sys.exit(bool(found))


if __name__ == "__main__":
    main()

"""What was acknowledged is in the store, once, whatever happens to service, database and disk in the middle of it."""

from __future__ import annotations

import http.client
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

import stores
from farm_payloads import BIRDS, machine, survey
from forked_services import Service, forks
from processes import COMMAND, PATIENCE, wait_for

KILLS = 50
CLIENTS = 6
FLOCK = BIRDS[:3]


class Load:
    """Clients that post surveys all the time, each with a key of its own, and post again what nobody acknowledged."""

    def __init__(self) -> None:
        self.acknowledged: dict[tuple[str, str], int] = {}
        self.sent: set[tuple[str, str]] = set()
        self.refused: list[tuple[int, dict[str, str]]] = []
        self._again: list[tuple[str, str]] = []
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._number = 0

    def _next(self) -> tuple[str, str]:
        with self._lock:
            if self._again:
                return self._again.pop()
            self._number += 1
            key = (FLOCK[self._number % len(FLOCK)], f"key-{self._number}")
            self.sent.add(key)
            return key

    def _post(self, services: list[Service]) -> None:
        chance = random.Random(threading.get_ident())
        while not self._stop.is_set():
            name, key = one = self._next()
            try:
                path = f"/v1/machines/{name}/surveys"
                tilt = int(key[4:]) % 50 / 100
                status, told, headers = chance.choice(services).ask("POST", path, survey(tilt), idempotency_key=key)
            except (OSError, http.client.HTTPException):
                status, told, headers = 0, None, {}
            with self._lock:
                if status == 201:
                    assert self.acknowledged.setdefault(one, told["number"]) == told["number"]
                else:
                    self._again.append(one)
                    if status:
                        self.refused.append((status, headers))
            if status != 201:
                time.sleep(0.02)

    @contextmanager
    def running(self, *services: Service) -> Iterator[None]:
        """Post to these services meanwhile."""
        self._stop.clear()
        threads = [threading.Thread(target=self._post, args=[list(services)]) for _ in range(CLIENTS)]
        for thread in threads:
            thread.start()
        try:
            yield
        finally:
            self._stop.set()
            for thread in threads:
                thread.join(PATIENCE)

    def reaches(self, more: int) -> None:
        """Wait until so many more surveys have been acknowledged."""
        wanted = len(self.acknowledged) + more
        wait_for(lambda: len(self.acknowledged) >= wanted)

    def is_stored_once(self, service: Service, where: str) -> None:
        """Every acknowledged survey is there under its number, and with all posted again there is each of them once."""
        for one in sorted(self.sent):
            name, key = one
            tilt = int(key[4:]) % 50 / 100
            status, told, _ = service.ask("POST", f"/v1/machines/{name}/surveys", survey(tilt), idempotency_key=key)
            assert status == 201
            assert self.acknowledged.setdefault(one, told["number"]) == told["number"]
        for name in FLOCK:
            numbers = sorted(number for (bird, _), number in self.acknowledged.items() if bird == name)
            _, standing, _ = service.ask("GET", f"/v1/machines/{name}/standing")
            assert numbers == list(range(1, standing["surveys"] + 1))
        whole(where)


def whole(where: str) -> None:
    """The store says itself that it holds what was stored."""
    command = [sys.executable, "-c", COMMAND, "store", "check", "--store", where]
    checked = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (checked.returncode, checked.stdout) == (0, "whole\n"), checked.stderr


def settle(service: Service) -> None:
    """Put the machines in."""
    for name in FLOCK:
        assert service.ask("PUT", f"/v1/machines/{name}", machine())[0] in (200, 201)


@pytest.mark.parametrize("kind", stores.KINDS)
def test_no_acknowledged_survey_is_lost_and_none_is_there_twice_over_fifty_kills(kind: str, tmp_path: Path) -> None:
    where, load, chance = stores.fresh(kind, tmp_path), Load(), random.Random(50)
    with forks(where) as start:
        service = start.service()
        settle(service)
        in_the_middle = 0
        for _ in range(KILLS):
            with load.running(service):
                load.reaches(3)
                time.sleep(chance.uniform(0.0, 0.05))
                service.kill()
            in_the_middle += len(load.sent) > len(load.acknowledged)
            service = start.service()
        # a kill that met no survey on its way would prove nothing
        assert in_the_middle >= KILLS // 2
        load.is_stored_once(service, where)


@pytest.mark.parametrize("kind", stores.KINDS)
def test_two_services_share_a_store_and_killing_one_loses_nothing(kind: str, tmp_path: Path) -> None:
    where, load = stores.fresh(kind, tmp_path), Load()
    with forks(where) as start:
        one, two = start.service(), start.service()
        settle(one)
        assert two.ask("GET", f"/v1/machines/{FLOCK[0]}")[1] == one.ask("GET", f"/v1/machines/{FLOCK[0]}")[1]
        with load.running(one, two):
            load.reaches(60)
            one.kill()
            load.reaches(30)
        with load.running(two):
            load.reaches(10)
        load.is_stored_once(two, where)


@pytest.mark.parametrize("kind", stores.KINDS)
def test_over_two_services_one_tag_wins_once_and_one_key_stores_once(kind: str, tmp_path: Path) -> None:
    with forks(stores.fresh(kind, tmp_path)) as start:
        both = start.service(), start.service()
        settle(both[0])
        path, told = f"/v1/machines/{FLOCK[0]}", list[Any]()

        def together(tasks: list[Any]) -> list[Any]:
            told.clear()
            threads = [threading.Thread(target=lambda task=task: told.append(task())) for task in tasks]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join(PATIENCE)
            return told

        for version in range(1, 6):
            answers = together(
                [
                    lambda at=at, version=version: both[at % 2].ask(
                        "PUT", path, machine(site=f"hall {version}-{at}"), if_match=f'"{version}"'
                    )[0]
                    for at in range(8)
                ]
            )
            assert sorted(answers) == [200] + [412] * 7
        posted = together(
            [
                lambda at=at: both[at % 2].ask("POST", f"{path}/surveys", survey(), idempotency_key="once")[:2]
                for at in range(100)
            ]
        )
        assert len(posted) == 100
        assert all(one == (201, posted[0][1]) for one in posted)
        new = together([lambda at=at: both[at % 2].ask("PUT", "/v1/machines/gannet", machine())[0] for at in range(8)])
        assert sorted(new) == [200] * 7 + [201]


def test_while_postgresql_is_restarted_requests_fail_with_503_and_recover(tmp_path: Path) -> None:
    server, load = stores.server(), Load()
    where = stores.fresh("postgresql", tmp_path)
    with forks(where) as start:
        service = start.service()
        settle(service)
        for _ in range(3):
            with load.running(service):
                load.reaches(20)
                server.stop()
                refused = len(load.refused)
                wait_for(lambda refused=refused: len(load.refused) > refused + 5)
                status, told, headers = service.ask("GET", "/v1/fleet")
                assert (status, told["type"].rpartition("#")[2]) == (503, "store-unavailable")
                assert int(headers["retry-after"]) > 0
                # what needs no store is answered
                assert service.ask("GET", "/health/ready")[0] == 200
                server.start()
                load.reaches(20)
        assert {status for status, _ in load.refused} == {503}
        assert all("retry-after" in headers for _, headers in load.refused)
        load.is_stored_once(service, where)


def test_a_database_that_may_only_be_read_is_read_and_not_written(tmp_path: Path) -> None:
    where = stores.fresh("postgresql", tmp_path)
    with forks(where) as start:
        service = start.service()
        settle(service)
        stores.make_read_only(where)
        for _ in range(12):  # connections of before have been ended, and each is found out once
            last = service.ask("POST", f"/v1/machines/{FLOCK[0]}/surveys", survey())
            assert (last[0], last[1]["type"].rpartition("#")[2]) == (503, "store-unavailable")
        assert service.ask("GET", f"/v1/machines/{FLOCK[0]}/standing")[1]["surveys"] == 0


@contextmanager
def disk(size: str) -> Iterator[Path]:
    """A file system of its own, of one size, which the user that PostgreSQL runs as may enter."""
    folder = Path(tempfile.mkdtemp(prefix="tramwright-disk-"))
    command = ["mount", "-t", "tmpfs", "-o", f"size={size},mode=755", "none", str(folder)]
    if shutil.which("mount") is None or subprocess.run(command, capture_output=True, check=False).returncode:
        folder.rmdir()
        pytest.skip("a file system of one size can be made only by those who may mount it")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)
        folder.rmdir()


def remount(folder: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", folder], check=True)


@pytest.mark.parametrize("kind", stores.KINDS)
def test_a_full_disk_is_said_and_nothing_is_half_written(kind: str) -> None:
    load = Load()
    with ExitStack() as stack:
        small = stack.enter_context(disk("2m" if kind == "sqlite" else "12m"))
        where = str(small / "farm.db") if kind == "sqlite" else stack.enter_context(stores.fresh_on(small))
        service = stack.enter_context(forks(where)).service()
        settle(service)
        with load.running(service):
            wait_for(lambda: any(status == 507 for status, _ in load.refused))
            time.sleep(0.3)
        assert {status for status, _ in load.refused} <= {507, 503}
        assert service.ask("GET", "/v1/fleet")[0] == 200
        remount(small, "size=100m")
        with load.running(service):
            load.reaches(20)
        load.is_stored_once(service, where)


def test_a_service_does_not_start_on_a_disk_that_may_only_be_read() -> None:
    with disk("4m") as small:
        where = str(small / "farm.db")
        stores.ready(where)
        remount(small, "ro")
        command = [sys.executable, "-c", COMMAND, "serve", "--store", where, "--port", "0"]
        ended = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE, check=False)
        assert ended.returncode == 1
        assert "The store cannot be opened" in ended.stderr
        assert "Traceback" not in ended.stderr

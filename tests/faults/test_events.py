"""Streams of events as served: what happened is told once, in order, whatever happens to reader and service."""

from __future__ import annotations

import asyncio
import json
import re
import socket
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection

import stores
from farm_payloads import BIRDS, OUTSIDE, WITHIN, machine, survey
from following import Reader, following
from forked_services import Forks, Service, forks
from processes import PATIENCE, wait_for
from tramwright_service.farm import events
from tramwright_service.farm.store import ServerStore, store_of
from tramwright_service.wire.stored import NoteRecord

KESTREL = "/v1/machines/kestrel"
FLOCK = BIRDS[:3]
LONG = {"text": "\N{BLACK SQUARE}" * 4000}
"""The longest note: twelve kilobytes, so that a few hundred fill whatever the network holds for who does not read."""


@pytest.fixture(scope="module", params=stores.KINDS)
def stored(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Forks]]:
    where = stores.fresh(request.param, tmp_path_factory.mktemp("farm"))
    with forks(where, idle_seconds=2, streams=6) as made:
        yield where, made


@pytest.fixture
def service(stored: tuple[str, Forks]) -> Iterator[Service]:
    where, made = stored
    begun = made.service()
    stores.empty(where)
    yield begun
    begun.kill()


def settled(service: Service) -> None:
    for name in FLOCK:
        assert service.ask("PUT", f"/v1/machines/{name}", machine())[0] == 201


# Attributes that CloudEvents 1.0.2 requires (section "Required attributes") and types of those that are there besides:
# https://github.com/cloudevents/spec/blob/v1.0.2/cloudevents/spec.md ; from memory
REQUIRED = {"id", "source", "specversion", "type"}
OPTIONAL = {"datacontenttype", "dataschema", "subject", "time"}
TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")  # RFC 3339


def is_cloud_event(event: dict[str, Any]) -> None:
    attributes = event.keys() - {"data"}
    assert attributes >= REQUIRED
    assert attributes <= REQUIRED | OPTIONAL
    assert all(isinstance(event[name], str) and event[name] for name in attributes)
    assert event["specversion"] == "1.0"
    assert event["datacontenttype"] == "application/json"
    assert TIME.fullmatch(event["time"])


def test_every_change_is_told_as_it_is_made(service: Service) -> None:
    with following(service.port) as reader:
        assert (reader.status, reader.retry) == ("HTTP/1.1 200 OK", "3000")
        service.ask("PUT", KESTREL, machine(check_every=30, tags=["mill"]))
        service.ask("PUT", KESTREL, machine(check_every=30, tags=["mill"]))  # the same again is no news
        service.ask("POST", f"{KESTREL}/surveys", survey(WITHIN, note="as it came"))
        service.ask("POST", f"{KESTREL}/surveys", survey(WITHIN))
        service.ask("POST", f"{KESTREL}/surveys", survey(OUTSIDE), idempotency_key="a")
        service.ask("POST", f"{KESTREL}/surveys", survey(OUTSIDE), idempotency_key="a")
        service.ask("PUT", f"{KESTREL}/surveys/3/moves", {"moves": [{"adjuster": "left", "travel": 0.1}]})
        service.ask("POST", f"{KESTREL}/notes", {"text": "two lines\nof a note", "survey": 2})
        service.ask("DELETE", KESTREL)
        service.ask("PUT", KESTREL, machine())
        seen = reader.has(12)
        told = [(one.type.removeprefix("tramwright."), one.event["subject"]) for one in seen]
        assert told == [
            ("machine.stored", "versions/1"),
            ("standing.changed", "standing"),
            ("survey.stored", "surveys/1"),
            ("standing.changed", "standing"),
            ("survey.stored", "surveys/2"),
            ("survey.stored", "surveys/3"),
            ("standing.changed", "standing"),
            ("moves.recorded", "surveys/3/moves"),
            ("note.written", "notes/1"),
            ("machine.retired", "versions/1"),
            ("machine.stored", "versions/2"),
            ("standing.changed", "standing"),
        ]
    for one in seen:
        is_cloud_event(one.event)
        assert (one.event["id"], one.event["type"], one.event["source"]) == (one.id, one.type, KESTREL)
    assert [int(one.id) for one in seen] == list(range(int(seen[0].id), int(seen[0].id) + 12))
    standings = [one.event["data"]["standing"] for one in seen if one.type == "tramwright.standing.changed"]
    assert standings == ["never-surveyed", "within", "outside", "outside"]
    stored = service.ask("GET", f"{KESTREL}/surveys")[1]["surveys"][-1]
    assert {**seen[2].event["data"], "moved": True} == {**stored, "machine": "kestrel", "moved": True}
    assert seen[7].event["data"] == service.ask("GET", f"{KESTREL}/surveys/3/moves")[1]
    assert seen[8].event["data"] == service.ask("GET", f"{KESTREL}/notes")[1]["notes"][0]
    assert seen[11].event["data"] == service.ask("GET", f"{KESTREL}/standing")[1]


def test_a_reader_goes_on_where_it_was_also_at_another_service_and_after_a_restart(
    stored: tuple[str, Forks], service: Service
) -> None:
    settled(service)
    with following(service.port, last="0") as reader:
        first = [one.id for one in reader.has(6)]
    other = stored[1].service()
    service.ask("POST", f"{KESTREL}/surveys", survey(WITHIN))
    service.kill()
    other.ask("POST", "/v1/machines/wren/surveys", survey(WITHIN))
    with following(other.port, last=first[3]) as reader:
        assert [one.id for one in reader.has(6)] == [*first[4:], *(str(int(first[-1]) + n) for n in range(1, 5))]
    again = stored[1].service()
    with (
        following(again.port, last=reader.last) as reader,
        following(again.port, "?machine=wren", first[-1]) as wren,
        following(again.port, "?type=tramwright.note.written&machine=wren&machine=kestrel") as notes,
    ):
        other.ask("POST", f"{KESTREL}/notes", {"text": "told by another process"})
        assert [one.type for one in reader.has(1)] == ["tramwright.note.written"]
        assert {one.event["source"] for one in wren.has(2)} == {"/v1/machines/wren"}
        other.ask("POST", "/v1/machines/wren/surveys", survey(WITHIN))
        other.ask("POST", "/v1/machines/heron/notes", {"text": "of no interest"})
        other.ask("POST", "/v1/machines/wren/notes", {"text": "of interest"})
        assert [one.event["data"]["text"] for one in notes.has(2)] == ["told by another process", "of interest"]
        assert len(wren.has(4)) == 4
    other.kill()
    again.kill()


def test_a_quiet_stream_lives_longer_than_any_silence_may_last_and_says_where_it_is(service: Service) -> None:
    settled(service)
    with following(service.port, "?machine=nobody") as reader:
        began = reader.last
        service.ask("POST", f"{KESTREL}/surveys", survey(WITHIN))  # is not wanted, and yet done with
        wait_for(lambda: reader.comments >= 6)  # a beat every second, idle_seconds being 2
        assert not reader.ended
        assert int(reader.last) == int(began) + 2
        assert reader.seen == []


def test_what_is_no_longer_kept_is_told_to_be_missed(stored: tuple[str, Forks], service: Service) -> None:
    settled(service)
    stores.change(stored[0], "DELETE FROM events WHERE number <= 4")
    for asked in ("2", "999999999"):  # of the latter the store knows nothing: it is a copy from before
        with following(service.port, "?type=tramwright.machine.stored", asked) as reader:
            missed, kept = reader.has(2)
            assert missed.type == "tramwright.events.missed"
            is_cloud_event(missed.event)
            assert (missed.event["data"]["after"], missed.event["data"]["kept_from"]) == (int(asked), 5)
            assert "/v1/fleet" in missed.event["data"]["do"]
            assert (kept.id, kept.event["source"]) == ("5", "/v1/machines/heron")
    with following(service.port, last="4") as reader:
        assert [one.id for one in reader.has(2)] == ["5", "6"]
    stores.change(stored[0], "DELETE FROM events")
    with following(service.port, last="6") as reader:  # nothing was missed
        service.ask("POST", f"{KESTREL}/notes", {"text": "next"})
        assert [one.id for one in reader.has(1)] == ["7"]


def refusal(service: Service, **headers: str) -> tuple[int, str]:
    status, problem, told = service.ask("GET", "/v1/events", **headers)
    return status, told.get("retry-after", problem["type"].rpartition("#")[2])


def test_what_cannot_be_followed_is_refused(service: Service) -> None:
    assert refusal(service, last_event_id="yesterday") == (400, "bad-request")
    assert refusal(service, accept="application/json") == (406, "not-acceptable")
    assert service.ask("GET", "/v1/events?type=tramwright.nothing")[0] == 400
    assert service.ask("GET", f"/v1/events?machine={'x' * 65}")[0] == 400
    assert service.ask("HEAD", "/v1/events")[0] == 200
    with ExitStack() as stack:
        for _ in range(6):
            stack.enter_context(following(service.port))
        assert refusal(service) == (503, "5")
        assert service.ask("GET", "/v1/fleet")[0] == 200
    wait_for(lambda: Reader(service.port).begun().close() is None)


class Silent:
    """A client that asks for events and never takes any; what it is sent must not wait in our own memory."""

    def __init__(self, port: int) -> None:
        self.socket = socket.socket()
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self.socket.connect(("127.0.0.1", port))
        self.socket.sendall(b"GET /v1/events HTTP/1.1\r\nHost: localhost\r\nLast-Event-ID: 0\r\n\r\n")


def memory(pid: int) -> int:
    """Kilobytes that a process holds."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0])


def test_who_never_reads_is_dropped_and_hurts_nobody(service: Service) -> None:
    settled(service)
    for _ in range(100):
        service.ask("POST", f"{KESTREL}/notes", LONG)
    with following(service.port) as reader:
        before = memory(service.pid)
        silent = [Silent(service.port) for _ in range(4)]
        for _ in range(300):
            service.ask("POST", f"{KESTREL}/notes", LONG)
        reader.has(300)
        assert memory(service.pid) - before < 40_000  # 400 events of 12 kB are kept for all; four queues would be 20 MB
        open_now = 'tramwright_work_under_way{kind="events"} 1.0'
        wait_for(lambda: open_now in metrics(service))
        assert not reader.ended
    for one in silent:
        one.socket.close()


def metrics(service: Service) -> str:
    with urllib.request.urlopen(f"http://127.0.0.1:{service.port}/metrics", timeout=PATIENCE) as answer:
        told: str = answer.read().decode()
    return told


def test_who_pauses_for_long_has_all_that_came_meanwhile(service: Service) -> None:
    settled(service)
    with following(service.port, narrow=True) as reader:
        reader.pause()
        for _ in range(600):  # more than is kept in memory, and than fits into what the network holds
            service.ask("POST", f"{KESTREL}/notes", LONG)
        wait_for(lambda: "answer not taken" in metrics(service))
        reader.go()
        wait_for(lambda: reader.ended)
    assert 0 < len(reader.seen) < 600
    with following(service.port, last=reader.last) as again:
        seen = [*reader.seen, *again.has(600 - len(reader.seen))]
    assert [one.event["data"]["note"] for one in seen] == list(range(1, 601))


def test_streams_end_when_the_service_is_told_to_end(service: Service) -> None:
    settled(service)
    with following(service.port) as reader:
        silent = Silent(service.port)
        for _ in range(40):
            service.ask("POST", f"{KESTREL}/notes", {"text": "x" * 4000})
        reader.has(40)
        service.stop()
        began = time.monotonic()
        wait_for(lambda: reader.ended)
        wait_for(lambda: not Path(f"/proc/{service.pid}").exists())
        assert time.monotonic() - began < 10  # of the twenty seconds that begun answers have
        silent.socket.close()


def test_under_load_each_survey_is_told_once_to_a_reader_that_comes_back_many_times(
    stored: tuple[str, Forks], service: Service
) -> None:
    settled(service)
    both = [service, stored[1].service()]
    with following(service.port) as reader:
        start = reader.last
    acknowledged, stop, lock = set[tuple[str, int]](), threading.Event(), threading.Lock()

    def post(name: str, at: Service) -> None:
        while not stop.is_set():
            status, told, _ = at.ask("POST", f"/v1/machines/{name}/surveys", survey(WITHIN))
            assert status == 201
            with lock:
                acknowledged.add((name, told["number"]))

    threads = [threading.Thread(target=post, args=[name, at]) for name in FLOCK for at in both]
    for thread in threads:
        thread.start()
    seen, last, turn = [], start, 0
    try:
        while len(acknowledged) < 600 or turn < 30:
            assert all(thread.is_alive() for thread in threads)
            with following(both[turn % 2].port, last=last) as reader:
                reader.has(1 + turn % 7)
            seen += reader.seen
            last, turn = reader.last, turn + 1
    finally:
        stop.set()
        for thread in threads:
            thread.join(PATIENCE)
    service.ask("POST", f"{KESTREL}/notes", {"text": "the end"})
    with following(service.port, last=last) as reader:
        wait_for(lambda: any(one.type == "tramwright.note.written" for one in reader.seen))
    seen += reader.seen
    assert [int(one.id) for one in seen] == list(range(int(start) + 1, int(start) + 1 + len(seen)))
    surveys = [one.event["data"] for one in seen if one.type == "tramwright.survey.stored"]
    told = [(data["machine"], data["number"]) for data in surveys]
    assert len(set(told)) == len(told)
    assert set(told) >= acknowledged
    both[1].kill()


def test_of_two_transactions_the_one_that_ends_last_has_the_larger_number(tmp_path: Path) -> None:
    note = NoteRecord("kestrel", 1, None, "a note", "2026-05-04T09:30:00.000000Z")

    def told(connection: Connection, subject: str) -> None:
        events.tell(connection, 0, [events.News("tramwright.note.written", "kestrel", subject, note)])

    where = stores.fresh("postgresql", tmp_path)

    async def whole() -> None:
        store = store_of(where)
        assert isinstance(store, ServerStore)
        async with store._engine.begin() as first:
            await first.run_sync(told, "first")
            second = asyncio.ensure_future(store.write(lambda connection: told(connection, "second")))
            await asyncio.sleep(0.3)  # as long as it likes: it must wait for the first to end
            assert not second.done()
            assert await store.read(lambda connection: events.read(connection, 0, events.Filter())) == ([], 0)
        await second
        page = await store.read(lambda connection: events.read(connection, 0, events.Filter()))
        assert [json.loads(event.body)["subject"] for event in page.events] == ["first", "second"]
        await store.close()

    asyncio.run(whole())

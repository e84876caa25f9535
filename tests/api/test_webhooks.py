"""Webhooks over HTTP: set up, shown, disabled; what they are sent, and that no receiver can do harm."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler
from typing import Any

import pytest

import stores
from farm_client import KESTREL, Client, refused, serving
from farm_payloads import OUTSIDE, WITHIN, machine, survey
from processes import wait_for
from receiving import Receiver, receiving, status
from tramwright_service.farm import deliveries, sending
from tramwright_service.farm.webhooks import Outcome
from tramwright_solvers.mechanisms.registry import Registry

HOOKS = "/v1/webhooks"
NOTES = f"{KESTREL}/notes"


@pytest.fixture(scope="module", params=stores.KINDS)
def hooked(
    request: pytest.FixtureRequest, registry: Registry, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Client, str]]:
    """A service that may post to this host."""
    where = stores.fresh(request.param, tmp_path_factory.mktemp("farm"))
    with serving(where, registry, webhook_targets="127.0.0.0/8", webhook_seconds=5) as client:
        yield client, where


@pytest.fixture
def farm(hooked: tuple[Client, str], monkeypatch: pytest.MonkeyPatch) -> Client:
    monkeypatch.setattr(deliveries, "FIRST", 0.1)  # of what is waited for between two attempts
    client, where = hooked
    for hook in client.get(HOOKS).json()["webhooks"]:
        client.delete(f"{HOOKS}/{hook['id']}")
    stores.empty(where)
    return client


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as one:
        yield one


def hook(farm: Client, receiver: Receiver, **more: Any) -> dict[str, Any]:
    made = farm.post(HOOKS, json={"url": receiver.url, **more})
    assert made.status_code == 201, made.text
    told: dict[str, Any] = made.json()
    return told


def note(farm: Client, text: str = "a note", name: str = "kestrel") -> None:
    assert farm.post(f"/v1/machines/{name}/notes", json={"text": text}).status_code == 201


def test_a_webhook_is_sent_what_happens_from_then_on_signed_and_in_order(kestrel: Client, receiver: Receiver) -> None:
    made = hook(kestrel, receiver)
    kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE))
    note(kestrel)
    posts = receiver.has(3)
    assert [post.event["type"].removeprefix("tramwright.") for post in posts] == [
        "survey.stored",
        "standing.changed",
        "note.written",
    ]
    for post in posts:
        assert post.is_signed_by(made["secret"])
        assert not post._replace(body=post.body.replace(b"kestrel", b"merlin")).is_signed_by(made["secret"])
        assert post.headers["content-type"] == "application/cloudevents+json"
        assert post.id == f"{made['id']}_{post.event['id']}"
    assert posts[2].event["data"]["text"] == "a note"
    wait_for(lambda: kestrel.get(f"{HOOKS}/{made['id']}").json()["after"] == int(posts[2].event["id"]))


def test_the_secret_is_shown_once(farm: Client, receiver: Receiver) -> None:
    made = farm.post(HOOKS, json={"url": receiver.url, "types": ["tramwright.note.written"], "machines": ["wren"]})
    assert made.headers["cache-control"] == "no-store"
    shown = farm.get(made.headers["location"])
    told = made.json()
    secret = told.pop("secret")
    assert secret.startswith("whsec_")
    assert shown.json() == told
    assert (told["state"], told["types"], told["machines"]) == ("active", ["tramwright.note.written"], ["wren"])
    assert farm.get(HOOKS).json() == {"webhooks": [told]}
    assert secret not in farm.get(HOOKS).text + shown.text


def test_only_what_is_wanted_is_sent(farm: Client, receiver: Receiver) -> None:
    hook(farm, receiver, types=["tramwright.note.written"], machines=["wren"])
    for name in ("kestrel", "wren"):
        farm.put(f"/v1/machines/{name}", json=machine())
        note(farm, f"of {name}", name)
        note(farm, f"again of {name}", name)
    assert [post.event["data"]["text"] for post in receiver.has(2)] == ["of wren", "again of wren"]
    time.sleep(0.3)
    assert len(receiver.posts) == 2


def test_what_is_not_taken_is_sent_again_and_holds_up_what_comes_after(kestrel: Client, receiver: Receiver) -> None:
    receiver.answer = status(500)
    made = hook(kestrel, receiver)
    path = f"{HOOKS}/{made['id']}"
    note(kestrel, "first")
    note(kestrel, "second")
    first = receiver.has(3)[0]
    failing = kestrel.get(path).json()
    assert (failing["state"], failing["after"], failing["why"]) == ("failing", made["after"], "It answered 500.")
    assert failing["failing_since"] < failing["next_attempt_at"]
    receiver.answer = status(204)
    wait_for(lambda: any(post.event["data"]["text"] == "second" for post in receiver.posts))
    *before, last = receiver.posts
    assert {(post.id, post.body) for post in before} == {(first.id, first.body)}
    assert last.event["data"]["text"] == "second"
    wait_for(lambda: kestrel.get(path).json()["state"] == "active")
    assert kestrel.get(path).json()["why"] is None


def test_what_fails_in_the_service_itself_is_tried_again_after_a_pause(
    kestrel: Client, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = list[float]()

    async def fails(*_: Any) -> Outcome:
        tried.append(time.monotonic())
        raise RuntimeError

    monkeypatch.setattr(deliveries, "FIRST", 0.4)
    with monkeypatch.context() as patched:
        patched.setattr(sending.Sender, "post", fails)
        path = f"{HOOKS}/{hook(kestrel, receiver)['id']}"
        note(kestrel, "first")
        wait_for(lambda: len(tried) == 3)
        assert kestrel.get(path).json()["why"] == "This service failed at it; its log says why."
    assert tried[1] - tried[0] > 0.2
    assert tried[2] - tried[1] > 0.4
    assert receiver.has(1)[0].event["data"]["text"] == "first"


def test_a_webhook_that_takes_nothing_for_too_long_is_disabled_and_told_of(kestrel: Client, receiver: Receiver) -> None:
    with receiving() as other:
        hook(kestrel, other, types=["tramwright.webhook.disabled"])
        receiver.answer = status(503, retry_after="1")
        path = f"{HOOKS}/{hook(kestrel, receiver)['id']}"
        note(kestrel, "never taken")
        told = other.has(1)[0].event  # five seconds later, as the setting has it
        shown = kestrel.get(path).json()
        assert told["data"] == shown
        assert (shown["state"], shown["next_attempt_at"]) == ("disabled", None)
        assert shown["why"].startswith("It answered 503.")
        sent = len(receiver.posts)
        assert 3 <= sent <= 8  # one and a half seconds apart at least, as it asked
        receiver.answer = status(204)
        note(kestrel, "meanwhile")
        time.sleep(1.5)
        assert len(receiver.posts) == sent
        assert kestrel.patch(path, json={"enabled": True}).json()["state"] == "active"
        texts = [post.event["data"].get("text") for post in receiver.has(sent + 3)[sent:]]
        assert texts == ["never taken", None, "meanwhile"]


def test_a_webhook_is_disabled_by_who_asks_for_it_and_by_410(kestrel: Client, receiver: Receiver) -> None:
    path = f"{HOOKS}/{hook(kestrel, receiver)['id']}"
    assert kestrel.patch(path, json={"enabled": False}).json()["state"] == "disabled"
    note(kestrel)
    time.sleep(0.3)
    assert receiver.posts == []
    receiver.answer = status(410)
    kestrel.patch(path, json={"enabled": True})
    wait_for(lambda: kestrel.get(path).json()["state"] == "disabled")
    assert len(receiver.posts) == 1
    assert kestrel.delete(path).status_code == 204
    refused(kestrel.get(path), 404, "not-found")
    refused(kestrel.delete(path), 404, "not-found")
    refused(kestrel.patch(path, json={"enabled": True}), 404, "not-found")


def test_a_webhook_whose_events_are_no_longer_kept_is_told_so(
    hooked: tuple[Client, str], kestrel: Client, receiver: Receiver
) -> None:
    path = f"{HOOKS}/{hook(kestrel, receiver)['id']}"
    kestrel.patch(path, json={"enabled": False})
    for n in range(4):
        note(kestrel, f"note {n}")
    stores.change(hooked[1], "DELETE FROM events WHERE type <> 'tramwright.note.written'")
    stores.change(hooked[1], "DELETE FROM events WHERE number <= (SELECT min(number) + 1 FROM events)")
    kestrel.patch(path, json={"enabled": True})
    missed, *kept = [post.event for post in receiver.has(3)]
    assert missed["type"] == "tramwright.events.missed"
    assert missed["data"]["kept_from"] == int(kept[0]["id"])
    assert [event["data"]["text"] for event in kept] == ["note 2", "note 3"]


def hanging(handler: BaseHTTPRequestHandler) -> None:
    time.sleep(3)


def endless(handler: BaseHTTPRequestHandler) -> None:
    handler.send_response(200)
    handler.end_headers()
    while True:  # until the other side closes
        handler.wfile.write(b"x" * 65536)


def dripping(handler: BaseHTTPRequestHandler) -> None:
    handler.wfile.write(b"HTTP/1.1 200 OK\r\n")
    while True:
        handler.wfile.write(b"a: b\r\n")
        time.sleep(0.05)


def headers_without_end(handler: BaseHTTPRequestHandler) -> None:
    handler.wfile.write(b"HTTP/1.1 200 OK\r\n")
    while True:
        handler.wfile.write(b"a: " + b"b" * 65536 + b"\r\n")


def no_http(handler: BaseHTTPRequestHandler) -> None:
    handler.wfile.write(b"220 ready\r\n")
    handler.close_connection = True


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (hanging, "It did not answer within 1 seconds."),
        (dripping, "It did not answer within 1 seconds."),
        (headers_without_end, "The connection failed"),
        (no_http, "The connection failed"),
        (status(302, location="http://127.0.0.1/elsewhere"), "It answered 302; nobody follows"),
        (endless, None),
    ],
)
def test_no_receiver_holds_up_another(
    answer: Any, says: str | None, kestrel: Client, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sending, "SECONDS", 1.0)
    with receiving() as good:
        receiver.answer = answer
        path = f"{HOOKS}/{hook(kestrel, receiver)['id']}"
        hook(kestrel, good)
        for _ in range(5):
            note(kestrel)
        assert len(good.has(5)) == 5
        if says is None:  # it has taken them; the rest of what it says is not read
            receiver.has(5)
        else:
            wait_for(lambda: kestrel.get(path).json()["state"] == "failing")
            assert kestrel.get(path).json()["why"].startswith(says)
        assert receiver.most_under_way <= 5
        assert kestrel.delete(path).status_code == 204


def test_what_cannot_be_a_webhook_is_refused_with_its_place(farm: Client, receiver: Receiver) -> None:
    for url in (
        "ftp://127.0.0.1/", "http://", "http://user@127.0.0.1/", "http://127.0.0.1/#part", "http://127.0.0.1:99999/",
        "http://no-such-host.invalid/", "//127.0.0.1/", "http://[::1/", "http://127.0.0.1/ä",
    ):  # fmt: skip
        problem = refused(farm.post(HOOKS, json={"url": url}), 422, "invalid")
        assert problem["errors"][0]["pointer"] == "/url", url
    wrong = farm.post(HOOKS, json={"url": receiver.url, "types": ["tramwright.nothing"]})
    assert refused(wrong, 422, "invalid")["errors"][0]["pointer"] == "/types/0"
    for _ in range(32):
        hook(farm, receiver)
    assert "32 webhooks" in refused(farm.post(HOOKS, json={"url": receiver.url}), 422, "invalid")["detail"]


@pytest.mark.parametrize("name", ["%00", "wh_%00", "wh_", "wh_" + "0" * 24, "%C3%A4"])
def test_what_no_webhook_is_called_is_not_found(farm: Client, name: str) -> None:
    for answer in (
        farm.get(f"{HOOKS}/{name}"),
        farm.patch(f"{HOOKS}/{name}", json={"enabled": True}),
        farm.delete(f"{HOOKS}/{name}"),
    ):
        refused(answer, 404, "not-found")


# 127.0.0.0/8 alone is allowed here
@pytest.mark.parametrize(
    "host",
    [
        "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254", "0.0.0.0", "100.64.0.1", "224.0.0.1", "[::1]",
        "[::]", "[fe80::1]", "[fd00:ec2::254]", "[ff02::1]", "[fec0::1]", "[::ffff:10.1.2.3]",
        "[::ffff:169.254.169.254]", "[64:ff9b::a9fe:a9fe]", "[2002:a9fe:a9fe::1]", "2852039166", "0xa9fea9fe",
        "[::127.0.0.1]",
    ],
)  # fmt: skip
def test_addresses_that_are_not_public_are_refused_however_they_are_written(host: str, farm: Client) -> None:
    problem = refused(farm.post(HOOKS, json={"url": f"http://{host}/latest"}), 422, "invalid")
    assert "TRAMWRIGHT_WEBHOOK_TARGETS" in problem["detail"]
    assert problem["errors"][0]["pointer"] == "/url"


def test_a_name_that_leads_elsewhere_by_then_is_not_connected_to(
    kestrel: Client, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter(["127.0.0.1", "127.0.0.1", "169.254.169.254"])
    connected, resolve = list[str](), socket.getaddrinfo

    def changing(host: Any, port: Any, *rest: Any, **more: Any) -> Any:
        if host != "rebinding.example":
            connected.append(str(host))
            return resolve(host, port, *rest, **more)
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (next(answers, "169.254.169.254"), port))]

    monkeypatch.setattr(socket, "getaddrinfo", changing)
    receiver.url = receiver.url.replace("127.0.0.1", "rebinding.example")
    receiver.answer = status(204, connection="close")
    path = f"{HOOKS}/{hook(kestrel, receiver)['id']}"
    note(kestrel)
    assert receiver.has(1)[0].headers["host"] == f"rebinding.example:{receiver.port}"
    note(kestrel)
    wait_for(lambda: kestrel.get(path).json()["state"] == "failing")
    assert "169.254.169.254" in kestrel.get(path).json()["why"]
    assert "169.254.169.254" not in connected
    assert len(receiver.posts) == 1


def test_deliveries_are_counted(kestrel: Client, receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(deliveries, "COUNTED", 0.1)

    def counted(name: str) -> float:
        lines = kestrel.get("/metrics").text.splitlines()
        return next((float(line.rpartition(" ")[2]) for line in lines if line.startswith(f"{name} ")), 0.0)

    taken, not_taken = (f'tramwright_deliveries_total{{outcome="{one}"}}' for one in ("taken", "refused"))
    before = counted(taken), counted(not_taken)
    receiver.answer = status(500)
    hook(kestrel, receiver)
    note(kestrel)
    wait_for(lambda: counted(not_taken) > before[1])
    wait_for(lambda: counted("tramwright_events_waiting") == 1)
    receiver.answer = status(204)
    wait_for(lambda: counted(taken) == before[0] + 1)
    wait_for(lambda: counted("tramwright_events_waiting") == 0)


def test_staleness_is_told_when_it_comes(kestrel: Client, receiver: Receiver) -> None:
    hook(kestrel, receiver, types=["tramwright.standing.changed"])
    kestrel.patch(KESTREL, json={"check_every": 3 / 86400})
    kestrel.post(f"{KESTREL}/surveys", json=survey(WITHIN))
    within, stale = (post.event["data"] for post in receiver.has(2))
    assert (within["standing"], stale["standing"]) == ("within", "stale")
    assert stale["stale_at"] == within["stale_at"]
    assert kestrel.get(f"{KESTREL}/standing").json() == stale
    kestrel.post(f"{KESTREL}/surveys", json=survey(WITHIN))
    assert receiver.has(3)[2].event["data"]["standing"] == "within"
    # a change of the description makes it stale at once, and time has nothing to add
    kestrel.patch(KESTREL, json={"machine": {"limit": {"total": 0.2}}})
    assert receiver.has(4)[3].event["data"]["standing"] == "stale"
    kestrel.patch(KESTREL, json={"site": "hall 9"})
    time.sleep(1.5)
    assert len(receiver.posts) == 4

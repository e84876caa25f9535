"""Signatures of webhooks, and which addresses they reach."""

from __future__ import annotations

import asyncio
import base64
import ipaddress
import socket
from typing import Any

import pytest

from tramwright_service.farm.sending import signature
from tramwright_service.farm.targets import Targets, Unreachable
from tramwright_service.settings import Settings, from_environment, networks_of


def test_signatures_are_those_of_the_specification() -> None:
    # Standard Webhooks specification, the example by which its reference libraries are tested
    # (github.com/standard-webhooks/standard-webhooks); from memory
    key = base64.b64decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    signed = signature(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}')
    assert signed == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


# Blocks of the special-purpose address registries of IANA (RFC 6890), and two addresses for each rule of our own.
PUBLIC = ("8.8.8.8", "2606:4700::1111", "::ffff:8.8.8.8", "2002:808:808::1")
NOT_PUBLIC = (
    "0.0.0.0", "10.0.0.1", "100.64.0.1", "127.0.0.1", "169.254.169.254", "172.31.0.1", "192.0.0.8", "192.0.0.200",
    "192.0.2.1", "192.168.0.1", "198.18.0.1", "224.0.0.1", "240.0.0.1", "255.255.255.255", "::", "::1", "::127.0.0.1",
    "fe80::1", "fe80::1%eth0", "fc00::1", "fd00:ec2::254", "fec0::1", "ff02::1", "2001:db8::1", "3fff::1",
    "64:ff9b::7f00:1", "64:ff9b:1::1", "::ffff:127.0.0.1", "::ffff:169.254.169.254", "2002:7f00:1::1",
    "2002:a9fe:a9fe::1",
)  # fmt: skip


@pytest.mark.parametrize("address", PUBLIC + NOT_PUBLIC)
def test_only_public_addresses_are_reached(address: str) -> None:
    assert Targets([]).allows(ipaddress.ip_address(address)) is (address in PUBLIC)


def test_networks_that_are_named_are_reached_as_well_and_no_others() -> None:
    targets = Targets(networks_of(Settings(webhook_targets="10.20.0.0/16,fd12::/16")))
    reached = {
        one
        for one in (*NOT_PUBLIC, "10.20.3.4", "::ffff:10.20.3.4", "fd12::1", "10.21.0.1")
        if targets.allows(ipaddress.ip_address(one))
    }
    assert reached == {"10.20.3.4", "::ffff:10.20.3.4", "fd12::1"}


@pytest.mark.parametrize("wrong", ["10.0.0.1/8", "10.0.0.0/33", "300.0.0.0/8", "all", "10.0.0.0/8, 11.0.0.0/8", ""])
def test_a_network_that_is_none_stops_the_start_and_is_named(wrong: str) -> None:
    with pytest.raises(ValueError, match="TRAMWRIGHT_WEBHOOK_TARGETS"):
        from_environment({"TRAMWRIGHT_WEBHOOK_TARGETS": wrong})


def test_a_name_with_one_address_that_is_not_reached_is_not_reached(monkeypatch: pytest.MonkeyPatch) -> None:
    found = ["8.8.8.8", "2606:4700::1111", "127.0.0.1"]

    def resolve(host: str, port: int, **_: Any) -> list[Any]:
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (one, port)) for one in found]

    monkeypatch.setattr(socket, "getaddrinfo", resolve)
    targets = Targets([])
    with pytest.raises(Unreachable, match=r"127\.0\.0\.1"):
        asyncio.run(targets.resolved("rook.example", 80))
    found.pop()
    assert asyncio.run(targets.resolved("rook.example", 80)) == found
    targets.close()

"""Settings of the service, each from one environment variable.

| variable | default | sets |
| --- | --- | --- |
| `TRAMWRIGHT_MAX_BODY` | 2097152 | largest body, and largest line of a batch, in bytes; beyond it the answer is 413 |
| `TRAMWRIGHT_SECONDS` | 90 | seconds one request may take; beyond them the answer is 422, or 503 |
| `TRAMWRIGHT_MEMORY` | 536870912 | bytes one request, or all of one kind, may take; else 422, or 503 |
| `TRAMWRIGHT_CONCURRENCY` | 8 | long corrections at once; beyond them the answer is 503 with Retry-After |
| `TRAMWRIGHT_PLANS` | 2 | survey plans at once; beyond them the answer is 503 with Retry-After |
| `TRAMWRIGHT_QUESTIONS` | 4 | comparisons, reversals and height checks at once, of which two are worked on; likewise |
| `TRAMWRIGHT_MAPS` | 16 | maps waiting or being drawn; beyond them the answer is 503 with Retry-After |
| `TRAMWRIGHT_MAP_CACHE` | 33554432 | bytes of pictures that each process keeps; 0 keeps none |
| `TRAMWRIGHT_WORKERS` | 2 | processes that answer batches; each is started when there is work for it |
| `TRAMWRIGHT_PLUG_IN_SECONDS` | 10 | seconds that a plug-in may take for one request, or to be loaded |
| `TRAMWRIGHT_BATCHES` | 4 | batches answered at once; one more gets 503 with Retry-After |
| `TRAMWRIGHT_STREAMS` | 64 | streams of events at once; one more gets 503 with Retry-After |
| `TRAMWRIGHT_CONNECTIONS` | 256 | connections at once; one more takes the place of one that is silent, or gets 503 |
| `TRAMWRIGHT_HEADER_SECONDS` | 10 | seconds for the header of a request to come whole |
| `TRAMWRIGHT_BODY_SECONDS` | 60 | seconds for the body of a request to come whole; batches are bounded by the next |
| `TRAMWRIGHT_IDLE_SECONDS` | 30 | seconds that a batch may send nothing, or any client take nothing |
| `TRAMWRIGHT_CORS_ORIGINS` | none | origins (`https://host`, parted by commas) whose pages may ask from a browser |
| `TRAMWRIGHT_FRAME_ANCESTORS` | none | origins (`self` is the service's own) whose pages may embed a machine's card |
| `TRAMWRIGHT_STORE` | none | where the farm is stored: the path of an SQLite file, or a PostgreSQL URL |
| `TRAMWRIGHT_EVENTS` | 100000 | events kept in the store, the latest |
| `TRAMWRIGHT_WEBHOOK_TARGETS` | public | networks that webhooks reach beside public addresses, parted by commas |
| `TRAMWRIGHT_WEBHOOK_SECONDS` | 259200 | seconds for which an event that a webhook does not take is sent again |
| `TRAMWRIGHT_ACCESS` | auto | who may ask: `keys`, `local`, `anyone`; by default `local` on loopback, else `keys` |
| `TRAMWRIGHT_RATE` | 6000 | requests a minute that each key may make, and as many at once; 0 sets no limit |
| `TRAMWRIGHT_CACHE` | 134217728 | bytes of prepared geometries that each process keeps; 0 keeps none |
| `TRAMWRIGHT_METRICS_MACHINES` | 100 | machines of which `/metrics` tells one by one, the worst; 0 tells of none |
| `TRAMWRIGHT_LOG_LEVEL` | info | lowest level that is logged: debug, info, warning or error |
| `TRAMWRIGHT_CONTACT` | none | contact in the API's description: a URL, `mailto:` too |
| `TRAMWRIGHT_LICENCE` | NOASSERTION | licence of the API, in its description: an SPDX expression, `LicenseRef-…` too |
"""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from tramwright_solvers.correction.cost import Most

PREFIX = "TRAMWRIGHT_"
OF_CLIENTS = "key"
"""The variable in which clients find their key, on this host too; to the service it is nothing."""


class Settings(Struct, frozen=True, forbid_unknown_fields=True):
    """The settings of an operator; every field has a default that suits one workshop."""

    max_body: Annotated[int, Meta(ge=1024, le=2**30, description="Largest request body, bytes.")] = 2 * 1024 * 1024
    seconds: Annotated[int, Meta(ge=1, le=3600, description="Time one request may take.")] = 90
    memory: Annotated[
        int, Meta(ge=2**26, le=2**40, description="Bytes one request may take, and all long work of one kind together.")
    ] = 2**29
    concurrency: Annotated[
        int, Meta(ge=1, le=256, description="Long corrections (shims, whole steps, minimum zone, very many readings).")
    ] = 8
    plans: Annotated[int, Meta(ge=1, le=256, description="Survey plans at once in one process.")] = 2
    questions: Annotated[
        int, Meta(ge=1, le=256, description="Comparisons, reversals and height checks at once in one process.")
    ] = 4
    maps: Annotated[int, Meta(ge=1, le=256, description="Pictures waiting or being drawn in one process.")] = 16
    map_cache: Annotated[int, Meta(ge=0, le=2**40, description="Bytes of pictures that each process keeps.")] = 2**25
    workers: Annotated[int, Meta(ge=1, le=256, description="Processes that answer batches.")] = 2
    plug_in_seconds: Annotated[
        int, Meta(ge=1, le=3600, description="Seconds that a plug-in may take for one request, or to be loaded.")
    ] = 10
    batches: Annotated[int, Meta(ge=1, le=256, description="Batches answered at once.")] = 4
    streams: Annotated[int, Meta(ge=1, le=4096, description="Streams of events at once.")] = 64
    connections: Annotated[int, Meta(ge=8, le=65536, description="Connections at once.")] = 256
    header_seconds: Annotated[
        int, Meta(ge=1, le=3600, description="Seconds for the header of a request to come whole.")
    ] = 10
    body_seconds: Annotated[
        int, Meta(ge=1, le=3600, description="Seconds for the body of a request to come whole.")
    ] = 60
    idle_seconds: Annotated[
        int, Meta(ge=1, le=3600, description="Seconds without a byte in a batch, or of an answer nobody takes.")
    ] = 30
    cors_origins: Annotated[
        str,
        Meta(
            pattern=r"^(none|https?://[^/,\s*]+(,https?://[^/,\s*]+)*)$",
            description="Origins whose pages may ask, parted by commas, or none.",
        ),
    ] = "none"
    frame_ancestors: Annotated[
        str,
        Meta(
            pattern=r"^(none|(self|https?://[^/,;'\s*]+)(,(self|https?://[^/,;'\s*]+))*)$(?!\n)",
            description="Origins whose pages may embed the card of a machine, parted by commas, or none.",
        ),
    ] = "none"
    store: Annotated[
        str,
        Meta(
            min_length=1,
            max_length=1000,
            description="Where the farm is stored: path of an SQLite file, URL of a PostgreSQL database, or none.",
        ),
    ] = "none"
    events: Annotated[int, Meta(ge=1000, le=10**9, description="Events kept in the store, the latest.")] = 100_000
    webhook_targets: Annotated[
        str,
        Meta(
            pattern=r"^(public|[0-9A-Fa-f.:]+/[0-9]{1,3}(,[0-9A-Fa-f.:]+/[0-9]{1,3})*)$",
            description="Networks that webhooks may reach beside public addresses, as 10.0.0.0/8, parted by commas.",
        ),
    ] = "public"
    webhook_seconds: Annotated[
        int, Meta(ge=1, le=10**7, description="Seconds for which an event that is not taken is sent again.")
    ] = 259_200
    access: Annotated[
        Literal["auto", "keys", "local", "anyone"],
        Meta(
            description="Who may ask: who has a key, who asks for this host by a name that is no other's, anyone, or "
            "(auto) local on a loopback address, else keys."
        ),
    ] = "auto"
    rate: Annotated[
        int, Meta(ge=0, le=10**6, description="Requests a minute that each key may make, or 0 for any number.")
    ] = 6000
    cache: Annotated[int, Meta(ge=0, le=2**40, description="Bytes of prepared geometries that each process keeps.")] = (
        128 * 1024 * 1024
    )
    metrics_machines: Annotated[
        int, Meta(ge=0, le=10_000, description="Machines of which the metrics tell one by one, the worst first.")
    ] = 100
    log_level: Annotated[
        Literal["debug", "info", "warning", "error"], Meta(description="Lowest level that is logged.")
    ] = "info"
    contact: Annotated[
        str,
        Meta(
            max_length=500,
            pattern=r"^(none|(https?://|mailto:)[!-~]+)$(?!\n)",
            description="Where users of this installation turn to, as a URL, or none.",
        ),
    ] = "none"
    licence: Annotated[
        str,
        Meta(
            max_length=200,
            pattern=r"^[A-Za-z0-9.+()-]+( [A-Za-z0-9.+()-]+)*$(?!\n)",
            description="Licence under which the API is offered: an SPDX expression.",
        ),
    ] = "NOASSERTION"

    @property
    def origins(self) -> tuple[str, ...]:
        """The origins whose pages may ask."""
        return () if self.cors_origins == "none" else tuple(self.cors_origins.split(","))

    @property
    def embedders(self) -> str:
        """The pages that may embed a machine's card, as a Content-Security-Policy names them."""
        named = {"none": "'none'", "self": "'self'"}
        return " ".join(named.get(one, one) for one in self.frame_ancestors.split(","))

    @property
    def most(self) -> Most:
        """What one request may take."""
        return Most(self.seconds, self.memory)


def from_environment(environment: Mapping[str, str]) -> Settings:
    """Read the settings from variables that begin with the prefix.

    Raises:
        ValueError: a variable is unknown or its value is out of range; the message names it.
    """
    given = {name.removeprefix(PREFIX).lower(): value for name, value in environment.items() if name.startswith(PREFIX)}
    given.pop(OF_CLIENTS, None)
    for name in given:
        if name not in Settings.__struct_fields__:
            names = ", ".join(PREFIX + field.upper() for field in Settings.__struct_fields__)
            raise ValueError(f"{PREFIX}{name.upper()} is no setting of this service. Known: {names}.")
    try:
        settings = msgspec.convert(given, Settings, strict=False)
    except msgspec.ValidationError as error:
        name = str(error).rpartition("`$.")[2].rstrip("`")
        raise ValueError(f"{PREFIX}{name.upper()}={given.get(name)!r}: {error}") from None
    networks_of(settings)
    return settings


def networks_of(settings: Settings) -> list[ipaddress.IPv4Network | ipaddress.IPv6Network]:
    """Return the networks that webhooks may reach beside public addresses.

    Raises:
        ValueError: one of them is none.
    """
    given = settings.webhook_targets
    try:
        return [ipaddress.ip_network(one) for one in given.split(",") if one != "public"]
    except ValueError as error:
        raise ValueError(f"{PREFIX}WEBHOOK_TARGETS={given!r}: {error}") from None

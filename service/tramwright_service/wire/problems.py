"""One table: what went wrong → an RFC 9457 problem. A traceback is never sent to the client."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated

from msgspec import Meta, Struct, field

from tramwright_solvers.model.errors import Fault, Impossible, OutOfTime, PlugInFault, PlugInOutOfTime, Refused

MEDIA_TYPE = "application/problem+json"
TYPES = "/docs/problems"


class Problem(Struct, frozen=True):
    """What went wrong, as RFC 9457 writes it."""

    type: Annotated[str, Meta(description="Which kind of problem: a reference to its description.")]
    title: Annotated[str, Meta(description="The kind of problem in a few words; the same every time.")]
    status: Annotated[int, Meta(ge=400, le=599, description="HTTP status.")]
    detail: Annotated[str, Meta(description="What went wrong this time and what to change.")]
    errors: Annotated[
        list[Fault],
        Meta(description="Every fault found, with where it is and what to change; empty where none can be pointed at."),
    ] = field(default_factory=list)
    request_id: Annotated[
        str | None,
        Meta(
            description="Id of the request, as in its X-Request-ID header and in the service's log; null in a line of "
            "a batch."
        ),
    ] = None


class Kind(Struct, frozen=True):
    """One row of the table: the last part of ``type``, status, title, and what a client should do about it."""

    slug: str
    status: int
    title: str
    remedy: str


UNREADABLE = Kind(
    "unreadable", 400, "The body cannot be read", "Send one well-formed JSON or MessagePack document in UTF-8."
)
TOO_DEEP = "The document is nested too deeply; nothing here needs that."
BAD_REQUEST = Kind("bad-request", 400, "The request cannot be understood", "Follow the detail.")
NOT_FOUND = Kind("not-found", 404, "There is nothing here", "Compare the path with the list of routes at /docs.")
NO_KEY = Kind("key-needed", 401, "A key is needed", "Send `Authorization: Bearer <key>` with a key of this service.")
BAD_KEY = Kind("key-not-valid", 401, "The key is not valid", "Ask whoever runs the service for another key.")
SCOPE = Kind(
    "scope-missing", 403, "The key may not do this", "Use a key of the scope that WWW-Authenticate and the detail name."
)
OTHER_HOST = Kind(
    "other-host",
    403,
    "The request is for another host",
    "Ask for `localhost`, or by a loopback address. Where a reverse proxy or a name of your own leads to this service, "
    "start it with `--access keys`, or with `--access anyone` where something before it asks who clients are.",
)
TOO_MANY = Kind("too-many-requests", 429, "The key asks too often", "Try again after the seconds in Retry-After.")
METHOD = Kind("method-not-allowed", 405, "This method does not apply here", "Use a method that the Allow header names.")
NOT_ACCEPTABLE = Kind(
    "not-acceptable", 406, "The answer cannot be given in that form", "Ask in Accept for one of the types offered."
)
NO_STORE = Kind(
    "no-store", 404, "This service stores nothing", "Start the service with `--store`, or set TRAMWRIGHT_STORE."
)
CHANGED = Kind(
    "changed",
    412,
    "It is not what the request expects",
    "Read it again, make the change to what is there now, and send that with its new ETag.",
)
STORE_FULL = Kind(
    "store-full", 507, "The store has no room", "Nothing was stored. Make room on its disk and send it again."
)
STORE_DAMAGED = Kind(
    "store-damaged", 500, "The store is damaged", "Run `tramwright store check`; bring back a copy that is whole."
)
NO_ACCESS = Kind(
    "store-unavailable",
    503,
    "The store cannot be reached or written",
    "Nothing was stored unless a repetition with the same Idempotency-Key says so. Try again after the seconds in "
    "Retry-After.",
)
CUT_OFF = Kind("cut-off", 408, "The request did not come whole in time", "Send it again, without a pause.")
TOO_LARGE = Kind("too-large", 413, "The body is too large", "Send fewer readings at a time, or MessagePack.")
UNSUPPORTED = Kind(
    "unsupported-media-type", 415, "The body is of a type that is not read here", "Set Content-Type to a type offered."
)
INVALID = Kind("invalid", 422, "The request is wrong", "Change what each error points at, as its sentence says.")
IMPOSSIBLE = Kind(
    "impossible", 422, "No set of travels satisfies the request", "Relax what the errors point at, by what they name."
)
BUSY = Kind("busy", 503, "All places for long solves are taken", "Try again after the seconds in Retry-After.")
CROWDED = Kind("crowded", 503, "All connections are taken", "Try again after the seconds in Retry-After.")
OUT_OF_TIME = Kind(
    "out-of-time", 503, "The time limit passed before an answer", "Try again, or raise `solve.time_limit`."
)
NOT_READY = Kind("not-ready", 503, "The service is not ready", "Wait; if it lasts, read the service's log.")
INTERNAL = Kind("internal", 500, "The service failed", "Not your fault: report it with the time and the request.")
PLUG_IN = Kind(
    "plug-in-fault",
    502,
    "A plug-in failed",
    "Tell the author of the plug-in that the detail names, or name another solver in `solve.with`.",
)
PLUG_IN_OUT_OF_TIME = Kind(
    "plug-in-out-of-time",
    504,
    "A plug-in took too long",
    "Tell the author of the plug-in that the detail names, or name another solver in `solve.with`.",
)
ON_HOLD = Kind(
    "plug-in-on-hold",
    503,
    "A plug-in has ended its process and is on hold",
    "Try again after the seconds in Retry-After, or name another solver in `solve.with`.",
)

KINDS: tuple[Kind, ...] = (
    UNREADABLE,
    BAD_REQUEST,
    NO_KEY,
    BAD_KEY,
    SCOPE,
    OTHER_HOST,
    NOT_FOUND,
    NO_STORE,
    METHOD,
    NOT_ACCEPTABLE,
    CUT_OFF,
    CHANGED,
    TOO_LARGE,
    UNSUPPORTED,
    INVALID,
    IMPOSSIBLE,
    TOO_MANY,
    INTERNAL,
    PLUG_IN,
    PLUG_IN_OUT_OF_TIME,
    ON_HOLD,
    BUSY,
    CROWDED,
    OUT_OF_TIME,
    NOT_READY,
    NO_ACCESS,
    STORE_FULL,
    STORE_DAMAGED,
)


class RequestError(Exception):
    """A request that the service itself refuses, with the kind of problem."""

    def __init__(
        self, kind: Kind, detail: str, errors: Sequence[Fault] = (), headers: Mapping[str, str] | None = None
    ) -> None:
        super().__init__(detail)
        self.kind = kind
        self.detail = detail
        self.errors = tuple(errors)
        self.headers = dict(headers or {})


class Told(Exception):
    """A problem that another process has described."""

    def __init__(self, problem: Problem, headers: Mapping[str, str]) -> None:
        super().__init__(problem.detail)
        self.problem = problem
        self.headers = headers


def _solver_kind(error: Exception) -> Kind | None:
    """Return the row of an exception of the numerics package; the more special class comes first."""
    rows: tuple[tuple[type[Exception], Kind], ...] = (
        (Impossible, IMPOSSIBLE),
        (Refused, INVALID),
        (OutOfTime, OUT_OF_TIME),
        (PlugInOutOfTime, PLUG_IN_OUT_OF_TIME),
        (PlugInFault, PLUG_IN),
    )
    return next((kind for special, kind in rows if isinstance(error, special)), None)


def _framework_kind(error: Exception) -> Kind:
    """Return the row of an exception of the web framework, which carries a status, or of any other exception."""
    status = getattr(error, "status_code", 500)
    rows = {404: NOT_FOUND, 405: METHOD, 413: TOO_LARGE}
    return rows.get(status, BAD_REQUEST if 400 <= status < 500 else INTERNAL)


def _framework_says(error: Exception) -> str:
    """Return what the web framework finds wrong with a request: its parameters one by one, or all there is to say."""
    told = getattr(error, "extra", None)
    if not isinstance(told, list):
        return f"{getattr(error, 'detail', error)}."
    return "; ".join(f"`{one['key']}`: {one['message']}" for one in told) + "; change it, or leave it out."


def write(kind: Kind, detail: str, errors: Sequence[Fault] = ()) -> Problem:
    """Write a problem of one kind."""
    return Problem(f"{TYPES}#{kind.slug}", kind.title, kind.status, detail, list(errors))


def first_of(faults: Sequence[Fault]) -> str:
    """Say the first fault, and how many there are where it is not alone."""
    first = faults[0].detail
    return first if len(faults) == 1 else f"{len(faults)} things to change; the first: {first}"


def describe(error: Exception) -> Problem:
    """Turn any exception into the problem that the client is told."""
    if isinstance(error, RequestError):
        return write(error.kind, error.detail, error.errors)
    if isinstance(error, Told):
        return error.problem
    if kind := _solver_kind(error):
        if isinstance(error, Refused | PlugInFault):
            return write(kind, first_of(error.faults) if error.faults else str(error), error.faults)
        return write(kind, str(error) or kind.remedy)
    kind = _framework_kind(error)
    return write(kind, _framework_says(error) if kind is BAD_REQUEST else kind.remedy)


def headers(error: Exception) -> dict[str, str]:
    """Return the headers that go with the problem."""
    if isinstance(error, RequestError | Told):
        return dict(error.headers)
    if isinstance(error, OutOfTime):
        return {"Retry-After": "5"}
    given: Mapping[str, str] = getattr(error, "headers", None) or {}
    # the framework knows no HEAD: exchange.py answers it wherever there is GET
    return {
        name: value.replace("GET", "GET, HEAD") if name.lower() == "allow" else value for name, value in given.items()
    }

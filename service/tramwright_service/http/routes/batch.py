"""``POST /v1/corrections/batch``: surveys by the line, any number, answered as they come, and stored if so asked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from litestar import Request, post
from litestar.handlers import HTTPRouteHandler
from litestar.params import Parameter

from ...batch.engines.base import Engine
from ...batch.engines.start import LOCAL, start
from ...batch.http_stream import BatchStream, Places
from ...batch.splitter import DETAILS
from ...execution.metrics import Metrics
from ...execution.plug_ins.hosts import PlugIns
from ...settings import Settings
from ...wire import problems
from ...wire.accept import accepted, choose
from ...wire.decode import unsupported
from ...wire.media_types import LINES
from ...wire.problems import RequestError
from ..access import SUBMIT, may
from ..documents import content_type
from ..stored import kept

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ...farm.farm import Farm


class Engines:
    """The engine of this process's batches, started when the first batch comes."""

    def __init__(self, plug_ins: PlugIns, settings: Settings) -> None:
        self._plug_ins = plug_ins
        self._settings = settings
        self._started: Engine | None = None

    async def get(self) -> Engine:
        """Return the engine."""
        if self._started is None:
            own = self._settings
            self._started = await start(LOCAL, own.workers, self._plug_ins, own.cache, own.most)
        return self._started

    async def close(self) -> None:
        """End what was started."""
        if self._started is not None:
            await self._started.close()


SAYS = """
Newline-delimited JSON, answered line by line while it is being sent; nothing is stored unless `store` says so. Each
line is a request as for one correction, with an `id` that is given back. `machine` may be the `id` of a machine that an
earlier line described (the latest ten thousand are remembered), or of one in the store. Answers come in the order of
the lines; a line that is wrong gets a problem in its place and stops nothing. The last line is a summary; where it is
missing, the exchange was cut off: send the lines that have no answer again.
"""


def create(settings: Settings, engines: Engines, metrics: Metrics, farm: Farm | None) -> HTTPRouteHandler:
    """Return the route, for one store or none."""
    places = Places(settings.batches, "batches")

    @post(
        "/v1/corrections/batch",
        status_code=200,
        operation_id="correctBatch",
        summary="Answer any number of surveys, one a line, as they come",
        description=SAYS.strip().replace("\n", " "),
        tags=["corrections"],
        opt=SUBMIT,
    )
    async def correct_batch(
        request: Request[Any, Any, Any],
        detail: Annotated[
            str,
            Parameter(
                description="How much is said of each survey: totals and verdict; the moves as well; or everything.",
                schema_extra={"enum": list(DETAILS)},
            ),
        ] = "moves",
        store: Annotated[
            bool,
            Parameter(
                description="Whether surveys are stored: each under its machine, whose description is stored as well "
                "where the stream has one (where keys are asked for, with one that may `manage`). Then a line is "
                "answered when its survey is on the disk; the same line again is stored once. Not with the detail "
                "`verdict`."
            ),
        ] = False,
    ) -> BatchStream:
        """Answer lines as they come; the description is what the documentation shows."""
        sent_as = content_type(request.scope)
        if sent_as.partition(b";")[0].strip().lower().decode("latin-1") not in LINES:
            raise unsupported(sent_as, LINES)
        asked = next((one for one in DETAILS if one == detail), None)
        if asked is None:
            offered = ", ".join(f"`{one}`" for one in DETAILS)
            raise RequestError(problems.BAD_REQUEST, f"`detail` is one of {offered}; `{detail[:100]}` is none of them.")
        if store and kept(farm) and asked == "verdict":
            raise RequestError(
                problems.BAD_REQUEST, "With `store`, `detail` is `moves` or `full`: moves are stored too."
            )
        # the framework types the headers of a scope as any iterable; the protocol says list
        media_type = choose(accepted(request.scope["headers"]), LINES)
        keeper = None if farm is None else farm.batches(describes=may(request.scope, "manage"))
        return BatchStream(engines.get, asked, settings, places, metrics, media_type, keeper, keeps=store)

    return correct_batch

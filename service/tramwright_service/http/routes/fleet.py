"""``/v1/fleet``, ``/v1/machines`` and ``…/standing``: how stored machines stand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from litestar import Request, get
from litestar.handlers import HTTPRouteHandler
from litestar.params import Parameter
from litestar.response.base import ASGIResponse

from tramwright_solvers.model.quantities import PRINTED, Name

from ...wire.stored import STANDINGS, Standing
from ..access import READ
from ..stored import Cursor, Id, Size, answered, form, given, kept, listed, named

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ...farm.farm import Farm
    from ...farm.fleet import Filters

Stands = Annotated[
    str | None, Parameter(description="Only machines that stand so.", schema_extra={"enum": [*STANDINGS, None]})
]
NAMED = {"minLength": 1, "maxLength": 64, "pattern": PRINTED}
Site = Annotated[str | None, Parameter(description="Only machines that stand at this site.", schema_extra=NAMED)]
Tag = Annotated[str | None, Parameter(description="Only machines with this tag.", schema_extra=NAMED)]


def create(farm: Farm | None) -> list[HTTPRouteHandler]:
    """Return the routes for one store, or none."""

    @get(
        "/v1/machines", operation_id="listMachines", summary="The stored machines, by their id", tags=["farm"], opt=READ
    )
    async def list_machines(
        request: Request[Any, Any, Any],
        limit: Size = 100,
        cursor: Cursor = "",
        standing: Stands = None,
        site: Site = None,
        tag: Tag = None,
    ) -> ASGIResponse:
        """Answer a page of machines, each with how it stands; the Link header has the next page."""
        own, media_type = kept(farm), form(request)
        from ...farm.pages import Page

        page = await own.standings.machines(filters(standing, site, tag), Page(limit, cursor))
        return listed(page, media_type, request)

    @get(
        "/v1/fleet",
        operation_id="getFleet",
        summary="How every machine stands, the worst first",
        tags=["farm"],
        opt=READ,
    )
    async def get_fleet(
        request: Request[Any, Any, Any],
        limit: Size = 100,
        cursor: Cursor = "",
        standing: Stands = None,
        site: Site = None,
        tag: Tag = None,
    ) -> ASGIResponse:
        """Answer a page of machines, the worst first, with counts and what each visit would take."""
        own, media_type = kept(farm), form(request)
        from ...farm.pages import Page

        page = await own.standings.fleet(filters(standing, site, tag), Page(limit, cursor))
        return listed(page, media_type, request)

    @get(
        "/v1/machines/{machine:str}/standing",
        operation_id="getStanding",
        summary="How one machine stands",
        tags=["farm"],
        opt=READ,
    )
    async def get_standing(request: Request[Any, Any, Any], machine: Id) -> ASGIResponse:
        """Answer the machine's row of the fleet."""
        own, media_type = kept(farm), form(request)
        return answered(await own.standings.standing(named(machine)), media_type)

    return [list_machines, get_fleet, get_standing]


def filters(standing: str | None, site: str | None, tag: str | None) -> Filters:
    """Return which machines are asked for.

    Raises:
        RequestError: a parameter is none that it can be.
    """
    from ...farm.fleet import Filters

    return Filters(given(standing, "standing", Standing), given(site, "site", Name), given(tag, "tag", Name))

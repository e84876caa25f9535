"""``/v1/machines/{machine}/surveys``: what was read on stored machines, and what it told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from litestar import Request, get, post, put
from litestar.handlers import HTTPRouteHandler
from litestar.params import HeaderParameter, Parameter
from litestar.response.base import ASGIResponse
from litestar.types import ASGIApp, Receive, Send

from tramwright_solvers.mechanisms.registry import Registry

from ...settings import Settings
from ...wire.decode import Decoder
from ...wire.media_types import JSON
from ...wire.problems import BAD_REQUEST, RequestError
from ...wire.stored import MovesEntry, NoteEntry, SurveyEntry, survey_entry
from ..access import READ, SUBMIT
from ..documents import DIRECT, Answers, content_type, whole
from ..pictures import Sent
from ..stored import (
    KEY,
    Cursor,
    Encoded,
    Id,
    Numbered,
    Size,
    answered,
    form,
    kept,
    key_of,
    listed,
    location,
    named,
    wanted,
)  # fmt: skip

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ...farm.farm import Farm

KEYED = b"idempotency-key"
OFFSETS, ERRORS = ("free", "keep"), ("independent", "common")


def create(
    registry: Registry, settings: Settings, farm: Farm | None, corrections: Answers, comparisons: Answers
) -> list[HTTPRouteHandler]:
    """Return the routes for one store, or none; what is asked about stored surveys is answered as if it were sent."""
    store = storing(registry, settings, farm)
    moves: Decoder[MovesEntry] = Decoder(MovesEntry, registry)
    notes: Decoder[NoteEntry] = Decoder(NoteEntry, registry)

    @post(
        "/v1/machines/{machine:str}/surveys",
        status_code=201,
        operation_id="postSurvey",
        summary="Store a survey of a machine, with its correction",
        tags=["farm"],
        opt={DIRECT: store, **SUBMIT},
    )
    async def post_survey(
        machine: Id,
        idempotency_key: Annotated[
            str,
            HeaderParameter(
                name="Idempotency-Key",
                schema_extra={"pattern": f"^(?:|{KEY.pattern})$"},
                description="Any text of your own, a new one for each survey: the same request with the same key is "
                "stored once, however often it is sent.",
            ),
        ] = "",
    ) -> ASGIApp:
        """Correct a survey and store both; the answer comes when they are on the disk.

        A survey that cannot be corrected is refused, and not stored. `…/correction` has the whole correction.
        """
        return store

    @get(
        "/v1/machines/{machine:str}/surveys",
        operation_id="listSurveys",
        summary="The surveys of a machine, the latest first",
        tags=["farm"],
        opt=READ,
    )
    async def list_surveys(
        request: Request[Any, Any, Any], machine: Id, limit: Size = 100, cursor: Cursor = ""
    ) -> ASGIResponse:
        """Answer a page of surveys with their totals; the Link header has the next page."""
        own, media_type = kept(farm), form(request)
        from ...farm.pages import Page

        return listed(await own.surveys.page(named(machine), Page(limit, cursor)), media_type, request)

    @get(
        "/v1/machines/{machine:str}/surveys/{number:int}",
        operation_id="getSurvey",
        summary="A stored survey and what its correction said when it came",
        tags=["farm"],
        opt=READ,
    )
    async def get_survey(request: Request[Any, Any, Any], machine: Id, number: Numbered) -> ASGIResponse:
        """Answer the survey as it was sent and what was said of it; neither ever changes."""
        own, media_type = kept(farm), form(request)
        return answered(await own.surveys.get(named(machine), number), media_type)

    @get(
        "/v1/machines/{machine:str}/surveys/{number:int}/correction",
        operation_id="getCorrection",
        summary="The whole correction of a stored survey",
        tags=["farm"],
        opt=READ,
    )
    async def get_correction(request: Request[Any, Any, Any], machine: Id, number: Numbered) -> ASGIResponse:
        """Solve it once more from what it was solved from: description, readings, passes before it, options.

        With the same `solver_versions` it says the same as when the survey came; `answer` of the survey is what was
        said then. It comes in every form of `POST /v1/corrections`: as map and as sheet too.
        """
        own, media_type = kept(farm), corrections.form(request.scope)
        from ...farm.solving import correction_of

        asked = correction_of(await own.surveys.past(named(machine), number))
        return await told(request, corrections, asked, media_type)

    @get(
        "/v1/machines/{machine:str}/surveys/{number:int}/comparison",
        operation_id="compareSurveys",
        summary="What moved between two stored surveys",
        tags=["farm"],
        opt=READ,
    )
    async def compare_surveys(
        request: Request[Any, Any, Any],
        machine: Id,
        number: Numbered,
        before: Annotated[
            int | None, Parameter(description="Number of the earlier survey; left out, the one stored before.")
        ] = None,
        offset: Annotated[
            str,
            Parameter(
                description="`keep` where the indicator held its zero from one to the other.",
                schema_extra={"enum": list(OFFSETS)},
            ),
        ] = "free",
        indicator_error: Annotated[
            str,
            Parameter(
                description="The indicator's error in the two: `independent`, or `common` where it is the same.",
                schema_extra={"enum": list(ERRORS)},
            ),
        ] = "independent",
    ) -> ASGIResponse:
        """Compare two surveys of one machine, by the description that the later one was taken with.

        It comes in every form of `POST /v1/comparisons`: as map too.
        """
        own, media_type = kept(farm), comparisons.form(request.scope)
        from ...farm.solving import comparison_of

        for value, what, offered in ((offset, "offset", OFFSETS), (indicator_error, "indicator_error", ERRORS)):
            if value not in offered:
                raise RequestError(BAD_REQUEST, f"`{what}` is one of {', '.join(offered)}; change it, or leave it out.")
        after = await own.surveys.past(named(machine), number)
        earlier = await own.surveys.past(named(machine), number - 1 if before is None else before)
        asked = comparison_of(earlier, after, offset=offset, indicator_error=indicator_error)
        return await told(request, comparisons, asked, media_type)

    @put(
        "/v1/machines/{machine:str}/surveys/{number:int}/moves",
        status_code=200,
        operation_id="putMoves",
        summary="Record the moves really made after a survey",
        tags=["farm"],
        opt=SUBMIT,
    )
    async def put_moves(request: Request[Any, Any, Any], machine: Id, number: Numbered) -> ASGIResponse:
        """Record them, so that the next survey learns from them; recorded again, the last record counts."""
        own, media_type, name = kept(farm), form(request), named(machine)
        entry = moves.decode(
            await whole(request.scope, request.receive, settings.max_body), content_type(request.scope)
        )
        return answered(await own.record_moves(name, number, entry), media_type)

    @get(
        "/v1/machines/{machine:str}/surveys/{number:int}/moves",
        operation_id="getMoves",
        summary="The moves really made after a survey",
        tags=["farm"],
        opt=READ,
    )
    async def get_moves(request: Request[Any, Any, Any], machine: Id, number: Numbered) -> ASGIResponse:
        """Answer the moves as last recorded."""
        own, media_type = kept(farm), form(request)
        return answered(await own.logbook.moves(named(machine), number), media_type)

    @post(
        "/v1/machines/{machine:str}/notes",
        status_code=201,
        operation_id="postNote",
        summary="Store a note on a machine or on one of its surveys",
        tags=["farm"],
        opt=SUBMIT,
    )
    async def post_note(request: Request[Any, Any, Any], machine: Id) -> ASGIResponse:
        """Store a note for whoever comes next: a crash, a move to another hall, a new screw."""
        own, media_type, name = kept(farm), form(request), named(machine)
        entry = notes.decode(
            await whole(request.scope, request.receive, settings.max_body), content_type(request.scope)
        )
        return answered(await own.logbook.write_note(name, entry.text, entry.survey), media_type, 201)

    @get(
        "/v1/machines/{machine:str}/notes",
        operation_id="listNotes",
        summary="The notes on a machine, the latest first",
        tags=["farm"],
        opt=READ,
    )
    async def list_notes(
        request: Request[Any, Any, Any], machine: Id, limit: Size = 100, cursor: Cursor = ""
    ) -> ASGIResponse:
        """Answer a page of notes; the Link header has the next page."""
        own, media_type = kept(farm), form(request)
        from ...farm.pages import Page

        return listed(await own.logbook.notes(named(machine), Page(limit, cursor)), media_type, request)

    of_surveys = [post_survey, list_surveys, get_survey, get_correction, compare_surveys]
    return [*of_surveys, put_moves, get_moves, post_note, list_notes]


def storing(registry: Registry, settings: Settings, farm: Farm | None) -> ASGIApp:
    """Return the application that stores a survey of the machine that its path names."""
    surveys: Decoder[SurveyEntry[Any]] = Decoder(survey_entry(registry.union()), registry)

    async def store(scope: Any, receive: Receive, send: Send) -> None:
        own, media_type, name = kept(farm), wanted(scope), named(scope["path_params"]["machine"])
        key = key_of(next((value.decode("latin-1") for header, value in scope["headers"] if header == KEYED), ""))
        sent = await whole(scope, receive, settings.max_body)
        own.solving.threads.expect(sent)
        entry = surveys.decode(sent, content_type(scope))
        stored = await own.store_survey(name, entry, key, receive)
        await answered(stored, media_type, 201, [location(name, "surveys", stored.number)])(scope, receive, send)

    return store


async def told(request: Any, answers: Answers, asked: bytes, media_type: str) -> Encoded:
    """Return what a request put together from the store is answered with, as one that was sent."""
    body, headers = await answers.told(request.scope, Sent(asked, JSON.encode(), media_type, request.receive))
    return Encoded(body, media_type, headers=headers)

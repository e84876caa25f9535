"""``/v1/machines``: the machines of the stored farm."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any

import msgspec
from litestar import Request, delete, get, patch, put
from litestar.handlers import HTTPRouteHandler
from litestar.params import HeaderParameter, Parameter
from litestar.response.base import ASGIResponse
from msgspec.structs import replace

from tramwright_solvers.model.errors import Fault
from tramwright_solvers.model.machine import Machine

from ...execution.plug_ins.hosts import PlugIns
from ...settings import Settings
from ...wire import merge_patch, problems
from ...wire.decode import Decoder, unsupported
from ...wire.media_types import JSON, MERGE_PATCH
from ...wire.problems import RequestError
from ...wire.stored import MachineEntry, machine_entry
from ..access import MANAGE, READ
from ..documents import content_type, whole
from ..stored import Id, IfMatch, answered, form, kept, location, named, tag_of

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ...farm.farm import Farm

UNNAMED = Machine.__struct_defaults__[Machine.__struct_fields__.index("id") - 1]
"""The `id` of a description that says none."""


def create(plug_ins: PlugIns, settings: Settings, farm: Farm | None) -> list[HTTPRouteHandler]:
    """Return the routes for one store, or none."""
    registry = plug_ins.registry
    decoder: Decoder[MachineEntry[Any]] = Decoder(machine_entry(registry.union()), registry)

    def document(entry: MachineEntry[Any], machine: str) -> bytes:
        if entry.machine.id not in (UNNAMED, machine):
            detail = f"The path names the machine `{machine}`; give its `id` likewise, or leave it out."
            raise RequestError(problems.INVALID, detail, [Fault("/machine/id", detail)])
        plug_ins.check(entry.machine, entry.solve)
        tags = sorted(set(entry.tags))
        return msgspec.json.encode(replace(entry, machine=replace(entry.machine, id=machine), tags=tags))

    @put(
        "/v1/machines/{machine:str}",
        status_code=200,
        operation_id="putMachine",
        summary="Store a machine, or a new version of its description",
        tags=["farm"],
        opt=MANAGE,
    )
    async def put_machine(
        request: Request[Any, Any, Any],
        machine: Id,
        if_match: IfMatch = "",
        if_none_match: Annotated[
            str, HeaderParameter(name="If-None-Match", description="`*`: store it only if there is none.")
        ] = "",
    ) -> ASGIResponse:
        """Store the machine under the id of the path: 201 for a new one, 200 for another version of its description.

        Every version is kept, since surveys refer to the one they were taken with. The same description again makes no
        new version. A machine that was deleted is there again, with its surveys. A description by which no survey
        could be corrected is refused, with the faults that a correction would name.
        """
        from ...farm.expectations import Expected

        own, media_type, name = kept(farm), form(request), named(machine)
        entry = decoder.decode(
            await whole(request.scope, request.receive, settings.max_body), content_type(request.scope)
        )
        new = await asyncio.to_thread(document, entry, name)
        stored, made = await own.machines.put(name, Expected.of(if_match, if_none_match), replacing(new))
        headers = [tag_of(stored.version, media_type), *([location(name)] if made else [])]
        return answered(stored.record(), media_type, 201 if made else 200, headers)

    @patch(
        "/v1/machines/{machine:str}",
        operation_id="patchMachine",
        summary="Change part of a stored machine",
        tags=["farm"],
        opt=MANAGE,
    )
    async def patch_machine(request: Request[Any, Any, Any], machine: Id, if_match: IfMatch = "") -> ASGIResponse:
        """Change the members that a merge patch (RFC 7396) names; null takes one away. The result is a new version."""
        from ...farm.expectations import Expected

        own, media_type, name = kept(farm), form(request), named(machine)
        sent, sent_as = await whole(request.scope, request.receive, settings.max_body), content_type(request.scope)
        if sent_as.partition(b";")[0].strip().lower() not in (MERGE_PATCH.encode(), JSON.encode()):
            raise unsupported(sent_as, (MERGE_PATCH, JSON))
        patched, expected = merge_patch.read(sent), Expected.of(if_match, "")

        def changed(there: bytes) -> bytes:
            return document(decoder.decode(merge_patch.merged(there, patched), JSON.encode()), name)

        while True:  # until nobody has changed it meanwhile
            there = await own.machines.get(name)
            expected.check(there.version)
            # it may wait for plug-ins, which nobody else at the store is to wait for
            new = await asyncio.to_thread(changed, there.document)
            unchanged = Expected(frozenset({there.version}), there=True)
            try:
                stored, _ = await own.machines.put(name, unchanged, replacing(new))
                break
            except RequestError as error:
                if error.kind is not problems.CHANGED:
                    raise
        return answered(stored.record(), media_type, headers=[tag_of(stored.version, media_type)])

    @get(
        "/v1/machines/{machine:str}",
        operation_id="getMachine",
        summary="A stored machine",
        tags=["farm"],
        opt=READ,
    )
    async def get_machine(request: Request[Any, Any, Any], machine: Id) -> ASGIResponse:
        """Answer the machine as it is described now; how it stands is told at `standing` and in the fleet."""
        own, media_type = kept(farm), form(request)
        stored = await own.machines.get(named(machine))
        return answered(stored.record(), media_type, headers=[tag_of(stored.version, media_type)])

    @get(
        "/v1/machines/{machine:str}/versions/{version:int}",
        operation_id="getMachineVersion",
        summary="A stored machine as it was described when a survey was taken",
        tags=["farm"],
        opt=READ,
    )
    async def get_version(
        request: Request[Any, Any, Any],
        machine: Id,
        version: Annotated[int, Parameter(description="`version` of the description, as a survey names it.")],
    ) -> ASGIResponse:
        """Answer one version of the description; it never changes."""
        own, media_type = kept(farm), form(request)
        stored = await own.machines.get(named(machine), version)
        return answered(stored.record(), media_type, headers=[tag_of(stored.version, media_type)])

    @delete(
        "/v1/machines/{machine:str}",
        status_code=204,
        operation_id="deleteMachine",
        summary="Take a machine out of the farm",
        tags=["farm"],
        opt=MANAGE,
    )
    async def delete_machine(machine: Id, if_match: IfMatch = "") -> None:
        """Take it out of every list. What was measured is kept; PUT the machine again, and its surveys are there."""
        from ...farm.expectations import Expected

        await kept(farm).machines.retire(named(machine), Expected.of(if_match, ""))

    return [put_machine, patch_machine, get_machine, get_version, delete_machine]


def replacing(new: bytes) -> Callable[[bytes | None], bytes]:
    """Return what puts a document in the place of whatever is there."""
    return lambda _: new

"""``/v1/webhooks``: who is sent what happens in the farm."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from litestar import Request, delete, get, patch, post
from litestar.handlers import HTTPRouteHandler
from litestar.params import Parameter
from litestar.response.base import ASGIResponse

from tramwright_solvers.mechanisms.registry import Registry

from ...settings import Settings
from ...wire.decode import Decoder
from ...wire.events import WebhookChange, WebhookEntry
from ..access import MANAGE
from ..documents import content_type, whole
from ..stored import answered, form, kept

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ...farm.farm import Farm

Id = Annotated[str, Parameter(description="`id` of the webhook.")]
NO_STORE = (b"cache-control", b"no-store")
"""What holds a secret is kept nowhere on its way."""


def create(registry: Registry, settings: Settings, farm: Farm | None) -> list[HTTPRouteHandler]:
    """Return the routes for one store, or none."""
    entries: Decoder[WebhookEntry] = Decoder(WebhookEntry, registry)
    changes: Decoder[WebhookChange] = Decoder(WebhookChange, registry)

    @post(
        "/v1/webhooks",
        status_code=201,
        operation_id="postWebhook",
        summary="Set up a webhook",
        tags=["events"],
        opt=MANAGE,
    )
    async def post_webhook(request: Request[Any, Any, Any]) -> ASGIResponse:
        """Have events posted to a URL from now on, signed by the Standard Webhooks specification.

        Only public addresses are reached, and those in the networks that the setting `TRAMWRIGHT_WEBHOOK_TARGETS`
        names. The answer has the secret, which is not shown again.
        """
        own, media_type = kept(farm), form(request)
        sent = await whole(request.scope, request.receive, settings.max_body)
        made = await own.webhooks.add(entries.decode(sent, content_type(request.scope)))
        return answered(made, media_type, 201, [(b"location", f"/v1/webhooks/{made.id}".encode()), NO_STORE])

    @get(
        "/v1/webhooks",
        operation_id="listWebhooks",
        summary="The webhooks, the oldest first",
        tags=["events"],
        opt=MANAGE,
    )
    async def list_webhooks(request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer every webhook and how it fares, without its secret."""
        own, media_type = kept(farm), form(request)
        return answered(await own.webhooks.list(), media_type)

    @get("/v1/webhooks/{webhook:str}", operation_id="getWebhook", summary="A webhook", tags=["events"], opt=MANAGE)
    async def get_webhook(request: Request[Any, Any, Any], webhook: Id) -> ASGIResponse:
        """Answer the webhook and how it fares, without its secret."""
        own, media_type = kept(farm), form(request)
        return answered(await own.webhooks.get(webhook), media_type)

    @patch(
        "/v1/webhooks/{webhook:str}",
        operation_id="patchWebhook",
        summary="Disable a webhook, or enable it again",
        tags=["events"],
        opt=MANAGE,
    )
    async def patch_webhook(request: Request[Any, Any, Any], webhook: Id) -> ASGIResponse:
        """Enabled again, it is sent what has happened since the last event that it took, as far as that is kept."""
        own, media_type = kept(farm), form(request)
        sent = await whole(request.scope, request.receive, settings.max_body)
        change = changes.decode(sent, content_type(request.scope))
        return answered(await own.webhooks.enable(webhook, enabled=change.enabled), media_type)

    @delete(
        "/v1/webhooks/{webhook:str}",
        status_code=204,
        operation_id="deleteWebhook",
        summary="Take a webhook out",
        tags=["events"],
        opt=MANAGE,
    )
    async def delete_webhook(webhook: Id) -> None:
        """Send nothing to it any more, and forget its secret."""
        await kept(farm).webhooks.remove(webhook)

    return [post_webhook, list_webhooks, get_webhook, patch_webhook, delete_webhook]

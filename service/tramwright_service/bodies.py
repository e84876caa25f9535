"""How a route reads its body: strict, by Content-Type, and no larger than allowed.

The framework's own decoding takes ``"1.5"`` and ``"NaN"`` for numbers, reads any Content-Type as JSON and fails with
500 on deep nesting or bad UTF-8; a data transfer object around our decoder replaces it and keeps the documentation.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Any, ClassVar

from litestar import Request
from litestar.dto import AbstractDTO, DTOConfig
from litestar.dto.data_structures import DTOFieldDefinition
from litestar.exceptions.http_exceptions import RequestEntityTooLarge
from litestar.openapi.spec import Reference
from litestar.typing import FieldDefinition

from .decoding import Decoder, empty, unsupported
from .problems import BAD_REQUEST, TOO_LARGE, RequestError


def content_type(scope: Any) -> bytes:
    """Return the Content-Type header as it was sent, empty where there is none."""
    for name, value in scope["headers"]:
        if name == b"content-type":
            return bytes(value)
    return b""


class StrictRequest(Request[Any, Any, Any]):
    """A request whose body has content; the framework would hand an empty one past the decoder."""

    async def body(self) -> bytes:
        """Return the whole body.

        Raises:
            RequestError: it is empty; or it is announced, or turns out, larger than the limit.
        """
        try:
            body = await super().body()
        except RequestEntityTooLarge:
            most = self.route_handler.resolve_request_max_body_size()
            raise RequestError(
                TOO_LARGE, f"The body is larger than {most} bytes, the most this service takes."
            ) from None
        if body:
            return body
        sent_as = content_type(self.scope)
        raise empty() if sent_as else unsupported(sent_as)


class StrictBody(AbstractDTO[Any]):
    """Base of the bodies made by :func:`strict_body`."""

    config: ClassVar[DTOConfig] = DTOConfig()
    decoder: ClassVar[Decoder[Any]]
    component: ClassVar[str]

    def decode_bytes(self, value: bytes) -> Any:
        """Read the body."""
        return self.decoder.decode(value, content_type(self.asgi_connection.scope))

    def decode_builtins(self, value: dict[str, Any]) -> Any:
        """Refuse form data, which no route declares."""
        raise RequestError(BAD_REQUEST, "Form data are not read here; send a JSON or MessagePack document.")

    @classmethod
    def create_for_field_definition(
        cls, field_definition: FieldDefinition, handler_id: str, backend_cls: Any = None
    ) -> None:
        """Prepare nothing: the decoder is ready and there is no transfer model."""

    @classmethod
    def create_openapi_schema(
        cls, field_definition: FieldDefinition, handler_id: str, schema_creator: Any
    ) -> Reference:
        """Refer to the component that :mod:`.openapi` writes from the Struct itself."""
        return Reference(ref=f"#/components/schemas/{cls.component}")

    @classmethod
    def generate_field_definitions(cls, model_type: type[Any]) -> Generator[DTOFieldDefinition, None, None]:
        """Yield nothing: fields are msgspec's affair."""
        yield from ()

    @classmethod
    def detect_nested_field(cls, field_definition: FieldDefinition) -> bool:
        """Say no: fields are msgspec's affair."""
        return False


def strict_body(decoder: Decoder[Any], component: str) -> type[StrictBody]:
    """Return a data transfer object that reads with this decoder and is documented as this component."""
    return type(f"Strict{component}", (StrictBody,), {"decoder": decoder, "component": component})

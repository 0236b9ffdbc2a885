"""The service's strict side of the open wire types: closed twins, and a request that decodes with them.

Clients ignore what they do not know; the service refuses it by name, so that a mistyped member is never lost.
"""

import re
import types
from enum import Enum
from functools import cache
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import msgspec
from litestar import Request
from litestar.datastructures import State

from catchpan_service.envelope import BODY

_INTEGER_AS_FLOAT = re.compile(r"Expected `int( \| null)?`, got `float`")

T = TypeVar("T", bound=msgspec.Struct)


@cache
def closed(kind: type[T]) -> type[T]:
    """The twin of a wire struct that refuses unknown members and unknown enum members, all the way down."""
    hints = get_type_hints(kind, include_extras=True)
    fields = [_field(field, _twin(hints[field.name])) for field in msgspec.structs.fields(kind)]
    return msgspec.defstruct(  # type: ignore[return-value]
        kind.__name__,
        fields,
        namespace={"__doc__": kind.__doc__},
        module=kind.__module__,
        kw_only=True,
        frozen=True,
        forbid_unknown_fields=True,
    )


def _field(field: Any, kind: Any) -> Any:
    if field.required:
        return (field.encode_name, kind)
    if field.default_factory is not msgspec.NODEFAULT:
        return (field.encode_name, kind, msgspec.field(default_factory=field.default_factory))
    return (field.encode_name, kind, field.default)


def _twin(kind: Any) -> Any:
    origin = get_origin(kind)
    if origin is Annotated:
        inner, *marks = get_args(kind)
        return Annotated[(_twin(inner), *marks)]
    if origin in (Union, types.UnionType):
        return Union[tuple(_twin(part) for part in get_args(kind))]
    if origin is list:
        return list[_twin(get_args(kind)[0])]  # type: ignore[misc]
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return closed(kind)
    if isinstance(kind, type) and issubclass(kind, Enum):
        return Literal[tuple(member.value for member in kind)]
    return kind


class UnsupportedMediaType(Exception):
    """A body in another media type than JSON."""


class StrictRequest(Request[Any, Any, State]):
    """Decodes a JSON body strictly, as the handler's own type."""

    async def json(self) -> Any:
        """The body as the handler's type.

        Raises
        ------
        UnsupportedMediaType
            The body is not JSON by its own account.
        msgspec.DecodeError
            It cannot be read, or is not of the type; the message ends with the JSON path.
        """
        if self.content_type[0] != "application/json":
            raise UnsupportedMediaType(self.content_type[0])
        body, kind = await self.body(), body_type(self.route_handler)
        self.scope[BODY] = body  # type: ignore[literal-required]
        try:
            return _read(body, kind)
        except UnicodeDecodeError as error:
            raise msgspec.DecodeError("the text is not UTF-8") from error
        except RecursionError as error:
            raise msgspec.DecodeError("the document nests too deeply") from error


def _read(body: bytes, kind: type[msgspec.Struct]) -> Any:
    try:
        return _decoded(body, kind)
    except msgspec.ValidationError as error:
        if not _INTEGER_AS_FLOAT.match(str(error)):
            raise
    return _decoded(msgspec.json.encode(_integral(msgspec.json.decode(body))), kind)


def _decoded(body: bytes, kind: type[msgspec.Struct]) -> Any:
    decoder(closed(kind)).decode(body)  # type: ignore[arg-type]
    return decoder(kind).decode(body)


def _integral(document: Any) -> Any:
    """The same document with 2.0 told as 2: JSON does not tell them apart."""
    if isinstance(document, dict):
        return {name: _integral(value) for name, value in document.items()}
    if isinstance(document, list):
        return [_integral(value) for value in document]
    whole = isinstance(document, float) and document.is_integer() and abs(document) < 2**53
    return int(document) if whole else document


@cache
def decoder(kind: Any) -> msgspec.json.Decoder[Any]:
    """One decoder for each type, made once."""
    return msgspec.json.Decoder(kind)


def body_type(handler: Any) -> type[msgspec.Struct]:
    """The type that a handler takes as its body."""
    kind: type[msgspec.Struct] = handler.parsed_data_field.annotation
    return kind

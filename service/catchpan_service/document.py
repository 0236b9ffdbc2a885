"""The OpenAPI document: Litestar's paths, with components from msgspec and the problems of every operation.

``python -m catchpan_service.publish openapi/catchpan.json`` writes it; a test compares it with what is served.
"""

import json
import re
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any, get_args, get_origin

import msgspec
from litestar import Litestar, get
from litestar.handlers import HTTPRouteHandler
from litestar.openapi import OpenAPIConfig
from litestar.openapi.spec import Components, SecurityScheme, Tag
from litestar.types import ControllerRouterHandler

from catchpan import __version__
from catchpan.contract.corrections import Correction
from catchpan.contract.problems import Problem, Slug
from catchpan.contract.sync import Entry, Exceptions, Head, Manifest
from catchpan_service import forms
from catchpan_service.problems import CATALOGUE, MEDIA_TYPE
from catchpan_service.strict import StrictRequest, closed

DESCRIPTION = """Weighed catches and pan tests of granular broadcast spreaders become settings that say how sure they
are; profiles of those settings are versioned for an organisation.

Every quantity carries its unit. Follow the product label, the machine's manual and local rules: they come first."""
KEY = SecurityScheme(type="http", scheme="bearer", description="A key of an organisation.")
SENT_AS_BYTES = (Correction, Entry, Manifest, Exceptions, Head)
"""Types that travel as the bytes that were hashed or signed, so that no handler names them."""
_REFERENCE = "#/components/schemas/{name}"
_COMPONENT = re.compile(r'"#/components/schemas/([^"]+)"')


def served(
    handlers: Sequence[ControllerRouterHandler], dependencies: dict[str, Any], examples: dict[str, Any]
) -> HTTPRouteHandler:
    """A handler that serves the document of the other handlers."""

    @cache
    def made() -> bytes:
        return encoded(document(handlers, dependencies, examples))

    @get("/openapi.json", include_in_schema=False, sync_to_thread=True, media_type="application/json")
    def openapi() -> bytes:
        """The document, made once."""
        return made()

    return openapi


def encoded(made: dict[str, Any]) -> bytes:
    """The document as it is served and committed."""
    return json.dumps(made, indent=1, sort_keys=True, ensure_ascii=False).encode() + b"\n"


def document(
    handlers: Sequence[ControllerRouterHandler], dependencies: dict[str, Any], examples: dict[str, Any]
) -> dict[str, Any]:
    """The whole document of some handlers."""
    app = Litestar(
        handlers,
        dependencies=dependencies,
        request_class=StrictRequest,
        openapi_config=_config(),
        logging_config=None,
    )
    made = app.openapi_schema.to_schema()
    named = set(_COMPONENT.findall(json.dumps(made["paths"])))
    kinds = {closed(kind) for handler in _handlers(app) for kind in wire_types(handler)}
    kinds |= {closed(kind) for kind in (Problem, *SENT_AS_BYTES)}
    _, schemas = msgspec.json.schema_components(sorted(kinds, key=lambda kind: kind.__name__), ref_template=_REFERENCE)
    if named - set(schemas):
        raise LookupError(f"types of the document that msgspec does not know: {sorted(named - set(schemas))}")
    made["components"]["schemas"] = schemas
    lists = {
        handler.operation_id for handler in _handlers(app) if forms.is_list(handler.parsed_return_field.annotation)
    }
    for path, item in made["paths"].items():
        for method, operation in item.items():
            if isinstance(operation, dict):
                _complete(operation, method, path, examples)
                if operation["operationId"] in lists:
                    text = {"schema": {"type": "string"}}
                    operation["responses"]["200"]["content"] |= dict.fromkeys(forms.OF_LISTS[1:], text)
    return dict(made)


def _config() -> OpenAPIConfig:
    return OpenAPIConfig(
        title="Catchpan",
        version=__version__,
        description=DESCRIPTION,
        use_handler_docstrings=True,
        components=Components(security_schemes={"key": KEY}),
        tags=[
            Tag(name="compute", description="Stateless: nothing is stored."),
            Tag(name="profiles", description="Materials, machine kinds, profiles and their revisions."),
            Tag(name="sync", description="Branches and machines; what each should hold, and how it hears of changes."),
            Tag(name="fleet", description="What is found on single machines, and what each is to be set to."),
            Tag(name="service", description="The service itself, and who is asking."),
        ],
    )


def _handlers(app: Litestar) -> Iterator[HTTPRouteHandler]:
    for route in app.routes:
        for handler in getattr(route, "route_handlers", []):
            if handler.include_in_schema is not False and handler.operation_id:
                yield handler


def wire_types(handler: HTTPRouteHandler) -> Iterator[type[msgspec.Struct]]:
    """The wire structs that a handler takes and answers."""
    fields = [handler.parsed_data_field, handler.parsed_return_field]
    for kind in (field.annotation for field in fields if field is not None):
        for part in get_args(kind) if get_origin(kind) else (kind,):
            if isinstance(part, type) and issubclass(part, msgspec.Struct):
                yield part


def _complete(operation: dict[str, Any], method: str, path: str, examples: dict[str, Any]) -> None:
    """Give an operation its example and its problems."""
    for parameter in operation.get("parameters", []):
        _complete_parameter(parameter)
    body = operation.get("requestBody")
    if body and operation["operationId"] in examples:
        media = body["content"]["application/json"]
        media["examples"] = {"invented": {"value": examples[operation["operationId"]]}}
    operation["responses"].pop("400", None)
    by_status: dict[int, list[str]] = {}
    for slug in operation_problems(operation, method, path):
        by_status.setdefault(CATALOGUE[slug][0], []).append(CATALOGUE[slug][1])
    for status, titles in sorted(by_status.items()):
        operation["responses"][str(status)] = {
            "description": "; ".join(titles),
            "content": {MEDIA_TYPE: {"schema": {"$ref": _REFERENCE.format(name="Problem")}}},
        }


def _complete_parameter(parameter: dict[str, Any]) -> None:
    """A parameter is there or not, never null; If-Match has to be there, though its absence has its own answer."""
    choices = [one for one in parameter["schema"].get("oneOf", []) if one.get("type") != "null"]
    if choices:
        kept = {name: value for name, value in parameter["schema"].items() if name != "oneOf"}
        parameter["schema"] = choices[0] | kept
    if "enum" in parameter["schema"]:
        named = [one for one in parameter["schema"]["enum"] if one is not None]
        parameter["schema"] |= {"type": "string", "enum": named}
    if parameter["name"] == "If-Match":
        parameter["required"] = True


def operation_problems(operation: dict[str, Any], method: str, path: str) -> list[Slug]:
    """Every problem that an operation can answer, from its own shape."""
    headers = {p["name"].lower() for p in operation.get("parameters", []) if p["in"] == "header"}
    slugs = []
    if operation.get("parameters") or "requestBody" in operation:
        slugs += [Slug.UNREADABLE]
    if "requestBody" in operation:
        slugs += [Slug.TOO_LARGE, Slug.WRONG_MEDIA_TYPE, Slug.NOT_COMPUTABLE]
    queried = {p["name"] for p in operation.get("parameters", []) if p["in"] == "query"}
    guarded = operation.get("security") or "token" in queried
    slugs += [Slug.KEY_MISSING, Slug.KEY_REFUSED] if guarded else []
    if guarded and "/compute/" not in path:
        slugs += [Slug.NOT_FOUND] if "{" in path else []
        slugs += [Slug.BUSY]
        if method != "get":
            slugs += [Slug.NOT_ALLOWED, Slug.CONFLICT]
    refers = queried & {"after", "at", "branch", "profile"} or ("requestBody" in operation and "/compute/" not in path)
    slugs += [Slug.UNKNOWN_REFERENCE] if refers else []
    if path == "/v1/changes":
        slugs += [Slug.GONE]
    if "idempotency-key" in headers:
        slugs += [Slug.KEY_REUSED]
    if "if-match" in headers:
        slugs += [Slug.STALE, Slug.PRECONDITION_MISSING]
    return [*slugs, Slug.NOT_ACCEPTABLE, Slug.INTERNAL]

"""The only module that turns an exception into an HTTP answer: one catalogue of problems (RFC 9457)."""

import re
from typing import Any

import msgspec
from litestar import Request, Response
from litestar.exceptions import HTTPException, NotFoundException, ValidationException
from litestar.exceptions import MethodNotAllowedException as MethodNotAllowed
from sqlalchemy.exc import OperationalError, SQLAlchemyError

from catchpan.contract.problems import Fault, Problem, Slug
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.rules import errors as rules
from catchpan_service.rules.errors import RuleError
from catchpan_service.store import errors as store
from catchpan_service.store.errors import StoreError
from catchpan_service.strict import UnsupportedMediaType, body_type, closed

MEDIA_TYPE = "application/problem+json"

CATALOGUE: dict[Slug, tuple[int, str]] = {
    Slug.UNREADABLE: (400, "The request cannot be read"),
    Slug.KEY_MISSING: (401, "A key is needed"),
    Slug.KEY_REFUSED: (401, "The key is not valid"),
    Slug.NOT_ALLOWED: (403, "The key's role does not allow this"),
    Slug.NOT_FOUND: (404, "There is no such thing"),
    Slug.METHOD_NOT_ALLOWED: (405, "The method is not allowed here"),
    Slug.NOT_ACCEPTABLE: (406, "The answer cannot be given in that form"),
    Slug.CONFLICT: (409, "The state of things does not allow this"),
    Slug.STALE: (412, "Someone else changed it first"),
    Slug.TOO_LARGE: (413, "The request is too large"),
    Slug.WRONG_MEDIA_TYPE: (415, "The body is not JSON"),
    Slug.NOT_COMPUTABLE: (422, "The input is well formed but cannot be computed"),
    Slug.UNKNOWN_REFERENCE: (422, "The request refers to something that does not exist"),
    Slug.KEY_REUSED: (422, "The idempotency key was used for another request"),
    Slug.PRECONDITION_MISSING: (428, "If-Match is needed"),
    Slug.INTERNAL: (500, "The service made a mistake"),
    Slug.BUSY: (503, "The service is busy"),
    Slug.STORAGE: (503, "The service cannot store or read now"),
}
_BY_STATUS = {400: Slug.UNREADABLE, 401: Slug.KEY_MISSING, 403: Slug.NOT_ALLOWED, 404: Slug.NOT_FOUND,
              405: Slug.METHOD_NOT_ALLOWED, 406: Slug.NOT_ACCEPTABLE, 413: Slug.TOO_LARGE, 415: Slug.WRONG_MEDIA_TYPE,
              503: Slug.BUSY}  # fmt: skip


class Refusal(Exception):
    """A problem that a route finds by itself: a missing key, a missing precondition."""

    def __init__(self, slug: Slug, detail: str, *, errors: list[Fault] | None = None) -> None:
        super().__init__(detail)
        self.slug = slug
        self.errors = errors or []


def problem(slug: Slug, detail: str, *, errors: list[Fault] | None = None, current: Any = None) -> Problem:
    """A problem of the catalogue."""
    status, title = CATALOGUE[slug]
    return Problem(
        type=f"/problems/{slug.value}", title=title, status=status, detail=detail, errors=errors or [], current=current
    )


def computation_problem(error: CalibrationError, document: Any) -> Problem:
    """The problem of a computation that was refused; ``document`` is the JSON value that it was computed from."""
    return problem(Slug.NOT_COMPUTABLE, str(error), errors=[_computation_fault(error, document)])


def _computation_fault(error: CalibrationError, document: Any) -> Fault:
    pointer, given = locate(document, error.where)
    return Fault(pointer=pointer, code=error.code, detail=str(error), given=given, allowed=error.allowed)


def locate(document: Any, where: tuple[str | int, ...]) -> tuple[str, Any]:
    """JSON Pointer and value of a path; an index into a quantity array goes through its ``values``."""
    pointer = ""
    for step in where:
        if isinstance(step, int) and isinstance(document, dict) and "values" in document:
            document, pointer = document["values"], pointer + "/values"
        pointer += f"/{step}"
        try:
            document = document[step]
        except (KeyError, IndexError, TypeError):
            document = None
    return pointer, document


_MISTAKE = "The service made a mistake; the request id finds it in the log"
_AT = re.compile(r" - at `(?P<path>\$[^`]*)`$")
_UNKNOWN = re.compile(r"unknown field `(?P<name>[^`]*)`")
_STEP = re.compile(r"\.(?P<name>\w+)|\[(?P<index>\d+)\]")


def decode_problem(error: msgspec.DecodeError, body: bytes, kind: type[msgspec.Struct]) -> Problem:
    """The problem of a body that cannot be read: where, what was given, what is allowed."""
    text = str(error)
    match = _AT.search(text)
    if not isinstance(error, msgspec.ValidationError):
        return problem(Slug.UNREADABLE, f"The body is not JSON: {text}", errors=[
            Fault(pointer="", code="not_json", detail=text, allowed="a JSON document in UTF-8")])  # fmt: skip
    steps, detail = _steps(match["path"]) if match else (), _AT.sub("", text)
    allowed = _allowed(kind, steps)
    if unknown := _UNKNOWN.search(detail):
        steps = (*steps, unknown["name"])
    pointer, given = locate(msgspec.json.decode(body), steps)
    fault = Fault(pointer=pointer, code=_decode_code(detail), detail=detail, given=_shown(given), allowed=allowed)
    return problem(Slug.UNREADABLE, f"{detail} (at {pointer or 'the top'}; allowed: {allowed})", errors=[fault])


def _steps(path: str) -> tuple[str | int, ...]:
    return tuple(m["name"] or int(m["index"]) for m in _STEP.finditer(path))


def _decode_code(detail: str) -> str:
    for part, code in (("unknown field", "unknown_member"), ("missing required", "member_missing"),
                       ("enum value", "not_in_list"), ("Expected", "wrong_type")):  # fmt: skip
        if part in detail:
            return code
    return "out_of_range"


def _shown(given: Any) -> Any:
    return given if not isinstance(given, dict | list) else None


def _allowed(kind: type[msgspec.Struct], steps: tuple[str | int, ...]) -> str:
    """What the document allows at a path, in words."""
    document = msgspec.json.schema(closed(kind))
    node = _resolved(document, document)
    for step in steps:
        inner = node.get("items", {}) if isinstance(step, int) else node.get("properties", {}).get(step, {})
        node = _resolved(document, inner)
    return _words(node)


def _resolved(document: dict[str, Any], node: dict[str, Any]) -> dict[str, Any]:
    while True:
        if "$ref" in node:
            node = document["$defs"][node["$ref"].rsplit("/", 1)[-1]]
        elif "anyOf" in node:
            node = next(part for part in node["anyOf"] if part.get("type") != "null")
        else:
            return node


def _words(node: dict[str, Any]) -> str:
    if "enum" in node:
        return "one of " + ", ".join(str(value) for value in node["enum"])
    if node.get("type") == "object" and "properties" in node:
        return "members " + ", ".join(node["properties"])
    limits = {"minimum": "at least", "maximum": "at most", "exclusiveMinimum": "above", "minLength": "length at least",
              "maxLength": "length at most", "minItems": "items at least", "maxItems": "items at most",
              "pattern": "matching"}  # fmt: skip
    parts = [f"{words} {node[name]}" for name, words in limits.items() if name in node]
    return ", ".join([str(node.get("type", "")), *parts])


def problem_of(error: Exception, request: Request[Any, Any, Any], body: bytes) -> tuple[Problem, dict[str, str]]:
    """The problem that an exception stands for, and the headers that go with it."""
    match error:
        case CalibrationError():
            return computation_problem(error, msgspec.json.decode(body)), {}
        case StoreError() | RuleError() | SQLAlchemyError():
            return store_problem(error)
        case Refusal():
            return problem(error.slug, str(error), errors=error.errors), {}
        case msgspec.DecodeError():
            return decode_problem(error, body, body_type(request.route_handler)), {}
        case UnsupportedMediaType():
            return problem(Slug.WRONG_MEDIA_TYPE, f"Send application/json, not {error}"), {}
        case ValidationException():
            return _parameter_problem(error), {}
        case MethodNotAllowed():
            return problem(Slug.METHOD_NOT_ALLOWED, f"{request.method} is not allowed here"), dict(error.headers or {})
        case NotFoundException():
            return problem(Slug.NOT_FOUND, f"There is nothing at {request.url.path}"), {}
        case HTTPException():
            return problem(_BY_STATUS.get(error.status_code, Slug.UNREADABLE), error.detail), {}
    return problem(Slug.INTERNAL, _MISTAKE), {}


def store_problem(error: Exception) -> tuple[Problem, dict[str, str]]:
    """The problem of what the store or a rule refused."""
    match error:
        case store.NotFound():
            return _not_found(error), {}
        case store.Stale():
            return problem(Slug.STALE, str(error), current=msgspec.to_builtins(error.current)), {
                "ETag": f'"{error.version}"'
            }
        case store.Conflict():
            fault = Fault(pointer=f"/{error.field}", code="in_use", detail=str(error), given=error.existing)
            return problem(Slug.CONFLICT, str(error), errors=[fault]), {}
        case store.KeyReused():
            return problem(Slug.KEY_REUSED, str(error)), {}
        case store.BadCursor():
            fault = Fault(pointer="/after", code="bad_cursor", detail=str(error), allowed="next of a page of this list")
            return problem(Slug.UNKNOWN_REFERENCE, str(error), errors=[fault]), {}
        case store.Busy():
            return problem(Slug.BUSY, str(error)), {"Retry-After": str(error.retry_after)}
        case rules.NotAllowed():
            return problem(Slug.NOT_ALLOWED, str(error)), {}
        case rules.NotLegal():
            fault = Fault(pointer="", code="not_legal", detail=str(error), given=error.state,
                          allowed=", ".join(error.allowed))  # fmt: skip
            return problem(Slug.CONFLICT, str(error), errors=[fault]), {}
        case OperationalError() | store.Closed():
            return problem(Slug.STORAGE, "The database does not answer or is full; nothing was stored"), {
                "Retry-After": "5"
            }
    return problem(Slug.INTERNAL, _MISTAKE), {}


def _not_found(error: store.NotFound) -> Problem:
    if not error.field:
        return problem(Slug.NOT_FOUND, str(error))
    fault = Fault(pointer=f"/{error.field}", code="no_such", detail=str(error), given=error.subject)
    return problem(Slug.UNKNOWN_REFERENCE, str(error), errors=[fault])


def _parameter_problem(error: ValidationException) -> Problem:
    extra = error.extra if isinstance(error.extra, list) else []
    if any(isinstance(item, dict) and item.get("key") == "data" for item in extra):
        fault = Fault(pointer="", code="body_missing", detail="The body is empty", allowed="a JSON document")
        return problem(Slug.UNREADABLE, "The body is empty; a JSON document is needed", errors=[fault])
    faults = [
        Fault(pointer=f"/{item.get('key', '')}", code="parameter", detail=str(item.get("message", "")))
        for item in extra
        if isinstance(item, dict)
    ]
    detail = "; ".join(f"{fault.pointer[1:]}: {fault.detail}" for fault in faults) or "A parameter cannot be read"
    return problem(Slug.UNREADABLE, detail, errors=faults)


def answer(found: Problem, request_id: str, headers: dict[str, str] | None = None) -> Response[bytes]:
    """The HTTP answer of a problem."""
    told = msgspec.structs.replace(found, request=request_id)
    return Response(msgspec.json.encode(told), status_code=found.status, media_type=MEDIA_TYPE, headers=headers or {})

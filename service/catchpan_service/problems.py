"""The only module that turns an exception into an HTTP answer: one catalogue of problems (RFC 9457)."""

import re
from collections.abc import Callable
from typing import Any, Final, NamedTuple

import msgspec
from litestar import Request, Response
from litestar.enums import ParamType
from litestar.exceptions import HTTPException, NotFoundException, ValidationException
from litestar.exceptions import MethodNotAllowedException as MethodNotAllowed
from sqlalchemy.exc import OperationalError

from catchpan.contract.problems import Fault, Problem, Slug
from catchpan.quantities import System
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.clashes import clash_of
from catchpan_service.envelope import ACCESS
from catchpan_service.faults import computation_fault, decode_fault, locate
from catchpan_service.rules import errors as rules
from catchpan_service.store import errors as store
from catchpan_service.strict import UnsupportedMediaType, body_type

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
    Slug.GONE: (410, "The changes can no longer be told"),
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
    return problem(Slug.NOT_COMPUTABLE, str(error), errors=[computation_fault(error, document)])


class Asked(NamedTuple):
    """What is known of the request that failed."""

    request: Request[Any, Any, Any]
    body: bytes


Answered = tuple[Problem, dict[str, str]]
"""A problem, and the headers that go with it."""


def problem_of(error: Exception, request: Request[Any, Any, Any], body: bytes) -> Answered:
    """The problem that an exception stands for, and the headers that go with it."""
    if not body and isinstance(error, CalibrationError | msgspec.DecodeError):  # of what is stored, then
        return _mistake()
    for kind, told in _TOLD:
        if isinstance(error, kind):
            return told(error, Asked(request, body))
    return _mistake()


def _mistake() -> Answered:
    return problem(Slug.INTERNAL, "The service made a mistake; the request id finds it in the log"), {}


def _refused(error: Refusal, _: Asked) -> Answered:
    headers = {"WWW-Authenticate": "Bearer"} if CATALOGUE[error.slug][0] == 401 else {}
    return problem(error.slug, str(error), errors=error.errors), headers


def _not_computable(error: CalibrationError, asked: Asked) -> Answered:
    return computation_problem(error, msgspec.json.decode(asked.body)), {}


def _unreadable(error: msgspec.DecodeError, asked: Asked) -> Answered:
    fault = decode_fault(error, asked.body, body_type(asked.request.route_handler))
    detail = f"{fault.detail} (at {fault.pointer or 'the top'}; allowed: {fault.allowed})"
    return problem(Slug.UNREADABLE, detail, errors=[fault]), {}


def _wrong_media_type(error: UnsupportedMediaType, _: Asked) -> Answered:
    return problem(Slug.WRONG_MEDIA_TYPE, f"Send application/json, not {error}"), {}


_MISSING = re.compile(r"^Missing required \w+ parameter '(?P<name>[^']+)'")


def _parameters(error: ValidationException, _: Asked) -> Answered:
    extra = [item for item in error.extra if isinstance(item, dict)] if isinstance(error.extra, list) else []
    if any(item.get("key") == "data" for item in extra):
        fault = Fault(pointer="", code="body_missing", detail="The body is empty", allowed="a JSON document")
        return problem(Slug.UNREADABLE, "The body is empty; a JSON document is needed", errors=[fault]), {}
    faults = [_parameter_fault(item) for item in extra]
    if missing := _MISSING.search(error.detail):
        faults.append(Fault(pointer=f"/{missing['name']}", code="parameter_missing", detail="it is missing"))
    detail = "; ".join(f"{fault.pointer[1:]}: {fault.detail}" for fault in faults) or "A parameter cannot be read"
    return problem(Slug.UNREADABLE, detail, errors=faults), {}


def _parameter_fault(item: dict[str, Any]) -> Fault:
    name, detail = str(item.get("key", "")), str(item.get("message", ""))
    if item.get("source") == ParamType.HEADER:
        name = name.replace("_", "-").title()
    allowed = detail.removeprefix("Expected ").partition(", got ")[0]
    return Fault(pointer=f"/{name}", code="parameter", detail=detail, allowed=allowed)


def _no_such_method(error: MethodNotAllowed, asked: Asked) -> Answered:
    detail = f"{asked.request.method} is not allowed here"
    return problem(Slug.METHOD_NOT_ALLOWED, detail), dict(error.headers or {})


def _no_such_path(_: NotFoundException, asked: Asked) -> Answered:
    return problem(Slug.NOT_FOUND, f"There is nothing at {asked.request.url.path}"), {}


def _of_the_framework(error: HTTPException, _: Asked) -> Answered:
    if error.status_code == 500:
        return _mistake()
    return problem(_BY_STATUS.get(error.status_code, Slug.UNREADABLE), error.detail), {}


def _not_found(error: store.NotFound, _: Asked) -> Answered:
    if not error.field:
        return problem(Slug.NOT_FOUND, str(error)), {}
    fault = Fault(pointer=f"/{error.field}", code="no_such", detail=str(error), given=error.subject)
    return problem(Slug.UNKNOWN_REFERENCE, str(error), errors=[fault]), {}


def _stale(error: store.Stale, asked: Asked) -> Answered:
    current = msgspec.to_builtins(error.current)
    found = problem(Slug.STALE, str(error), current=current)
    if error.bodies is not None:
        asking: Any = asked.request.scope.get(ACCESS)
        units: System = "us" if asking is None else asking.units
        told = clash_of(error.bodies.base, error.bodies.theirs, error.bodies.yours, units)
        found = msgspec.structs.replace(found, clash=told)
    return found, {"ETag": f'"{error.version}"'}


def _conflict(error: store.Conflict, _: Asked) -> Answered:
    allowed = f"a {error.field} that is not in use; this one is that of {error.existing}"
    fault = Fault(pointer=f"/{error.field}", code="in_use", detail=str(error), allowed=allowed)
    return problem(Slug.CONFLICT, str(error), errors=[fault]), {}


def _not_legal(error: rules.NotLegal, _: Asked) -> Answered:
    allowed = ", ".join(error.allowed)
    fault = Fault(pointer="", code="not_legal", detail=str(error), given=error.state, allowed=allowed)
    return problem(Slug.CONFLICT, str(error), errors=[fault]), {}


def _bad_wave(error: rules.BadWave, _: Asked) -> Answered:
    pointer = "".join(f"/{part}" for part in error.where)
    fault = Fault(pointer=pointer, code="bad_wave", detail=str(error), given=error.given, allowed=error.allowed)
    return problem(Slug.NOT_COMPUTABLE, str(error), errors=[fault]), {}


def _bad_address(error: rules.BadAddress, _: Asked) -> Answered:
    fault = Fault(pointer="/url", code="bad_address", detail=str(error), given=error.given, allowed=error.allowed)
    return problem(Slug.NOT_COMPUTABLE, str(error), errors=[fault]), {}


def _refused_items(error: store.Refused, asked: Asked) -> Answered:
    """The problem of a bulk change: its kind is that of the first item, its errors are those of all of them."""
    document = msgspec.json.decode(asked.body)
    wrong = [
        (number, item_problem(one, document["items"][number]))
        for number, one in enumerate(error.items)
        if one is not None
    ]
    faults = [
        msgspec.structs.replace(fault, pointer=f"/items/{number}{fault.pointer}")
        for number, found in wrong
        for fault in found.errors
    ]
    return problem(wrong[0][1].slug, str(error), errors=faults), {}


def item_problem(error: Exception, document: Any) -> Problem:
    """The problem of one item of a bulk change; ``document`` is the item as it was sent."""
    for kind, slug, code in _OF_ITEMS:
        if isinstance(error, kind):
            pointer, given = locate(document, tuple(filter(None, getattr(error, "field", "").split("/"))))
            if isinstance(error, store.Stale):
                pointer, given = "/version", document.get("version")
            fault = Fault(
                pointer=pointer, code=code, detail=str(error), given=_scalar(given), allowed=_allowed_in(error)
            )
            return problem(slug, str(error), errors=[fault])
    if isinstance(error, CalibrationError):
        return computation_problem(error, document)
    raise error


def _scalar(given: Any) -> Any:
    return None if isinstance(given, dict | list) else given


def _allowed_in(error: Exception) -> str:
    if isinstance(error, store.Stale):
        return f"version {error.version}, once you have seen it"
    if isinstance(error, store.Conflict):
        return f"a name that is not in use; this one is that of {error.existing}"
    return "what is there, or stands before it in the same call" if isinstance(error, store.NotFound) else ""


_OF_ITEMS: Final[list[tuple[type[Exception], Slug, str]]] = [
    (store.NotFound, Slug.UNKNOWN_REFERENCE, "no_such"),
    (store.Stale, Slug.CONFLICT, "stale"),
    (store.Conflict, Slug.CONFLICT, "in_use"),
    (store.Misformed, Slug.NOT_COMPUTABLE, "misformed"),
]


def _key_reused(error: store.KeyReused, _: Asked) -> Answered:
    return problem(Slug.KEY_REUSED, str(error)), {}


def _bad_cursor(error: store.BadCursor, _: Asked) -> Answered:
    fault = Fault(pointer="/after", code="bad_cursor", detail=str(error), allowed="next of a page of this list")
    return problem(Slug.UNKNOWN_REFERENCE, str(error), errors=[fault]), {}


def _gone(error: store.Gone, _: Asked) -> Answered:
    fault = Fault(pointer="/after", code="gone", detail=str(error), allowed="a newer cursor, or /v1/snapshot")
    return problem(Slug.GONE, str(error), errors=[fault]), {"Link": '</v1/snapshot>; rel="alternate"'}


def _not_allowed(error: rules.NotAllowed, _: Asked) -> Answered:
    return problem(Slug.NOT_ALLOWED, str(error)), {}


def _busy(error: store.Busy, _: Asked) -> Answered:
    return problem(Slug.BUSY, str(error)), {"Retry-After": str(error.retry_after)}


def _uncertain(error: store.Uncertain, _: Asked) -> Answered:
    detail = (
        "The database went away at the last moment: nobody knows whether this was stored. Send it again with the"
        " Idempotency-Key that it had, or look first"
    )
    return problem(Slug.STORAGE, detail), {"Retry-After": str(error.retry_after)}


def _storage(_: Exception, __: Asked) -> Answered:
    return problem(Slug.STORAGE, "The database does not answer or is full; nothing was stored"), {"Retry-After": "5"}


# The first that fits, so that the particular stands before the general.
_TOLD: Final[list[tuple[type[Exception], Callable[[Any, Asked], Answered]]]] = [
    (Refusal, _refused),
    (CalibrationError, _not_computable),
    (msgspec.DecodeError, _unreadable),
    (UnsupportedMediaType, _wrong_media_type),
    (store.NotFound, _not_found),
    (store.Stale, _stale),
    (store.Conflict, _conflict),
    (store.Refused, _refused_items),
    (store.KeyReused, _key_reused),
    (store.BadCursor, _bad_cursor),
    (store.Gone, _gone),
    (store.Busy, _busy),
    (store.Closed, _storage),
    (store.Uncertain, _uncertain),
    (store.Unreachable, _storage),
    (OperationalError, _storage),
    (rules.NotAllowed, _not_allowed),
    (rules.NotLegal, _not_legal),
    (rules.BadWave, _bad_wave),
    (rules.BadAddress, _bad_address),
    (ValidationException, _parameters),
    (MethodNotAllowed, _no_such_method),
    (NotFoundException, _no_such_path),
    (HTTPException, _of_the_framework),
]


def answer(found: Problem, request_id: str, headers: dict[str, str] | None = None) -> Response[bytes]:
    """The HTTP answer of a problem."""
    told = msgspec.structs.replace(found, request=request_id)
    return Response(msgspec.json.encode(told), status_code=found.status, media_type=MEDIA_TYPE, headers=headers or {})

"""What every request says beside its body: who asks, in which units, under which conditions."""

import hashlib
import re
from collections.abc import Collection
from contextlib import suppress
from datetime import datetime
from typing import Annotated, Any

from litestar import Request
from litestar.di import Provide
from litestar.params import Parameter
from sqlalchemy.exc import SQLAlchemyError

from catchpan.contract.problems import Fault, Slug
from catchpan.quantities import System
from catchpan_service.envelope import ORGANISATION
from catchpan_service.keyring import Keyring
from catchpan_service.problems import Refusal
from catchpan_service.store import keys
from catchpan_service.store.database import Access, Database, Order, Reply
from catchpan_service.store.errors import StoreError

Units = Annotated[
    System | None,
    Parameter(query="units", description="Units of the answer; by default those of the organisation, else us."),
]
DryRun = Annotated[bool, Parameter(query="dry_run", description="Say what would happen, and change nothing.")]
IdempotencyKey = Annotated[
    str | None,
    Parameter(
        header="Idempotency-Key",
        min_length=1,
        max_length=200,
        pattern=r"^[\x21-\x7e]+$",
        description="A key of the caller's own for this write: the same request with it again has no second effect.",
    ),
]
IfMatch = Annotated[
    str | None,
    Parameter(
        header="If-Match",
        max_length=200,
        description="The ETag of what is to be changed: refused with 412 if it was changed since, 428 if missing.",
    ),
]
After = Annotated[
    str | None, Parameter(query="after", max_length=200, description="Cursor of a page, from next of the one before.")
]
Limit = Annotated[int, Parameter(query="limit", ge=1, le=200, description="Items on a page.")]

_BEARER = re.compile(r"Bearer +(?P<secret>\S+)", re.IGNORECASE)
_TAG = re.compile(r'(?P<weak>W/)?"(?P<version>\d{1,12})"')


async def database(request: Request[Any, Any, Any]) -> Database:
    """The database of the app."""
    held: Database = request.app.state.database
    return held


async def told_units(request: Request[Any, Any, Any], units: Units = None) -> System:
    """The units to answer in: those asked for, else those of the organisation of the key, if one was sent."""
    asking = await _access(request) if request.app.state.compute_needs_key or _presents(request) else None
    return units or ("us" if asking is None else asking.units)


async def access(request: Request[Any, Any, Any]) -> Access:
    """Who is asking."""
    return await _access(request)


async def order(
    request: Request[Any, Any, Any],
    access: Access,
    dry_run: DryRun = False,
) -> Order:
    """What a write says beside its body; without an idempotency key."""
    body = await request.body()
    digest = hashlib.sha256(body + b"\n" + str(request.url.query).encode()).hexdigest()
    return Order(access, f"{request.method} {request.url.path}", None, digest, dry_run)


async def keyed(order: Order, idempotency_key: IdempotencyKey = None) -> Order:
    """The same with the caller's idempotency key."""
    return Order(order.access, order.operation, idempotency_key, order.request_digest, order.dry_run)


async def expected(if_match: IfMatch = None) -> Collection[int] | None:
    """The versions that If-Match allows, None for any."""
    if if_match is None:
        raise Refusal(Slug.PRECONDITION_MISSING, 'Send If-Match with the ETag that you read, such as If-Match: "3"')
    if if_match.strip() == "*":
        return None
    tags = [_TAG.fullmatch(tag.strip()) for tag in if_match.split(",")]
    if None in tags:
        allowed = 'an ETag such as "3", a list of them, or *'
        fault = Fault(pointer="/If-Match", code="not_an_etag", detail="not an ETag", given=if_match, allowed=allowed)
        raise Refusal(Slug.UNREADABLE, f"If-Match cannot be read: {allowed}", errors=[fault])
    return {int(tag["version"]) for tag in tags if tag is not None and not tag["weak"]}


DEPENDENCIES: dict[str, Any] = {
    "told": Provide(told_units),
    "database": Provide(database),
    "access": Provide(access),
    "order": Provide(order),
    "keyed": Provide(keyed),
    "expected": Provide(expected),
}

SECURED: list[dict[str, list[str]]] = [{"key": []}]
OPTIONALLY_SECURED: list[dict[str, list[str]]] = [{}, {"key": []}]


def _presents(request: Request[Any, Any, Any]) -> bool:
    return "authorization" in request.headers


async def _access(request: Request[Any, Any, Any]) -> Access:
    state = request.app.state
    found = state.local_owner if not _presents(request) else await _of_key(request, state.database, state.keyring)
    if found is None:
        raise Refusal(Slug.KEY_MISSING, "Send a key of the organisation: Authorization: Bearer catchpan-...")
    request.scope[ORGANISATION] = str(found.organisation)  # type: ignore[literal-required]
    return found


async def _of_key(request: Request[Any, Any, Any], database: Database | None, keyring: Keyring) -> Access:
    match = _BEARER.fullmatch(request.headers["authorization"].strip())
    now: datetime = request.app.state.clock()
    presented = keys.hash_of(match["secret"]) if match else ""
    found = None if database is None else await keyring.find(database, presented, now)
    if database is None or found is None:
        raise Refusal(Slug.KEY_REFUSED, "The key is unknown, revoked or expired")
    if keys.use_is_due(found, now):
        keyring.forget(presented)
        with suppress(StoreError, SQLAlchemyError):  # noting the use must never refuse a request
            await database.write(keys.note_use, Order(found, "key used"), reply=lambda _: Reply(204, b""))
    return found

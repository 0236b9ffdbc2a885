"""What every request says beside its body: who asks, in which units, under which conditions."""

import hashlib
import re
from collections.abc import Collection
from contextlib import suppress
from datetime import datetime
from typing import Annotated, Any
from uuid import UUID

import msgspec
from litestar import Request
from litestar.connection import ASGIConnection
from litestar.di import NamedDependency, Provide
from litestar.handlers import BaseRouteHandler
from litestar.params import FromPath, HeaderParameter, QueryParameter
from sqlalchemy.exc import SQLAlchemyError

from catchpan.contract.base import Instant
from catchpan.contract.organisations import Role
from catchpan.contract.problems import Fault, Slug
from catchpan.quantities import System
from catchpan_service.envelope import ACCESS, ORGANISATION
from catchpan_service.keyring import Keyring
from catchpan_service.problems import Refusal
from catchpan_service.store import branches, keys
from catchpan_service.store.database import Access, Database, Order, Reply
from catchpan_service.store.errors import NotFound, StoreError, named_by
from catchpan_service.store.proofs import Proofs

Units = Annotated[
    System | None,
    QueryParameter(name="units", description="Units of the answer; by default those of the organisation, else us."),
]
DryRun = Annotated[bool, QueryParameter(name="dry_run", description="Say what would happen, and change nothing.")]
IdempotencyKey = Annotated[
    str | None,
    HeaderParameter(
        name="Idempotency-Key",
        min_length=1,
        max_length=200,
        pattern=r"^[\x21-\x7e]+$",
        description="A key of the caller's own for this write: the same request with it again has no second effect.",
    ),
]
IfMatch = Annotated[
    str | None,
    HeaderParameter(
        name="If-Match",
        pattern=r'^(\*|(W/)?"[0-9]{1,12}"(, ?(W/)?"[0-9]{1,12}"){0,9})$',
        description="The ETag of what is to be changed: refused with 412 if it was changed since, 428 if missing.",
    ),
]
After = Annotated[
    str | None,
    QueryParameter(name="after", max_length=200, description="Cursor of a page, from next of the one before."),
]
Limit = Annotated[int, QueryParameter(name="limit", ge=1, le=200, description="Items on a page.")]

OfBranch = Annotated[
    UUID | None,
    QueryParameter(name="branch", description="A branch, for its part; a branch's own key gets no other."),
]

Connection = ASGIConnection[Any, Any, Any, Any]

# What handlers ask for by name; see DEPENDENCIES.
Told = NamedDependency[System]
Store = NamedDependency[Database]
Asking = NamedDependency[Access]
Ordered = NamedDependency[Order]
Subject = FromPath[UUID]
Expected = NamedDependency[Collection[int] | None]
Within = NamedDependency[UUID | None]
Proven = NamedDependency[Proofs]

_BEARER = re.compile(r"Bearer +(?P<secret>\S+)", re.IGNORECASE)
_TAG = re.compile(r'(?P<weak>W/)?"(?P<version>\d{1,12})"')


def moment(name: str, given: str) -> datetime:
    """The instant in a parameter, told with its zone: no number of seconds passes for one."""
    try:
        return msgspec.convert(given, Instant)
    except msgspec.ValidationError as error:
        allowed = "an instant with its zone, such as 2026-05-12T09:00:00Z"
        fault = Fault(pointer=f"/{name}", code="not_an_instant", detail="no instant", given=given, allowed=allowed)
        raise Refusal(Slug.UNREADABLE, f"{name} cannot be read: {allowed}", errors=[fault]) from error


async def database(request: Request[Any, Any, Any]) -> Database:
    """The database of the app."""
    held: Database = request.app.state.database
    return held


async def proofs(request: Request[Any, Any, Any]) -> Proofs:
    """What the app remembers of manifests."""
    kept: Proofs = request.app.state.proofs
    return kept


async def told_units(request: Request[Any, Any, Any], units: Units = None) -> System:
    """The units to answer in: those asked for, else those of the organisation of the key, if one was sent."""
    scope: dict[str, Any] = request.scope  # type: ignore[assignment]
    asking: Access | None = scope.get(ACCESS)
    return units or ("us" if asking is None else asking.units)


async def access(request: Request[Any, Any, Any]) -> Access:
    """Who is asking: what the guard of the route found out."""
    found: Access = request.scope[ACCESS]  # type: ignore[literal-required]
    return found


async def order(
    request: Request[Any, Any, Any],
    access: Asking,
    dry_run: DryRun = False,
    idempotency_key: IdempotencyKey = None,
) -> Order:
    """What a write says beside its body."""
    body = await request.body()
    digest = hashlib.sha256(body + b"\n" + str(request.url.query).encode()).hexdigest()
    return Order(access, f"{request.method} {request.url.path}", idempotency_key, digest, dry_run)


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


async def within(database: Store, access: Asking, branch: OfBranch = None) -> UUID | None:
    """The branch that is asked about, None for the whole organisation; no other than its own for a branch's key."""
    if access.within is not None:
        if branch not in {None, access.within}:
            raise NotFound("branch", branch, field="branch")
        return access.within
    if branch is not None:
        with named_by("branch"):
            await database.read(branches.get, access.organisation, branch)
    return branch


DEPENDENCIES: dict[str, Any] = {
    "told": Provide(told_units),
    "database": Provide(database),
    "access": Provide(access),
    "order": Provide(order),
    "expected": Provide(expected),
    "within": Provide(within),
    "proofs": Provide(proofs),
}

SECURED: list[dict[str, list[str]]] = [{"key": []}]
OPTIONALLY_SECURED: list[dict[str, list[str]]] = [{}, {"key": []}]


async def needs_key(connection: Connection, _: BaseRouteHandler) -> None:
    """A guard: find out who asks before anything else of the request is looked at."""
    state = connection.app.state
    presents = "authorization" in connection.headers
    found = await _of_key(connection) if presents else state.local_owner
    if found is None:
        raise Refusal(Slug.KEY_MISSING, "Send a key of the organisation: Authorization: Bearer catchpan-...")
    connection.scope[ACCESS] = found  # type: ignore[literal-required]
    connection.scope[ORGANISATION] = str(found.organisation)  # type: ignore[literal-required]


async def may_have_key(connection: Connection, handler: BaseRouteHandler) -> None:
    """A guard: a key that was sent must be good, and the settings may ask for one."""
    if "authorization" in connection.headers or connection.app.state.compute_needs_key:
        await needs_key(connection, handler)


async def _of_key(connection: Connection) -> Access:
    match = _BEARER.fullmatch(connection.headers["authorization"].strip())
    found = await of_secret(connection, match["secret"] if match else "")
    if found.role == Role.CALENDAR:
        raise Refusal(Slug.KEY_REFUSED, "This key opens the calendar of what is due, and nothing else")
    return found


async def of_secret(connection: Connection, secret: str) -> Access:
    """What the key with this secret may do, and its use noted; a Refusal for one that is not, or no longer, good."""
    state = connection.app.state
    database: Database | None = state.database
    keyring: Keyring = state.keyring
    now: datetime = state.clock()
    presented = keys.hash_of(secret)
    found = None if database is None else await keyring.find(database, presented, now)
    if database is None or found is None:
        raise Refusal(Slug.KEY_REFUSED, "The key is unknown, revoked or expired")
    if keys.use_is_due(found, now):
        keyring.forget(presented)
        with suppress(StoreError, SQLAlchemyError):  # noting the use must never refuse a request
            await database.write(keys.note_use, Order(found, "key used"), reply=lambda _: Reply(204, b""))
    return found

"""``/v1/keys``: who may ask. A secret never travels here: whoever makes a key sends its hash."""

from datetime import timedelta
from typing import Any
from uuid import UUID

import msgspec
from litestar import Response, Router, get, post
from litestar.params import JSONBody

from catchpan.contract.organisations import Key, KeyRequest, KeyRotation, Keys, Role
from catchpan.contract.problems import Fault, Slug
from catchpan_service.problems import Refusal
from catchpan_service.routes.asking import SECURED, Asking, Ordered, Store, Subject, needs_key
from catchpan_service.routes.replies import sent
from catchpan_service.rules.access import Action, branch_fits, require
from catchpan_service.store import keys
from catchpan_service.store.database import Reply
from catchpan_service.store.keys import StoredKey


@get("/", operation_id="listKeys", summary="Every key")
async def page(database: Store, access: Asking) -> Keys:
    """Every key of the organisation, without the secrets, which nobody can read again."""
    require(access.role, Action.MANAGE_KEYS)
    return Keys(items=[_wire(one) for one in await database.read(keys.all_of_them, access.organisation)])


@post("/", operation_id="addKey", summary="Add a key")
async def add(data: JSONBody[KeyRequest], database: Store, order: Ordered) -> Response[Key]:
    """A new key, by the hash of its secret; one with the role branch for one branch alone.

    One with the role calendar opens `/v1/calendar.ics?token=…`, for one branch if it has one, and nothing else.
    """
    require(order.access.role, Action.MANAGE_KEYS)
    if not branch_fits(Role(data.role), given=data.branch is not None):
        allowed = "the id of a branch with the role branch, if wanted with the role calendar, and only there"
        fault = Fault(pointer="/branch", code="branch_and_role", detail="role and branch differ", allowed=allowed)
        raise Refusal(Slug.UNKNOWN_REFERENCE, f"Role and branch do not go together: {allowed}", errors=[fault])
    branch = None if data.branch is None else UUID(data.branch)
    told = (data.hash, data.name, Role(data.role), data.expires, branch)
    return sent(await database.write(keys.add, order, *told, reply=_made))


@post("/{id:uuid}/rotate", operation_id="rotateKey", summary="Replace a key's secret")
async def rotate(data: JSONBody[KeyRotation], database: Store, order: Ordered, id: Subject) -> Response[Key]:
    """A new key in place of another, which goes on working for some hours."""
    require(order.access.role, Action.MANAGE_KEYS)
    overlap = timedelta(hours=data.overlap_hours)
    return sent(await database.write(keys.rotate, order, id, data.hash, overlap, reply=_made))


@post("/{id:uuid}/revoke", operation_id="revokeKey", summary="End a key", status_code=200)
async def revoke(database: Store, order: Ordered, id: Subject) -> Response[Key]:
    """End a key, from the next second on."""
    require(order.access.role, Action.MANAGE_KEYS)
    return sent(await database.write(keys.revoke, order, id, reply=lambda one: _reply(200, one)))


def _made(key: StoredKey) -> Reply:
    return _reply(201, key)


def _reply(status: int, key: StoredKey) -> Reply:
    return Reply(status, msgspec.json.encode(_wire(key)))


def _wire(key: StoredKey) -> Key:
    told: dict[str, Any] = vars(key) | {
        "id": str(key.id),
        "branch": None if key.branch is None else str(key.branch),
    }
    return Key(**told)


router = Router(
    "/v1/keys", route_handlers=[page, add, rotate, revoke], tags=["service"], security=SECURED, guards=[needs_key]
)

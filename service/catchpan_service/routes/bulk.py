"""``/v1/bulk``: many things put in place by one write."""

import asyncio
from collections.abc import Callable, Sequence
from typing import Any, Final

import msgspec
from litestar import Response, Router, post
from litestar.params import JSONBody

from catchpan.contract.bulk import (
    MAX_BYTES,
    BulkAnswer,
    BulkAnswers,
    BulkItem,
    BulkItemAnswer,
    BulkKind,
    BulkRequest,
)
from catchpan_service.problems import item_problem
from catchpan_service.routes.asking import SECURED, Ordered, Store, needs_key
from catchpan_service.routes.replies import encoded, sent
from catchpan_service.rules.access import Action, require
from catchpan_service.si.bulk import unsound
from catchpan_service.store import bulk
from catchpan_service.store.database import Access, Reply
from catchpan_service.strict import StrictRequest

_NEEDS: Final = {
    BulkKind.MATERIAL: Action.SAVE,
    BulkKind.MACHINE_KIND: Action.SAVE,
    BulkKind.BRANCH: Action.ARRANGE,
    BulkKind.MACHINE: Action.ARRANGE,
    BulkKind.COMMISSIONING: Action.REPORT,
}


@post("/", operation_id="putTogether", summary="Put many things in place, all or none", status_code=200)
async def together(
    request: StrictRequest, data: JSONBody[BulkRequest], database: Store, order: Ordered
) -> Response[BulkAnswer]:
    """Materials, machine kinds, branches, machines and commissionings in one write: if one is refused, none is stored.

    What is new is added, what differs is replaced, what is equal stays as it is. A refusal names what is wrong with
    each item; its kind is that of the first.
    """
    _require_all(order.access, data.items)
    refused = await asyncio.to_thread(unsound, data.items, request.app.state.clock())
    return sent(await database.write(bulk.put, order, data.items, refused, True, reply=_all_told))


@post("/items", operation_id="putEach", summary="Put many things in place, each by itself", status_code=200)
async def each(
    request: StrictRequest, data: JSONBody[BulkRequest], database: Store, order: Ordered
) -> Response[BulkAnswers]:
    """The same in one write, answered item by item in their order: one that is refused spoils no other.

    An item that needs another is refused with it.
    """
    _require_all(order.access, data.items)
    refused = await asyncio.to_thread(unsound, data.items, request.app.state.clock())
    return sent(await database.write(bulk.put, order, data.items, refused, False, reply=_each_told(data.items)))


def _require_all(access: Access, items: Sequence[BulkItem]) -> None:
    """Refuse a key that may not do each of the single writes."""
    require(access.role, Action.REPORT)
    for kind, action in _NEEDS.items():
        if any(getattr(item, kind.value) is not None for item in items):
            require(access.role, action)


def _all_told(told: Any) -> Reply:
    return Reply(200, encoded(BulkAnswer(items=told)))


def _each_told(items: Sequence[BulkItem]) -> Callable[[list[bulk.Told]], Reply]:
    def reply(told: list[bulk.Told]) -> Reply:
        answers = [_item(one, item) for one, item in zip(told, items, strict=True)]
        return Reply(200, encoded(BulkAnswers(items=answers)))

    return reply


def _item(told: bulk.Told, item: BulkItem) -> BulkItemAnswer:
    if isinstance(told, Exception):
        return BulkItemAnswer(problem=item_problem(told, msgspec.to_builtins(item)))
    return BulkItemAnswer(result=told)


router = Router(
    "/v1/bulk",
    route_handlers=[together, each],
    tags=["fleet"],
    security=SECURED,
    guards=[needs_key],
    request_max_body_size=MAX_BYTES,
)

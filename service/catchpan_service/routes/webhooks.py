"""``/v1/webhooks``: addresses that hear of changes by themselves. A secret is taken here, and never told again."""

from litestar import Response, Router, get, post
from litestar.params import JSONBody

from catchpan.contract.webhooks import (
    Delivery,
    DeliveryPage,
    Webhook,
    WebhookPage,
    WebhookRequest,
    WebhookRotation,
)
from catchpan_service.routes.asking import SECURED, After, Asking, Limit, Ordered, Store, Subject, needs_key
from catchpan_service.routes.replies import encoded, paged, sent, unversioned
from catchpan_service.rules.access import Action, require
from catchpan_service.rules.addresses import target_of
from catchpan_service.store import deliveries, webhooks
from catchpan_service.store.database import Reply
from catchpan_service.strict import StrictRequest


@get("/", operation_id="listWebhooks", summary="Webhooks, page by page")
async def page(
    request: StrictRequest, database: Store, access: Asking, after: After = None, limit: Limit = 50
) -> Response[WebhookPage]:
    """Webhooks without their secrets, oldest first; those too that were ended."""
    require(access.role, Action.MANAGE_WEBHOOKS)
    return paged(request, await database.read(webhooks.page, access.organisation, after, limit))


@post("/", operation_id="addWebhook", summary="Tell an address of changes")
async def add(
    request: StrictRequest, data: JSONBody[WebhookRequest], database: Store, order: Ordered
) -> Response[Webhook]:
    """From now on each change is sent there, signed as Standard Webhooks asks (`webhook-id`, `webhook-timestamp`,
    `webhook-signature`), at least once, in any order; the body names what changed and not how.
    """
    require(order.access.role, Action.MANAGE_WEBHOOKS)
    target_of(data.url, private=request.app.state.webhooks_private)
    return sent(await database.write(webhooks.add, order, data, reply=_added))


@get("/{id:uuid}", operation_id="showWebhook", summary="One webhook")
async def show(database: Store, access: Asking, id: Subject) -> Webhook:
    """A webhook without its secrets; `disabled` and `why` say whether and why nothing is sent."""
    require(access.role, Action.MANAGE_WEBHOOKS)
    return await database.read(webhooks.get, access.organisation, id)


@post("/{id:uuid}/rotate", operation_id="rotateWebhook", summary="Replace a webhook's secret", status_code=200)
async def rotate(data: JSONBody[WebhookRotation], database: Store, order: Ordered, id: Subject) -> Response[Webhook]:
    """From now on another secret signs; for 24 hours the one before signs too."""
    require(order.access.role, Action.MANAGE_WEBHOOKS)
    return sent(await database.write(webhooks.rotate, order, id, data, reply=unversioned))


@post("/{id:uuid}/try", operation_id="tryWebhook", summary="Send a webhook a message to try it")
async def try_(database: Store, order: Ordered, id: Subject) -> Response[Delivery]:
    """A message of the type `webhook.tried`, which goes the way of every other."""
    require(order.access.role, Action.MANAGE_WEBHOOKS)
    return sent(await database.write(deliveries.add_trial, order, id, reply=_made))


@post("/{id:uuid}/resume", operation_id="resumeWebhook", summary="Send to a webhook again", status_code=200)
async def resume(database: Store, order: Ordered, id: Subject) -> Response[Webhook]:
    """Tell a disabled webhook of changes again; what changed meanwhile is in the feed."""
    require(order.access.role, Action.MANAGE_WEBHOOKS)
    return sent(await database.write(webhooks.resume, order, id, reply=unversioned))


@post("/{id:uuid}/end", operation_id="endWebhook", summary="Send nothing more to a webhook", status_code=200)
async def end(database: Store, order: Ordered, id: Subject) -> Response[Webhook]:
    """What waits is given up, and the secrets are forgotten; its messages can be looked up as long as they are kept."""
    require(order.access.role, Action.MANAGE_WEBHOOKS)
    return sent(await database.write(webhooks.end, order, id, reply=unversioned))


@get("/{id:uuid}/deliveries", operation_id="listDeliveries", summary="What was sent to a webhook, page by page")
async def sent_to(
    request: StrictRequest, database: Store, access: Asking, id: Subject, after: After = None, limit: Limit = 50
) -> Response[DeliveryPage]:
    """Messages of the last 30 days, newest first: attempts, the last answer, and when the next attempt is."""
    require(access.role, Action.MANAGE_WEBHOOKS)
    return paged(request, await database.read(deliveries.page, access.organisation, id, after, limit))


def _added(made: Webhook) -> Reply:
    return Reply(201, encoded(made), location=f"/v1/webhooks/{made.id}")


def _made(delivery: Delivery) -> Reply:
    return Reply(201, encoded(delivery))


router = Router(
    "/v1/webhooks",
    route_handlers=[page, add, show, rotate, try_, resume, end, sent_to],
    tags=["service"],
    security=SECURED,
    guards=[needs_key],
)

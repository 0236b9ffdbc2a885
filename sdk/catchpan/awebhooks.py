"""Webhooks of the asynchronous client. The synchronous twin, hooks.py, is generated from it."""

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Sequence
from typing import TypeVar

from catchpan import calls
from catchpan.calls import Call
from catchpan.contract.webhooks import (
    Delivery,
    DeliveryPage,
    EventKind,
    Webhook,
    WebhookPage,
    WebhookRequest,
    WebhookRotation,
)

T = TypeVar("T")


class AsyncWebhooks(ABC):
    """Addresses that the service tells of changes by itself; ``catchpan.webhooks`` checks what arrives there."""

    @abstractmethod
    async def run(self, call: Call[T], *, idempotency_key: str | None = None) -> T:
        """Send a call and read its answer."""

    async def add_webhook(
        self,
        url: str,
        secret: str,
        *,
        events: Sequence[EventKind] = (),
        dry_run: bool = False,
        idempotency_key: str | None = None,
    ) -> Webhook:
        """Tell an address of changes from now on, signed with a secret from ``catchpan.webhooks.new_secret``."""
        request = WebhookRequest(url=url, secret=secret, events=list(events))
        return await self.run(calls.add_webhook(request, dry_run), idempotency_key=idempotency_key)

    async def webhooks(self, *, after: str | None = None, limit: int | None = None) -> WebhookPage:
        """One page of webhooks."""
        return await self.run(calls.webhooks(after, limit))

    async def all_webhooks(self) -> AsyncIterator[Webhook]:
        """Every webhook, page by page, those too that were ended."""
        page = await self.webhooks()
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.webhooks(after=page.next)

    async def webhook(self, id: str) -> Webhook:
        """One webhook."""
        return await self.run(calls.webhook(id))

    async def rotate_webhook(
        self, id: str, secret: str, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> Webhook:
        """Give a webhook another secret; for a day the old one signs too."""
        call = calls.rotate_webhook(id, WebhookRotation(secret=secret), dry_run)
        return await self.run(call, idempotency_key=idempotency_key)

    async def try_webhook(self, id: str, *, dry_run: bool = False, idempotency_key: str | None = None) -> Delivery:
        """Send a webhook a message of the type ``webhook.tried``."""
        return await self.run(calls.try_webhook(id, dry_run), idempotency_key=idempotency_key)

    async def resume_webhook(self, id: str, *, dry_run: bool = False, idempotency_key: str | None = None) -> Webhook:
        """Send again to a webhook that was disabled; what changed meanwhile is in the feed."""
        return await self.run(calls.resume_webhook(id, dry_run), idempotency_key=idempotency_key)

    async def end_webhook(self, id: str, *, dry_run: bool = False, idempotency_key: str | None = None) -> Webhook:
        """Send nothing more to a webhook, and forget its secrets."""
        return await self.run(calls.end_webhook(id, dry_run), idempotency_key=idempotency_key)

    async def deliveries(self, id: str, *, after: str | None = None, limit: int | None = None) -> DeliveryPage:
        """One page of the messages of a webhook, newest first."""
        return await self.run(calls.deliveries(id, after, limit))

    async def all_deliveries(self, id: str) -> AsyncIterator[Delivery]:
        """Every message of a webhook of the last 30 days, page by page."""
        page = await self.deliveries(id)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.deliveries(id, after=page.next)

"""Webhooks of the client, generated from awebhooks.py by sdk/generate_client.py: change that one."""

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
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


class WebhookCalls(ABC):
    """Addresses that the service tells of changes by itself; ``catchpan.webhooks`` checks what arrives there."""

    @abstractmethod
    def run(self, call: Call[T], *, idempotency_key: str | None = None) -> T:
        """Send a call and read its answer."""

    def add_webhook(
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
        return self.run(calls.add_webhook(request, dry_run), idempotency_key=idempotency_key)

    def webhooks(self, *, after: str | None = None, limit: int | None = None) -> WebhookPage:
        """One page of webhooks."""
        return self.run(calls.webhooks(after, limit))

    def all_webhooks(self) -> Iterator[Webhook]:
        """Every webhook, page by page, those too that were ended."""
        page = self.webhooks()
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.webhooks(after=page.next)

    def webhook(self, id: str) -> Webhook:
        """One webhook."""
        return self.run(calls.webhook(id))

    def rotate_webhook(
        self, id: str, secret: str, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> Webhook:
        """Give a webhook another secret; for a day the old one signs too."""
        call = calls.rotate_webhook(id, WebhookRotation(secret=secret), dry_run)
        return self.run(call, idempotency_key=idempotency_key)

    def try_webhook(self, id: str, *, dry_run: bool = False, idempotency_key: str | None = None) -> Delivery:
        """Send a webhook a message of the type ``webhook.tried``."""
        return self.run(calls.try_webhook(id, dry_run), idempotency_key=idempotency_key)

    def resume_webhook(self, id: str, *, dry_run: bool = False, idempotency_key: str | None = None) -> Webhook:
        """Send again to a webhook that was disabled; what changed meanwhile is in the feed."""
        return self.run(calls.resume_webhook(id, dry_run), idempotency_key=idempotency_key)

    def end_webhook(self, id: str, *, dry_run: bool = False, idempotency_key: str | None = None) -> Webhook:
        """Send nothing more to a webhook, and forget its secrets."""
        return self.run(calls.end_webhook(id, dry_run), idempotency_key=idempotency_key)

    def deliveries(self, id: str, *, after: str | None = None, limit: int | None = None) -> DeliveryPage:
        """One page of the messages of a webhook, newest first."""
        return self.run(calls.deliveries(id, after, limit))

    def all_deliveries(self, id: str) -> Iterator[Delivery]:
        """Every message of a webhook of the last 30 days, page by page."""
        page = self.deliveries(id)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.deliveries(id, after=page.next)

"""Webhooks: what the service sends by itself when something changes, by the Standard Webhooks specification."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Digest, Id, Instant, ShortNote, Wire

EventKind = Literal[
    "material",
    "machine_kind",
    "profile",
    "revision",
    "branch",
    "machine",
    "commissioning",
    "check",
    "correction",
    "holding",
    "rollout",
    "key",
    "signing_key",
    "organisation",
]
WebhookUrl = Annotated[
    str,
    Meta(min_length=1, max_length=2000, pattern=r"^[\x21-\x7e]+$", description="Where messages are sent, by https."),
]
WebhookSecret = Annotated[
    str,
    Meta(
        pattern="^whsec_(?:[A-Za-z0-9+/]{4}){8,21}(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?$",
        description="whsec_ and 24 to 64 random bytes in base64. Never shown again.",
    ),
]
Events = Annotated[
    list[EventKind], Meta(max_length=20, description="Kinds of things whose changes are told; all of them if empty.")
]
MessageId = Annotated[str, Meta(pattern="^msg_[0-9a-f-]{36}$", description="The same in every attempt.")]


class WebhookRequest(Wire, kw_only=True, frozen=True):
    """An address that hears of changes. Whoever asks makes the secret, which signs every message."""

    url: WebhookUrl
    secret: WebhookSecret
    events: Events = []


class WebhookRotation(Wire, kw_only=True, frozen=True):
    """A secret in place of another; for a day both sign."""

    secret: WebhookSecret


class Webhook(Wire, kw_only=True, frozen=True):
    """A webhook without its secrets.

    ``disabled`` says since when nothing is sent, and ``why``; ``both_until``, how long the secret before signs too.
    """

    id: Id
    url: str
    events: list[str]
    created: Instant
    both_until: Instant | None
    disabled: Instant | None
    why: ShortNote | None
    ended: Instant | None


class WebhookPage(Wire, kw_only=True, frozen=True):
    """One page of webhooks; ``next`` is the cursor of the following page."""

    items: list[Webhook]
    next: str | None


class Delivery(Wire, kw_only=True, frozen=True):
    """One message to one webhook: how often it was sent, what came of it, and when it is sent again.

    ``status`` is that of the last answer, null where there was none; ``answer`` says in words what came of it.
    """

    id: MessageId
    type: str
    made: Instant
    attempts: Annotated[int, Meta(ge=0)]
    next_attempt: Instant | None
    status: int | None
    answer: str | None
    delivered: Instant | None
    given_up: Instant | None


class DeliveryPage(Wire, kw_only=True, frozen=True):
    """One page of messages, newest first; ``next`` is the cursor of the following page."""

    items: list[Delivery]
    next: str | None


class EventData(Wire, kw_only=True, frozen=True):
    """What changed: ask the service for the rest. ``position`` is that of the change in the feed."""

    kind: str
    id: str
    action: str
    digest: Digest | None
    position: int


class Event(Wire, kw_only=True, frozen=True):
    """The body of a message; ``type`` is kind and action, such as ``revision.released``."""

    type: str
    timestamp: Instant
    data: EventData

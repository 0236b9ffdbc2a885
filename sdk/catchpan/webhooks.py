"""Secrets and signatures of webhooks (Standard Webhooks): for who receives messages, and for the service that sends."""

import hmac
import secrets as random_source
from base64 import b64decode, b64encode
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Final

import msgspec

from catchpan.contract.webhooks import Event
from catchpan.errors import SignatureError

PREFIX: Final = "whsec_"
SECRET_BYTES: Final = 32
ID: Final = "webhook-id"
TIMESTAMP: Final = "webhook-timestamp"
SIGNATURE: Final = "webhook-signature"
TOLERANCE: Final = timedelta(minutes=5)


def new_secret() -> str:
    """A new secret of 256 random bits."""
    return PREFIX + b64encode(random_source.token_bytes(SECRET_BYTES)).decode()


def signature(secret: str, message: str, timestamp: int, body: bytes) -> str:
    """One signature of a message, ``v1,`` and base64; ValueError for a secret that is none.

    Parameters
    ----------
    secret : str
        ``whsec_`` and base64.
    message : str
        Id of the message.
    timestamp : int
        When it is sent, in seconds since 1970 [s].
    body : bytes
    """
    key = b64decode(secret.removeprefix(PREFIX), validate=True)
    made = hmac.digest(key, f"{message}.{timestamp}.".encode() + body, "sha256")
    return f"v1,{b64encode(made).decode()}"


def verify(
    body: bytes,
    headers: Mapping[str, str],
    secrets: str | Sequence[str],
    *,
    now: datetime | None = None,
    tolerance: timedelta = TOLERANCE,
) -> Event:
    """The event of a message that was signed with one of the secrets just now.

    A message may come twice, and late: ``webhook-id`` is the same then.

    Parameters
    ----------
    body : bytes
        As it was received: read it before anything decodes it.
    headers : mapping
        Its headers, in any case.
    secrets : str or sequence of str
        The secret of the webhook; while it is replaced, the old one and the new.
    now : datetime, optional
        The instant of arrival, with its zone.
    tolerance : timedelta
        How far the time of sending may lie from it, either way.

    Raises
    ------
    SignatureError
        A header is missing, the time is out of tolerance, no signature is right, or the body is no event.
    """
    told = {name.lower(): value for name, value in headers.items()}
    message, timestamp, signatures = (_header(told, name) for name in (ID, TIMESTAMP, SIGNATURE))
    sent = _seconds(timestamp)
    if abs((now or datetime.now(UTC)).timestamp() - sent) > tolerance.total_seconds():
        raise SignatureError(f"{TIMESTAMP} {timestamp} is more than {tolerance} from now")
    given = [secrets] if isinstance(secrets, str) else secrets
    if not _signed(signatures, [signature(one, message, sent, body) for one in given]):
        raise SignatureError(f"{SIGNATURE} holds no signature by this secret")
    try:
        return msgspec.json.decode(body, type=Event)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise SignatureError(f"the message is signed, and no event: {error}") from error


def _header(told: Mapping[str, str], name: str) -> str:
    if not told.get(name):
        raise SignatureError(f"the header {name} is missing")
    return told[name]


def _seconds(timestamp: str) -> int:
    if not (timestamp.isascii() and timestamp.isdigit() and len(timestamp) <= 12):
        raise SignatureError(f"{TIMESTAMP} {timestamp[:40]!r} is no number of seconds")
    return int(timestamp)


def _signed(signatures: str, right: Sequence[str]) -> bool:
    """Whether one is right; compared in a time that tells nothing of how much of it is."""
    digests = [sha256(one.encode(errors="surrogatepass")).digest() for one in signatures.split(" ")[:20]]
    return any(hmac.compare_digest(one, sha256(own.encode()).digest()) for one in digests for own in right)

"""Canonical JSON (RFC 8785) and the SHA-256 digests over it, the same on both sides."""

import hashlib
from typing import Any

import msgspec
import rfc8785

from catchpan.errors import NotCanonicalError


def canonical(document: Any) -> bytes:
    """The RFC 8785 bytes of a document: a msgspec struct, or plain JSON values."""
    try:
        return rfc8785.dumps(msgspec.to_builtins(document))
    except (rfc8785.CanonicalizationError, UnicodeEncodeError) as error:
        raise NotCanonicalError(f"the document has no canonical form: {error}") from error


def digest(content: bytes) -> str:
    """``sha256:<hex>`` of canonical bytes."""
    return "sha256:" + hashlib.sha256(content).hexdigest()

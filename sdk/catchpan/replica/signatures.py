"""Ed25519 signatures (RFC 8032)."""

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey


def verifies(key: str, signature: str, message: bytes) -> bool:
    """Whether a signature (hex) over a message was made with a public key (hex)."""
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(key)).verify(bytes.fromhex(signature), message)
    except (InvalidSignature, ValueError):
        return False
    return True

"""Keys that sign heads: Ed25519 seeds of an organisation, each vouched for by the one before it.

Every process signs with the same seed, and Ed25519 has no randomness of its own, so all make the same bytes. Who can
read the database can sign: keep its copies as safe as the database.
"""

import hashlib
import hmac
from datetime import datetime
from typing import Final, NamedTuple
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from sqlalchemy import Connection, insert, select

from catchpan.contract.sync import SigningKey, SigningKeys
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import signers
from catchpan_service.store.writes import Change, Stamp, Written

KIND: Final = "signing_key"
SEED_BYTES: Final = 32

_ALL: Final = select(signers).where(*owned(signers)).order_by(signers.c.number)
_ADD: Final = insert(signers)


class Signer(NamedTuple):
    """The key that signs now."""

    seed: bytes
    key: str

    def sign(self, message: bytes) -> str:
        """The signature (hex)."""
        return Ed25519PrivateKey.from_private_bytes(self.seed).sign(message).hex()


def public_key(seed: bytes) -> str:
    """The public key of a seed (hex)."""
    key = Ed25519PrivateKey.from_private_bytes(seed).public_key()
    return key.public_bytes(Encoding.Raw, PublicFormat.Raw).hex()


def current(connection: Connection, organisation: UUID) -> Signer:
    """The key that signs now."""
    last = connection.execute(_ALL, of(organisation)).all()[-1]
    return Signer(last.seed, last.key)


def cursor_secret(connection: Connection, organisation: UUID) -> bytes:
    """What seals the organisation's cursors: it comes from the first key, so that no rotation makes them invalid."""
    first = connection.execute(_ALL, of(organisation)).all()[0]
    return hmac.digest(first.seed, b"catchpan cursors", hashlib.sha256)


def all_of_them(connection: Connection, organisation: UUID) -> SigningKeys:
    """All public keys, oldest first."""
    rows = connection.execute(_ALL, of(organisation)).all()
    return SigningKeys(
        items=[SigningKey(key=row.key, created=row.created, introduction=row.introduction) for row in rows]
    )


def start(connection: Connection, organisation: UUID, seed: bytes, now: datetime) -> None:
    """The first key of a new organisation."""
    row = {"organisation": organisation, "number": 1, "seed": seed, "key": public_key(seed)}
    connection.execute(_ADD, row | {"introduction": None, "created": now})


def rotate(connection: Connection, organisation: UUID, stamp: Stamp, seed: bytes) -> Written[SigningKey]:
    """A new key in place of the one that signs now, which vouches for it."""
    rows = connection.execute(_ALL, of(organisation)).all()
    key = public_key(seed)
    introduction = Signer(rows[-1].seed, rows[-1].key).sign(bytes.fromhex(key))
    row = {"organisation": organisation, "number": rows[-1].number + 1, "seed": seed, "key": key}
    connection.execute(_ADD, row | {"introduction": introduction, "created": stamp.now})
    made = SigningKey(key=key, created=stamp.now, introduction=introduction)
    return Written(made, (Change(KIND, key, "added"),))

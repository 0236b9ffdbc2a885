"""What the administrator does on the database itself: organisations, and their keys."""

import secrets
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from catchpan.contract.organisations import Role
from catchpan.contract.sync import SigningKey
from catchpan.quantities import System
from catchpan_service.store import audit, branches, feed, keys, organisations, signers
from catchpan_service.store.audit import Break
from catchpan_service.store.database import Access, Database, Order
from catchpan_service.store.errors import Conflict
from catchpan_service.store.keys import StoredKey
from catchpan_service.store.organisations import StoredOrganisation
from catchpan_service.store.scopes import ADMINISTRATOR
from catchpan_service.store.writes import local_owner


@dataclass(frozen=True)
class NewKey:
    """A key and its secret, which is told here once and kept nowhere."""

    key: StoredKey
    secret: str

    def __repr__(self) -> str:
        return f"NewKey(key={self.key!r}, secret=…)"


def add_organisation(database: Database, name: str, *, units: System, new_id: Callable[[], UUID]) -> StoredOrganisation:
    """Make an organisation; Conflict if its name is in use."""
    access = local_owner(new_id(), name, units)
    seed = secrets.token_bytes(signers.SEED_BYTES)
    order = Order(access, "organisation add")
    return database.write_now(organisations.add, order, seed, administrator=True)


def list_organisations(database: Database) -> list[StoredOrganisation]:
    """Every organisation, by name."""
    return database.read_now_as(ADMINISTRATOR, organisations.all_of_them)


def administrator(database: Database, organisation: str) -> Access:
    """The access of somebody who works on the database itself, as owner of the organisation; NotFound."""
    found = database.read_now_as(ADMINISTRATOR, organisations.named, organisation)
    return local_owner(found.id, found.name, found.units)


def local_owner_of(database: Database, organisation: str, *, new_id: Callable[[], UUID]) -> Access:
    """The owner's access to the organisation of that name; it is made if the database holds none at all."""
    if not list_organisations(database):
        with suppress(Conflict):  # another process on the same database was first
            add_organisation(database, organisation, units="us", new_id=new_id)
    return administrator(database, organisation)


def create_key(
    database: Database,
    organisation: str,
    name: str,
    *,
    role: Role | str,
    expires: datetime | None = None,
    branch: UUID | None = None,
    random: Callable[[int], bytes] = secrets.token_bytes,
) -> NewKey:
    """Make a key for an organisation, by its name; NotFound, or ValueError for a role that there is not."""
    if role not in set(Role):
        raise ValueError(f"there is no role {role}; the roles are {', '.join(Role)}")
    secret = keys.secret_of(random(keys.SECRET_BYTES))
    order = Order(administrator(database, organisation), "key create")
    made = database.write_now(keys.add, order, keys.hash_of(secret), name, Role(role), expires, branch)
    return NewKey(made, secret)


def branch_named(database: Database, organisation: str, name: str) -> UUID:
    """The id of a branch of an organisation, by their names; NotFound."""
    return database.read_now(branches.named, administrator(database, organisation).organisation, name)


def list_keys(database: Database, organisation: str) -> list[StoredKey]:
    """Every key of an organisation, by its name; NotFound."""
    return database.read_now(keys.all_of_them, administrator(database, organisation).organisation)


def revoke_key(database: Database, organisation: str, key: UUID) -> StoredKey:
    """End a key of an organisation, from the next second on; NotFound."""
    order = Order(administrator(database, organisation), "key revoke")
    return database.write_now(keys.revoke, order, key)


def mark_restored(database: Database) -> list[StoredOrganisation]:
    """Raise the epoch of every organisation: this database was restored from a copy, and readers saw more."""
    found = list_organisations(database)
    for one in found:
        access = local_owner(one.id, one.name, one.units)
        database.write_now(feed.raise_epoch, Order(access, "database restored"))
    return found


def put_away(database: Database, *, before: datetime) -> list[tuple[StoredOrganisation, int]]:
    """Forget what the feed of each organisation told before an instant, and say up to which position.

    Who has not read it takes a snapshot. Holdings, contents and the audit chain stay.
    """
    found = []
    for one in list_organisations(database):
        through = database.read_now(audit.position_at, one.id, before)
        order = Order(local_owner(one.id, one.name, one.units), "database put-away")
        found.append((one, database.write_now(feed.put_away, order, through).floor))
    return found


def verify_audit(database: Database) -> list[tuple[StoredOrganisation, list[Break]]]:
    """Where the audit chain of each organisation does not hold."""
    return [(one, database.read_now(audit.verify, one.id)) for one in list_organisations(database)]


def rotate_signing_key(database: Database, organisation: str) -> SigningKey:
    """Make another key that signs heads, introduced by the one before; NotFound."""
    order = Order(administrator(database, organisation), "signing key rotate")
    return database.write_now(signers.rotate, order, secrets.token_bytes(signers.SEED_BYTES))

"""An invented company, and short ways to act in it. All names are invented."""

import itertools
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import msgspec
from uuid_utils.compat import uuid7

from catchpan.contract.branches import BranchRequest
from catchpan.contract.findings import Finding, FindingCode, Severity
from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.organisations import Role
from catchpan.contract.profiles import Content, ProfileRequest
from catchpan.digest import canonical, digest
from catchpan_service import admin
from catchpan_service.store import branches, keys, machine_kinds, materials, profiles
from catchpan_service.store.database import Access, Database, Order, Reply
from catchpan_service.store.revisions import Draft

STOP = Finding(code=FindingCode.ABOVE_LABEL, severity=Severity.STOP, where="", what="seen", advice="do")
_names = itertools.count(1)


class Clock:
    """A clock that a test moves; each look at it takes a millisecond."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(milliseconds=1)
        return self.now

    def wait(self, **time: int) -> None:
        self.now += timedelta(**time)


def open_database(path: Path, clock: Callable[[], datetime] | None = None, **options: Any) -> Database:
    return Database.open(path, clock=clock or Clock(), new_id=uuid7, **options)


def found(database: Database, name: str) -> Access:
    """A new company, and what its owner's key may do."""
    admin.add_organisation(database, name, units="us", new_id=uuid7)
    return key(database, name, Role.OWNER)


def key(database: Database, name: str, role: Role) -> Access:
    at = branch(database, admin.administrator(database, name)) if role == Role.BRANCH else None
    secret = admin.create_key(database, name, f"{role.value} key", role=role, branch=at).secret
    access = database.read_now(keys.find, keys.hash_of(secret), datetime(2026, 3, 2, tzinfo=UTC))
    assert access is not None
    return access


def do(database: Database, access: Access, function: Any, *args: Any) -> Any:
    """The answer of a write function, after its commit."""
    return database.write_now(function, Order(access, "test"), *args)


def reply(answer: object) -> Reply:
    return Reply(201, msgspec.json.encode(answer))


def branch(database: Database, access: Access) -> UUID:
    return UUID(do(database, access, branches.add, BranchRequest(name=f"Branch {next(_names)}")).id)


def material(database: Database, access: Access) -> UUID:
    return UUID(do(database, access, materials.add, MaterialRequest(name=f"Material {next(_names)}")).id)


def machine_kind(database: Database, access: Access) -> UUID:
    return UUID(do(database, access, machine_kinds.add, MachineKindRequest(name=f"Kind {next(_names)}")).id)


def profile_request(database: Database, access: Access) -> ProfileRequest:
    return ProfileRequest(
        material=str(material(database, access)), machine_kind=str(machine_kind(database, access)), name="Spring"
    )


def profile(database: Database, access: Access) -> UUID:
    return UUID(do(database, access, profiles.add, profile_request(database, access)).id)


def draft(note: str = "", *, findings: tuple[Finding, ...] = (), parent: int | None = None) -> Draft:
    content = canonical(Content(format=1, note=note))
    return Draft(content, digest(content), findings, parent, "")


def dump(path: Path) -> str:
    """Everything in a database file, as statements."""
    with closing(sqlite3.connect(path)) as connection:
        return "\n".join(connection.iterdump())

"""``catchpan organisation`` and ``catchpan key``: made on the database itself, never over the network."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, Literal
from uuid import UUID

from cyclopts import App, Parameter

from catchpan.cli.connection import service_module
from catchpan.cli.printing import put, put_json, put_table, say
from catchpan.errors import CatchpanError, HeldError, MissingError, TableError, TakenError, UnreachableError
from catchpan.quantities import System

organisation = App(name="organisation", help="Organisations of a database.", help_format="plaintext")
key = App(name="key", help="Keys of an organisation.", help_format="plaintext")
Json = Annotated[bool, Parameter(negative="")]
RoleName = Literal["owner", "calibrator", "branch", "reader", "calendar"]


@organisation.command
def add(name: str, /, *, units: System = "us", json: Json = False) -> None:
    """Make an organisation on the database itself.

    Example: catchpan organisation add "Alder Hollow Grounds" --units us

    Parameters
    ----------
    name
        Its name.
    units
        Units that its answers are told in: us or si.
    json
        Print the answer as JSON.
    """
    with administration() as (database, admin):
        made = admin.add_organisation(database, name, units=units, new_id=service_module("app").uuid7)
    if json:
        put_json(made)
    else:
        put(f"{made.name}   {made.id}   units {made.units}")


@organisation.command(name="list")
def list_(*, json: Json = False) -> None:
    """List the organisations of the database.

    Example: catchpan organisation list

    Parameters
    ----------
    json
        Print the answer as JSON.
    """
    with administration() as (database, admin):
        found = admin.list_organisations(database)
    if json:
        put_json(found)
    else:
        put_table(["organisation", "units", "made"], [[o.name, o.units, f"{o.created:%Y-%m-%d}"] for o in found])


@key.command
def create(
    name: str,
    /,
    *,
    organisation: str,
    role: RoleName = "calibrator",
    branch: str | None = None,
    days: int | None = None,
    file: Path | None = None,
    json: Json = False,
) -> None:
    """Make a key; its secret is shown once, on standard error, or written to a file that only you can read.

    Example: catchpan key create "shed laptop" --organisation "Alder Hollow Grounds" --role reader --file shed.key

    Parameters
    ----------
    name
        Who or what will use it.
    organisation
        Name of the organisation.
    role
        owner, calibrator, branch, reader or calendar.
    branch
        Name of the branch, for a key with the role branch or calendar.
    days
        For how many days it is valid; without end by default.
    file
        Where to write the secret, with mode 0600.
    json
        Print the key, without its secret, as JSON.
    """
    expires = None if days is None else datetime.now(UTC) + timedelta(days=days)
    if role != "calendar" and (role == "branch") != (branch is not None):
        raise TableError(
            "a key with the role branch needs --branch with the branch's name; only the role calendar may have one too"
        )
    with administration() as (database, admin):
        at = None if branch is None else admin.branch_named(database, organisation, branch)
        made = admin.create_key(database, organisation, name, role=role, expires=expires, branch=at)
    hand_over(made.secret, file)
    _print([made.key], json)


@key.command(name="list")
def list_keys(*, organisation: str, json: Json = False) -> None:
    """List the keys of an organisation; secrets are kept nowhere.

    Example: catchpan key list --organisation "Alder Hollow Grounds"

    Parameters
    ----------
    organisation
        Name of the organisation.
    json
        Print the answer as JSON.
    """
    with administration() as (database, admin):
        _print(admin.list_keys(database, organisation), json)


@key.command
def revoke(id: str, /, *, organisation: str, json: Json = False) -> None:
    """End a key: it is refused within a second.

    Example: catchpan key revoke 01900000-0000-7000-8000-000000000001 --organisation "Alder Hollow Grounds"

    Parameters
    ----------
    id
        Id of the key, as key list shows it.
    organisation
        Name of the organisation.
    json
        Print the answer as JSON.
    """
    try:
        subject = UUID(id)
    except ValueError as error:
        raise TableError(f"{id!r} is no id of a key; see catchpan key list") from error
    with administration() as (database, admin):
        _print([admin.revoke_key(database, organisation, subject)], json)


def hand_over(secret: str, file: Path | None, *, what: str = "key") -> None:
    """Give a new secret to the person, once: to a file that only they can read, or to standard error."""
    if file is None:
        say(f"The {what}, shown only now: {secret}")
        return
    try:
        descriptor = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as error:
        say(f"{file}: {error.strerror}")
        say(f"The {what}, shown only now: {secret}")
        return
    with os.fdopen(descriptor, "w") as opened:
        opened.write(secret + "\n")
    say(f"The {what} is in {file} (mode 0600)")


def _print(found: list[Any], json: bool) -> None:
    if json:
        put_json(found)
        return
    rows = [
        [one.name, one.role.value, _day(one.created), _day(one.expires), _day(one.revoked), str(one.id)]
        for one in found
    ]
    put_table(["key", "role", "made", "valid until", "revoked", "id"], rows)


def _day(instant: datetime | None) -> str:
    return "-" if instant is None else f"{instant:%Y-%m-%d %H:%M}"


@contextmanager
def administration() -> Iterator[tuple[Any, Any]]:
    """The database of the settings, and what the administrator does on it."""
    errors, local = service_module("store.errors"), service_module("local")
    try:
        with local.open_database(os.environ) as database:
            yield database, service_module("admin")
    except local.SettingError as error:
        raise TableError(str(error)) from error
    except errors.Held as error:
        raise HeldError(f"{error} Stop it first.") from error
    except errors.Unreachable as error:
        raise UnreachableError(str(error)) from error
    except errors.NotFound as error:
        raise MissingError(str(error)) from error
    except errors.Conflict as error:
        raise TakenError(str(error)) from error
    except errors.StoreError as error:
        raise CatchpanError(str(error)) from error

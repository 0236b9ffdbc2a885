"""``catchpan serve``: run the service on this machine."""

import os
from pathlib import Path

from catchpan.cli.connection import service_module
from catchpan.cli.organisation import hand_over
from catchpan.cli.printing import say
from catchpan.errors import CatchpanError, HeldError, TableError, UnreachableError


def serve(
    *,
    host: str | None = None,
    port: int | None = None,
    database: Path | None = None,
    database_url: str | None = None,
    key_file: Path | None = None,
) -> None:
    """Run the service; on an empty database it first makes an organisation and the owner's key.

    Settings come from CATCHPAN_* in the environment; options go before them.

    Example: catchpan serve --port 8420 --key-file owner.key

    Parameters
    ----------
    host
        Address to listen on; loopback only by default.
    port
        Port to listen on; 8420 by default, 0 takes a free one.
    database
        SQLite file that the service keeps.
    database_url
        PostgreSQL instead of a file: postgresql+psycopg://login@host/database. An option is seen by everybody on the
        machine: a password belongs into CATCHPAN_DATABASE_URL or a password file of PostgreSQL.
    key_file
        Where to write the first key, with mode 0600; without it the key is shown once on standard error.
    """
    if database is not None and database_url is not None:
        raise TableError("--database names a file and --database-url a server: give one of them")
    chosen = "" if database is not None else database_url
    given = {"host": host, "port": port, "database": database, "database_url": chosen}
    environment = {**os.environ, **{f"CATCHPAN_{n.upper()}": str(v) for n, v in given.items() if v is not None}}
    server = service_module("server")
    try:
        server.run(environment, first_key=lambda secret: hand_over(secret, key_file), say=say)
    except server.Held as error:
        raise HeldError(str(error)) from error
    except server.SettingError as error:
        raise TableError(str(error)) from error
    except server.Unreachable as error:
        raise UnreachableError(str(error)) from error
    except server.BadLocation as error:
        raise TableError(str(error)) from error
    except server.StoreError as error:
        raise CatchpanError(str(error)) from error

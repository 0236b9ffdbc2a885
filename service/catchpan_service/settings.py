"""Settings: one frozen struct, read from CATCHPAN_* in one function."""

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Annotated, get_type_hints

import msgspec
from msgspec import Meta

PREFIX = "CATCHPAN_"
OF_CLIENTS = {PREFIX + name for name in ("SERVER", "KEY", "KEY_FILE", "DEADLINE", "TEST_DATABASE_URL")}
"""Names that the command line and the tests read."""


class Settings(msgspec.Struct, kw_only=True, frozen=True):
    """Everything that can be set; the README lists it from here."""

    database: Annotated[str, Meta(description="SQLite file that the service keeps")] = "catchpan.sqlite"
    database_url: Annotated[
        str, Meta(description="PostgreSQL instead of a file: postgresql+psycopg://login@host/database")
    ] = ""
    database_connections: Annotated[
        int, Meta(ge=1, le=1000, description="connections to PostgreSQL, and as many threads")
    ] = 8
    organisation: Annotated[
        str, Meta(min_length=1, description="organisation made on an empty database, and that of work on this machine")
    ] = "Our company"
    host: Annotated[str, Meta(description="address to listen on")] = "127.0.0.1"
    port: Annotated[int, Meta(ge=0, le=65535, description="port to listen on; 0 takes a free one")] = 8420
    compute_needs_key: Annotated[bool, Meta(description="whether computations ask for a key too (true or false)")] = (
        False
    )
    log_requests: Annotated[bool, Meta(description="one JSON line per request on standard error")] = True
    max_body: Annotated[int, Meta(ge=1024, description="largest request body, in bytes")] = 4_194_304
    max_waiting: Annotated[
        int, Meta(ge=1, description="calls of the database that may wait before the service answers busy (503)")
    ] = 1000

    rollouts_every: Annotated[
        float, Meta(ge=0, description="seconds between two looks at the rollouts under way; 0 for none")
    ] = 60
    webhooks_every: Annotated[
        float, Meta(ge=0, description="seconds between two looks for messages to webhooks; 0 to send none")
    ] = 5
    webhooks_private: Annotated[
        bool, Meta(description="whether webhooks may lead to private addresses, and by http (true or false)")
    ] = False

    @property
    def location(self) -> str:
        """Where the database is: an address, or the path of a file."""
        return self.database_url or self.database


class SettingError(ValueError):
    """A setting that cannot be read: its name, what was given, what is allowed."""


def read_settings(environment: Mapping[str, str]) -> Settings:
    """Settings from the environment; a value that cannot be used, or a name that is none, is a SettingError."""
    _require_known(environment)
    given = {
        name: environment[PREFIX + name.upper()]
        for name in Settings.__struct_fields__
        if PREFIX + name.upper() in environment
    }
    try:
        return msgspec.convert(given, Settings, strict=False)
    except msgspec.ValidationError as error:
        why, _, path = str(error).partition(" - at `$.")
        name = path.rstrip("`")
        raise SettingError(f"{PREFIX}{name.upper()} cannot be {given[name]!r}: {why}") from error


def _require_known(environment: Mapping[str, str]) -> None:
    """A mistyped name would leave its setting at the default, and nobody would see it."""
    known = {PREFIX + name.upper() for name in Settings.__struct_fields__} | OF_CLIENTS
    for name in environment:
        if name.startswith(PREFIX) and name not in known:
            near = get_close_matches(name, known, n=1)
            raise SettingError(f"{name} is no setting{f': is {near[0]} meant?' if near else ''}")


def described_settings() -> list[tuple[str, str, str]]:
    """Name in the environment, default and meaning of every setting, for the README."""
    hints = get_type_hints(Settings, include_extras=True)
    return [
        (
            PREFIX + field.name.upper(),
            str(field.default).lower() if isinstance(field.default, bool) else str(field.default),
            hints[field.name].__metadata__[0].description,
        )
        for field in msgspec.structs.fields(Settings)
    ]

"""Where a command's work is done: on a server, or in this process on this machine."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from catchpan.errors import HeldError, NotInstalledError, TableError
from catchpan.quantities import System

SERVER = "CATCHPAN_SERVER"
KEY = "CATCHPAN_KEY"
KEY_FILE = "CATCHPAN_KEY_FILE"


class KeyFileError(TableError):
    """The file that should hold the key cannot be read."""


@Parameter(name="*", group="Everywhere")
@dataclass(frozen=True)
class Common:
    """What every command takes.

    Parameters
    ----------
    server
        Address of a service; without it the work is done on this machine. Also from CATCHPAN_SERVER; the key comes
        from CATCHPAN_KEY or the file named by CATCHPAN_KEY_FILE.
    deadline
        Seconds within which a service must answer.
    units
        Units of the answers: us or si.
    json
        Print the answer as JSON.
    """

    server: Annotated[str | None, Parameter(env_var=SERVER)] = None
    deadline: Annotated[float, Parameter(env_var="CATCHPAN_DEADLINE")] = 10.0
    units: System | None = None
    json: Annotated[bool, Parameter(negative="")] = False

    @contextmanager
    def client(self, *, stores: bool = False) -> Iterator[Any]:
        """A client of the service: the one at ``server``, or one in this process.

        ``stores`` says that the command needs the database; without a server it then uses the file of this machine
        as its owner, while holding its lock.
        """
        from catchpan.client import Catchpan

        if self.server:
            with Catchpan(self.server, key=_key(), units=self.units, deadline=self.deadline) as client:
                yield client
            return
        with Catchpan.in_process(_local_app(stores), units=self.units) as client:
            yield client


def _key() -> str | None:
    if key := os.environ.get(KEY):
        return key.strip()
    if name := os.environ.get(KEY_FILE):
        try:
            return Path(name).read_text(encoding="utf-8").strip()
        except OSError as error:
            raise KeyFileError(f"the key file {name}: {error.strerror}") from error
    return None


def _local_app(stores: bool) -> Any:
    local = service_module("local")
    try:
        return local.open_app(os.environ, stores=stores)
    except local.HeldElsewhere as error:
        raise HeldError(str(error)) from error
    except local.SettingError as error:
        raise TableError(str(error)) from error


def service_module(name: str) -> Any:
    """A module of the service, imported only where it is needed."""
    from importlib import import_module

    try:
        return import_module(f"catchpan_service.{name}")
    except ModuleNotFoundError as error:
        if (error.name or "").split(".")[0] == "catchpan_service":
            raise
        raise NotInstalledError(
            f"{error.name} is not installed: pip install 'catchpan[service]', or name a service with --server"
        ) from error

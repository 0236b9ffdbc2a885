"""Whose rows a call may see: what PostgreSQL's row-level security is told before anything is read."""

from dataclasses import dataclass
from uuid import UUID


@dataclass(frozen=True)
class Scope:
    """The rows of one organisation, the key with a hash that was presented, the list of organisations: or nothing."""

    organisation: UUID | None = None
    presented: str = ""
    administrator: bool = False


ADMINISTRATOR = Scope(administrator=True)

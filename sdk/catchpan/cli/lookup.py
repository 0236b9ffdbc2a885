"""Things named on the command line: by their name, or by their id."""

from collections.abc import Callable, Iterable
from typing import Any, TypeVar

from catchpan.errors import MissingError

T = TypeVar("T")


def by_name(kind: str, name: str, found: Callable[[], Iterable[T]]) -> T:
    """The one thing of that name or id; MissingError lists what there is."""
    names = []
    for one in found():
        item: Any = one
        if name in (item.id, item.name):
            return one
        names.append(item.name)
    there = f"there are: {', '.join(names[:20])}" if names else "there are none yet"
    raise MissingError(f"there is no {kind} {name!r}; {there}")

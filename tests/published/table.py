"""The table of published values in DEVELOPERS.md: what is computed, who prints it, their value and ours."""

from functools import cache
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules

from tests.pages import placed

from .row import Row

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"


@cache
def rows() -> tuple[Row, ...]:
    """All rows of this package's modules, in the order of the modules' names."""
    package = __name__.rpartition(".")[0]
    names = sorted(one.name for one in iter_modules([str(Path(__file__).parent)]) if one.name.startswith("values_"))
    return tuple(row for name in names for row in import_module(f"{package}.{name}").ROWS)


def written(page: str) -> str:
    """The page with the table as the program computes it."""
    head = ["| computation | source | printed | ours | basis |", "| --- | --- | --- | --- | --- |"]
    return placed(page, "published values: python -m tests.published", [*head, *(row.line() for row in rows())])

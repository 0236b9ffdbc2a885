"""Imports point one way: every module stands on a layer, and a layer may import what its line names and no more."""

import ast
import sys
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[1]
FOLDERS = {"catchpan": ROOT / "sdk", "catchpan_service": ROOT / "service"}


class Layer(NamedTuple):
    """What a layer may import: other layers, packages from elsewhere, and either inside functions only."""

    layers: str = ""
    packages: str = ""
    lazily: str = ""


CONTRACT = "catchpan.contract catchpan.quantities"
SDK = {
    "catchpan.contract.base": Layer(packages="msgspec"),
    "catchpan.contract.problems": Layer("catchpan.contract.base"),
    "catchpan.errors": Layer("catchpan.contract.problems"),
    "catchpan.quantities": Layer("catchpan.errors", "msgspec"),
    "catchpan.contract": Layer("catchpan.contract.base catchpan.contract.problems catchpan.quantities", "msgspec"),
    "catchpan.digest": Layer("catchpan.errors", "msgspec rfc8785"),
    "catchpan.manifests": Layer("catchpan.contract"),
    "catchpan.cells": Layer("catchpan.errors catchpan.quantities"),
    "catchpan.tables": Layer(f"{CONTRACT} catchpan.cells catchpan.errors", "msgspec"),
    "catchpan.fleet": Layer(
        f"{CONTRACT} catchpan.contract.base catchpan.contract.problems catchpan.cells catchpan.errors",
        "msgspec",
        lazily="python_calamine xlsxwriter",
    ),
    "catchpan.calls": Layer("catchpan.contract catchpan.contract.problems catchpan.errors", "msgspec"),
    "catchpan.retry": Layer("catchpan.calls"),
    "catchpan.inprocess": Layer(packages="anyio httpx"),
    "catchpan.acomputing": Layer(f"{CONTRACT} catchpan.calls"),
    "catchpan.computing": Layer(f"{CONTRACT} catchpan.calls"),
    "catchpan.abranches": Layer("catchpan.contract catchpan.calls"),
    "catchpan.branches": Layer("catchpan.contract catchpan.calls"),
    "catchpan.amachines": Layer("catchpan.contract catchpan.calls"),
    "catchpan.machines": Layer("catchpan.contract catchpan.calls"),
    "catchpan.arollouts": Layer("catchpan.contract catchpan.calls"),
    "catchpan.rollouts": Layer("catchpan.contract catchpan.calls"),
    "catchpan.awebhooks": Layer("catchpan.contract catchpan.calls"),
    "catchpan.hooks": Layer("catchpan.contract catchpan.calls"),
    "catchpan.webhooks": Layer("catchpan.contract catchpan.errors", "msgspec"),
    "catchpan.aclient": Layer(
        f"{CONTRACT} catchpan.abranches catchpan.amachines catchpan.arollouts catchpan.awebhooks catchpan.acomputing catchpan.calls catchpan.retry catchpan.errors catchpan.inprocess",
        "anyio httpx msgspec",
    ),
    "catchpan.client": Layer(
        f"{CONTRACT} catchpan.branches catchpan.machines catchpan.rollouts catchpan.hooks catchpan.computing catchpan.calls catchpan.retry catchpan.errors catchpan.inprocess",
        "httpx msgspec",
    ),
    "catchpan": Layer("catchpan.aclient catchpan.client"),
    "catchpan.demo": Layer(),
    "catchpan.__main__": Layer("catchpan.cli"),
    "catchpan.replica": Layer(
        f"{CONTRACT} catchpan.contract.base catchpan.client catchpan.digest catchpan.errors catchpan.manifests",
        "cryptography.exceptions cryptography.hazmat.primitives msgspec",
    ),
    "catchpan.cli": Layer(
        f"{CONTRACT} catchpan catchpan.contract.problems catchpan.demo catchpan.digest catchpan.fleet catchpan.tables catchpan.errors catchpan.webhooks",
        "cyclopts msgspec",
        lazily="catchpan.client catchpan.replica catchpan_service",
    ),
}
STORE = "catchpan_service.store"
SERVICE = {
    "catchpan_service.calibration": Layer(packages="numpy scipy shapely"),
    "catchpan_service.rules": Layer("catchpan.contract"),
    STORE: Layer(
        f"{CONTRACT} catchpan catchpan.contract.base catchpan.digest catchpan.manifests catchpan_service.rules",
        "alembic cryptography.hazmat.primitives msgspec psycopg rfc8785 sqlalchemy",
    ),
    "catchpan_service.si": Layer(
        f"{CONTRACT} catchpan.digest catchpan_service.calibration catchpan_service.rules", "msgspec numpy"
    ),
    "catchpan_service.settings": Layer(packages="msgspec"),
    "catchpan_service.scheduler": Layer(STORE, "litestar sqlalchemy.exc"),
    "catchpan_service.sender": Layer(f"catchpan catchpan.webhooks catchpan_service.rules {STORE}", "httpx"),
    "catchpan_service.deliverer": Layer(f"catchpan_service.sender {STORE}", "litestar sqlalchemy.exc"),
    "catchpan_service.examples": Layer(),
    "catchpan_service.envelope": Layer(packages="litestar"),
    "catchpan_service.forms": Layer("catchpan.cells", "msgspec xlsxwriter"),
    "catchpan_service.calendars": Layer("catchpan.contract"),
    "catchpan_service.strict": Layer("catchpan_service.envelope", "litestar msgspec"),
    "catchpan_service.keyring": Layer(STORE),
    "catchpan_service.faults": Layer(
        "catchpan.contract.problems catchpan_service.calibration catchpan_service.strict", "msgspec"
    ),
    "catchpan_service.clashes": Layer(
        f"{CONTRACT} catchpan.contract.problems catchpan_service.calibration catchpan_service.si", "msgspec"
    ),
    "catchpan_service.problems": Layer(
        f"catchpan.contract.problems catchpan.quantities catchpan_service.clashes catchpan_service.envelope catchpan_service.calibration catchpan_service.rules {STORE}"
        " catchpan_service.faults catchpan_service.strict",
        "litestar msgspec sqlalchemy.exc",
    ),
    "catchpan_service.routes": Layer(
        f"{CONTRACT} catchpan.contract.base catchpan.contract.problems catchpan catchpan.digest catchpan_service.calibration"
        f" catchpan_service.rules catchpan_service.si {STORE} catchpan_service.envelope catchpan_service.strict"
        " catchpan_service.keyring catchpan_service.examples catchpan_service.forms catchpan_service.calendars catchpan_service.problems",
        "litestar msgspec sqlalchemy.exc",
    ),
    "catchpan_service.document": Layer(
        "catchpan catchpan.contract catchpan.contract.problems catchpan_service.forms catchpan_service.problems"
        " catchpan_service.strict",
        "litestar msgspec",
    ),
    "catchpan_service.publish": Layer("catchpan_service.app catchpan_service.document catchpan_service.routes"),
    "catchpan_service.admin": Layer(f"{CONTRACT} {STORE}"),
    "catchpan_service.app": Layer(
        f"catchpan.contract.problems {STORE} catchpan_service.admin catchpan_service.document"
        " catchpan_service.examples catchpan_service.forms"
        " catchpan_service.envelope catchpan_service.keyring catchpan_service.problems catchpan_service.routes"
        " catchpan_service.scheduler catchpan_service.sender catchpan_service.deliverer catchpan_service.settings catchpan_service.strict",
        "litestar uuid_utils",
    ),
    "catchpan_service.local": Layer(
        f"{STORE} catchpan_service.app catchpan_service.settings", "litestar msgspec uuid_utils"
    ),
    "catchpan_service.server": Layer(
        f"catchpan.contract {STORE} catchpan_service.admin catchpan_service.app catchpan_service.settings",
        "uuid_utils uvicorn",
    ),
    "catchpan_service": Layer(),
}
LAYERS = SDK | SERVICE


class Import(NamedTuple):
    """One imported name, in full; ``lazy`` where it stands inside a function."""

    name: str
    line: int
    lazy: bool


def imports(source: str, module: str, *, is_package: bool = False) -> Iterator[Import]:
    """Every import of a module, also one by ``import_module("a name" …)``."""
    home = module.split(".") if is_package else module.split(".")[:-1]
    tree = ast.parse(source)
    lazy = {
        id(inner)
        for outer in ast.walk(tree)
        if isinstance(outer, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        for inner in ast.walk(outer)
    }
    for node in ast.walk(tree):
        for name in _names(node, home):
            yield Import(name, node.lineno, id(node) in lazy)


def _names(node: ast.AST, home: list[str]) -> list[str]:
    match node:
        case ast.Import(names):
            return [alias.name for alias in names]
        case ast.ImportFrom(below, names, level):
            base = home[: len(home) + 1 - level] if level else []
            return [".".join([*base, *filter(None, [below]), alias.name]) for alias in names]
        case ast.Call(ast.Name("import_module" | "__import__") | ast.Attribute(attr="import_module"), [first, *_]):
            return [_start(first)]
    return []


def _start(text: ast.expr) -> str:
    """What is known of a text before the program runs: its first part."""
    first = text.values[0] if isinstance(text, ast.JoinedStr) and text.values else text
    return str(first.value).rstrip(".") if isinstance(first, ast.Constant) else "a name that nobody can foresee"


@cache
def layer_of(name: str) -> str | None:
    """The layer that a full name stands on: the longest that it begins with; None for packages from elsewhere.

    What ``catchpan/__init__.py`` itself defines, such as ``__version__``, is its own layer.
    """
    fits = [layer for layer in LAYERS if name == layer or name.startswith(f"{layer}.")]
    return max(fits, key=len, default=None)


def broken(module: str, source: str, *, is_package: bool = False) -> list[str]:
    """What a module imports and may not."""
    own = layer_of(module)
    if own is None or (own in FOLDERS and module != own):
        return [f"{module} stands on no layer: give it a line in this test"]
    found = []
    for name, line, lazy in imports(source, module, is_package=is_package):
        if not _allowed(own, name, lazy):
            found.append(f"{module}, line {line}: {own} may not import {name}" + " even in a function" * lazy)
    return found


def _allowed(own: str, name: str, lazy: bool) -> bool:
    layer = layer_of(name)
    here = LAYERS[own]
    open_ones = here.layers.split() + here.packages.split() + (here.lazily.split() if lazy else [])
    if layer is not None:
        below = [one for one in here.lazily.split() if lazy and layer.startswith(f"{one}.")]
        return layer == own or layer in open_ones or below != []
    first = name.split(".", maxsplit=1)[0]
    return first in sys.stdlib_module_names or any(name == one or name.startswith(f"{one}.") for one in open_ones)


def unresolved_names(source: str) -> list[str]:
    """What keeps Litestar from reading a handler's annotations when the program runs."""
    found = [name for name in ("TYPE_CHECKING", "__future__") if name in source]
    return [f"{name} in a module with handlers" for name in found]


def modules() -> Iterator[tuple[str, Path]]:
    for package, folder in FOLDERS.items():
        for path in sorted((folder / package).rglob("*.py")):
            parts = path.relative_to(folder).with_suffix("").parts
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


MODULES = dict(modules())


@pytest.mark.parametrize("module", MODULES)
def test_a_module_imports_only_what_its_layer_may(module):
    path = MODULES[module]
    assert broken(module, path.read_text(), is_package=path.name == "__init__.py") == []


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("catchpan.calls", "import catchpan_service"),
        ("catchpan.cli.made_up", "from catchpan_service.app import create_app"),
        ("catchpan.cli.made_up", "import_module('catchpan_service.app')"),
        ("catchpan.tables", "def read(): from catchpan_service.si import curves"),
        ("catchpan.tables", "def read(): import_module(f'catchpan_service.{name}')"),
        ("catchpan.calls", "import httpx"),
        ("catchpan.retry", "def wait(): import httpx"),
        ("catchpan.cli.made_up", "import httpx"),
        ("catchpan.quantities", "from catchpan.contract.curves import Curve"),
        ("catchpan.contract.problems", "from catchpan.contract import curves"),
        ("catchpan.digest", "import numpy"),
        ("catchpan_service.calibration.made_up", "import litestar"),
        ("catchpan_service.calibration.made_up", "from msgspec import Struct"),
        ("catchpan_service.calibration.made_up", "import sqlalchemy as sa"),
        ("catchpan_service.calibration.made_up", "from catchpan.quantities import Mass"),
        ("catchpan_service.calibration.made_up", "from ..store import keys"),
        ("catchpan_service.calibration.made_up", "def late(): from ..store import keys"),
        ("catchpan_service.rules.made_up", "import sqlalchemy"),
        ("catchpan_service.rules.made_up", "import msgspec"),
        ("catchpan_service.rules.made_up", "from catchpan_service import store"),
        ("catchpan_service.store.made_up", "from catchpan_service.routes import replies"),
        ("catchpan_service.store.made_up", "from catchpan_service.si.profiles import completed"),
        ("catchpan_service.store.made_up", "from catchpan_service.calibration.errors import CalibrationError"),
        ("catchpan_service.store.made_up", "from catchpan_service.app import create_app"),
        ("catchpan_service.si.made_up", "from catchpan_service.store.revisions import Draft"),
        ("catchpan_service.si.made_up", "if TYPE_CHECKING:\n    from catchpan_service.store.revisions import Draft"),
        ("catchpan_service.routes.made_up", "from sqlalchemy import select"),
        ("catchpan_service.routes.made_up", "import numpy as np"),
        ("catchpan_service.routes.made_up", "from catchpan_service.app import create_app"),
        ("catchpan_service.problems", "from catchpan_service.routes import asking"),
        ("catchpan_service.document", "from catchpan_service.app import HANDLERS"),
        ("catchpan_service.made_up", "import os"),
    ],
)
def test_an_arrow_that_points_the_wrong_way_is_found(module, source):
    assert len(broken(module, source)) == 1


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("catchpan.cli.made_up", "def start(): import_module(f'catchpan_service.{name}')"),
        ("catchpan.cli.made_up", "def start(): from catchpan_service.local import open_app"),
        ("catchpan_service.calibration.made_up", "import numpy as np\nfrom .errors import CalibrationError"),
        ("catchpan_service.rules.made_up", "from catchpan.contract.profiles import State"),
        ("catchpan_service.routes.made_up", "from sqlalchemy.exc import SQLAlchemyError"),
        ("catchpan.cli.made_up", "def run(): from catchpan.client import Catchpan"),
    ],
)
def test_an_arrow_that_points_the_right_way_is_let_through(module, source):
    assert broken(module, source) == []


def test_the_layers_form_no_ring():
    arrows = {name: [one for one in layer.layers.split() if one != name] for name, layer in LAYERS.items()}
    order = list(TopologicalSorter(arrows).static_order())
    assert order.index("catchpan.errors") < order.index("catchpan_service.store") < order.index("catchpan_service.app")


def test_no_module_imports_itself_by_a_detour():
    assert ring(graph({module: path.read_text() for module, path in MODULES.items()})) == []


def test_a_ring_of_modules_is_found():
    made_up = {"catchpan.calls": "from catchpan.retry import pause", "catchpan.retry": "from catchpan import calls"}
    assert set(ring(graph(made_up))) == {"catchpan.calls", "catchpan.retry"}


def graph(sources: dict[str, str]) -> dict[str, set[str]]:
    """Which modules each module imports when it is imported itself."""
    found: dict[str, set[str]] = {}
    for module, source in sources.items():
        names = [one.name for one in imports(source, module, is_package=_is_package(module)) if not one.lazy]
        found[module] = {one for name in names if (one := _module(name, sources)) not in {None, module}}
    return found


def _is_package(module: str) -> bool:
    return module in MODULES and MODULES[module].name == "__init__.py"


def _module(name: str, known: dict[str, str]) -> str | None:
    """The module that a full name is, or is found in."""
    return next((one for one in (name, name.rpartition(".")[0]) if one in known), None)


def ring(arrows: dict[str, set[str]]) -> list[str]:
    try:
        TopologicalSorter(arrows).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


@pytest.mark.parametrize("module", [name for name in MODULES if name.startswith("catchpan_service.routes")])
def test_handlers_name_their_types_for_real(module):
    assert unresolved_names(MODULES[module].read_text()) == []


@pytest.mark.parametrize(
    "source", ["from __future__ import annotations", "from typing import TYPE_CHECKING\nif TYPE_CHECKING: import os"]
)
def test_a_type_that_only_the_checker_sees_is_found(source):
    assert len(unresolved_names(source)) == 1

"""Catch files, pan files and outlines: CSV with a header; quantities carry their unit in the header or in the cell.

A catch file has the columns ``opening``, ``duration`` and ``mass`` (or ``gross`` and ``tare``), and may have
``stream``, ``gates``, ``note`` and ``lot``. A pan file has ``position`` and a column for each row of pans, ``row 1``,
``row 2`` …, with the word ``opposite`` for a row that was driven the other way. A unit stands in brackets behind the
name, as in ``mass [lb]``, or behind the number in the cell. An empty pan cell is a pan that was not there; an empty
pan has mass 0. An outline file has ``ring``, ``x`` and ``y``, one row for each corner in the order in which one walks
round: the ring is ``outline``, or the name of a bed, pond or building in it.
"""

import re
from pathlib import Path
from typing import Any

import msgspec

from catchpan.cells import Cell, Row, in_one_unit, rows
from catchpan.contract.checks import SeriesCheck
from catchpan.contract.comparisons import CaughtMachine
from catchpan.contract.coverages import Hole, Ring
from catchpan.contract.curves import Catch
from catchpan.contract.granules import SIEVES
from catchpan.contract.overlaps import PanRow
from catchpan.contract.priors import CatchSet
from catchpan.contract.throws import ThrowObservation
from catchpan.errors import TableError
from catchpan.quantities import Length, Lengths, Mass, Masses, Quantity, Ratio, Rotation, Time

_CATCH_COLUMNS: dict[str, type[Quantity] | None] = {
    "opening": Ratio, "mass": Mass, "gross": Mass, "tare": Mass, "duration": Time,
    "stream": None, "gates": None, "note": None, "lot": None,
}  # fmt: skip
_SIEVE_NUMBER = re.compile(r"(?:No\.?|#)\s*(\d+)", re.IGNORECASE)
_PAN_ROW = re.compile(r"row \d+( opposite)?")


def read_catches(path: Path) -> list[Catch]:
    """The catches of a catch file, in its order; TableError names file, line and column of what cannot be read."""
    return [_catch(row) for row in rows(path, _catch_column, needed=("opening", "duration"))]


def read_machines(path: Path) -> list[CaughtMachine]:
    """Catches of several machines: a catch file with a column ``machine``."""
    found: dict[str, list[Catch]] = {}
    for row in rows(path, _machine_column, needed=("machine", "opening", "duration")):
        if not row["machine"].text:
            raise row["machine"].refuse("every catch needs its machine")
        found.setdefault(row["machine"].text, []).append(_catch(row))
    return [CaughtMachine(name=name, catches=caught) for name, caught in found.items()]


def read_sets(path: Path) -> list[CatchSet]:
    """Catch sets of several materials: a catch file with a column ``material``, and ``size guide number`` if known."""
    caught: dict[str, list[Catch]] = {}
    sizes: dict[str, float | None] = {}
    for row in rows(path, _set_column, needed=("material", "opening", "duration")):
        name = row["material"].text
        if not name:
            raise row["material"].refuse("every catch needs its material")
        caught.setdefault(name, []).append(_catch(row))
        if "size guide number" in row and row["size guide number"].text:
            sizes[name] = _size(row["size guide number"])
    return [CatchSet(material=name, catches=own, size_guide_number=sizes.get(name)) for name, own in caught.items()]


def _size(cell: Cell) -> float:
    try:
        return float(cell.text)
    except ValueError as error:
        raise cell.refuse("write the size guide number, such as 215") from error


def read_sieves(path: Path) -> tuple[Lengths, Masses]:
    """A sieve analysis: columns ``sieve`` (an opening, or a number such as No. 8) and ``mass``.

    The coarsest sieve comes first; the last row, ``pan``, is what fell through.
    """
    lines = list(rows(path, _sieve_column, needed=("sieve", "mass")))
    *sieves, pan = lines
    if pan["sieve"].text.lower() != "pan" or not sieves:
        raise pan["sieve"].refuse("the last row is the pan below the finest sieve; write pan")
    unit, masses = in_one_unit([line["mass"] for line in lines], Mass)
    if None in masses:
        raise lines[masses.index(None)]["mass"].refuse("every sieve needs its mass, 0 for none")
    openings = [_sieve(line["sieve"]) for line in sieves]
    return Lengths(openings, "mm"), Masses(masses, unit)  # type: ignore[arg-type]


def _sieve(cell: Cell) -> float:
    """Opening of a sieve in millimetres."""
    number = _SIEVE_NUMBER.fullmatch(cell.text)
    if number is None:
        return cell.read(Length).to("mm")
    if int(number[1]) not in SIEVES:
        raise cell.refuse(f"sieve {cell.text} is not in the table; write its opening, such as 2.36 mm")
    return SIEVES[int(number[1])]


def read_pans(path: Path, *, passes: int = 1) -> tuple[Lengths, list[PanRow]]:
    """Positions and rows of a pan file, each row driven ``passes`` times before it was weighed."""
    lines = list(rows(path, _pan_column, needed=("position",)))
    names = [name for name in lines[0] if name != "position"]
    if not names:
        raise TableError(f"{path.name}: no pans: a column 'position' and a column 'row 1' are needed")
    unit, positions = in_one_unit([line["position"] for line in lines], Length)
    found = []
    for name in names:
        own, masses = in_one_unit([line[name] for line in lines], Mass)
        heading: Any = "opposite" if name.endswith("opposite") else "same"
        found.append(PanRow(masses=Masses(masses, own), passes=passes, heading=heading))  # type: ignore[arg-type]
    if None in positions:
        raise lines[positions.index(None)]["position"].refuse("a pan needs a position")
    return Lengths(positions, unit), found  # type: ignore[arg-type]


def read_throws(path: Path) -> list[ThrowObservation]:
    """Observed throws: columns ``impeller speed``, ``left`` and ``right``; a cell may be empty."""
    found = []
    for line in rows(path, _throw_column, needed=("impeller speed",)):
        sides: Any = {name: line[name].read(Length) for name in ("left", "right") if name in line and line[name].text}
        found.append(ThrowObservation(impeller_speed=line["impeller speed"].read(Rotation), **sides))
    return found


def read_checks(path: Path) -> list[SeriesCheck]:
    """A machine's checks, oldest first: columns ``ratio`` and ``standard uncertainty``."""
    return [
        SeriesCheck(ratio=line["ratio"].read(Ratio), standard_uncertainty=line["standard uncertainty"].read(Ratio))
        for line in rows(path, _check_column, needed=("ratio", "standard uncertainty"))
    ]


def read_outline(path: Path) -> tuple[Ring, list[Hole]]:
    """The corners of an outline file: the outline, and the holes in the order in which they first stand."""
    rings: dict[str, list[Row]] = {}
    for line in rows(path, _outline_column, needed=("ring", "x", "y")):
        for name, cell in line.items():
            if not cell.text:
                raise cell.refuse(f"every corner needs its {name}")
        rings.setdefault(line["ring"].text, []).append(line)
    corners: dict[str, Any] = {
        name: {
            axis: Lengths(values, unit)  # type: ignore[arg-type]
            for axis in ("x", "y")
            for unit, values in [in_one_unit([line[axis] for line in lines], Length)]
        }
        for name, lines in rings.items()
    }
    if "outline" not in corners:
        raise TableError(f"{path.name}: no row has the ring 'outline'")
    outline = Ring(**corners.pop("outline"))
    return outline, [Hole(name=name, **ring) for name, ring in corners.items()]


def _catch(row: Row) -> Catch:
    fields: dict[str, Any] = {}
    for name, cell in row.items():
        if name not in _CATCH_COLUMNS:
            continue
        kind = _CATCH_COLUMNS[name]
        if cell.text:
            fields[name] = cell.text if kind is None else msgspec.to_builtins(cell.read(kind))
        elif name in ("opening", "duration"):
            raise cell.refuse(f"every catch needs its {name}")
    if "mass" not in fields and not {"gross", "tare"} <= set(fields):
        some = next(iter(row.values()))
        raise TableError(f"{some.file}, line {some.line}: a catch needs a mass, or gross and tare")
    return _converted(fields, row)


def _converted(fields: dict[str, Any], row: Row) -> Catch:
    try:
        return msgspec.convert(fields, Catch)
    except msgspec.ValidationError as error:
        name = next((name for name in fields if f"$.{name}" in str(error)), "opening")
        allowed = {"stream": "steady, pulsing or stopped", "gates": "both, left or right"}.get(name, str(error))
        raise row[name].refuse(f"{row[name].text!r} is not allowed: write {allowed}") from error


def _catch_column(name: str) -> str | None:
    """What is wrong with a column of a catch file, or None."""
    return None if name in _CATCH_COLUMNS else f"allowed are {', '.join(_CATCH_COLUMNS)}"


def _machine_column(name: str) -> str | None:
    """What is wrong with a column of a file of several machines, or None."""
    return None if name == "machine" else _catch_column(name)


def _set_column(name: str) -> str | None:
    """What is wrong with a column of a file of several materials, or None."""
    return None if name in ("material", "size guide number") else _catch_column(name)


def _sieve_column(name: str) -> str | None:
    """What is wrong with a column of a sieve file, or None."""
    return None if name in ("sieve", "mass") else "allowed are sieve and mass"


def _throw_column(name: str) -> str | None:
    """What is wrong with a column of a file of throws, or None."""
    return None if name in ("impeller speed", "left", "right") else "allowed are impeller speed, left and right"


def _check_column(name: str) -> str | None:
    """What is wrong with a column of a file of checks, or None."""
    return None if name in ("ratio", "standard uncertainty") else "allowed are ratio and standard uncertainty"


def _outline_column(name: str) -> str | None:
    """What is wrong with a column of an outline file, or None."""
    return None if name in ("ring", "x", "y") else "allowed are ring, x and y"


def _pan_column(name: str) -> str | None:
    """What is wrong with a column of a pan file, or None."""
    good = name == "position" or _PAN_ROW.fullmatch(name)
    return None if good else "allowed are position, row 1, row 2 … and row 2 opposite"

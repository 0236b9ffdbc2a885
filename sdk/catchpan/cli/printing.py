"""How answers are printed: aligned tables for people, the contract's JSON for programs."""

import sys
from collections.abc import Iterable, Sequence
from typing import Any

import msgspec

from catchpan.contract.findings import Finding
from catchpan.quantities import Quantity


def put(text: str = "") -> None:
    """Data, to standard output."""
    print(text)


def say(text: str) -> None:
    """Words, to standard error."""
    print(text, file=sys.stderr)


def confirmed(question: str) -> bool:
    """Whether the person at the terminal says yes; no, where nobody sits there."""
    if not sys.stdin.isatty():
        return False
    say(f"{question} [y/N]")
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def put_json(answer: Any) -> None:
    """The contract's own JSON."""
    put(msgspec.json.format(msgspec.json.encode(answer), indent=2).decode())


def put_table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Columns aligned by their widest cell, numbers to the right."""
    lines = [list(header), *(list(row) for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(header))]
    rights = [_numeric(lines[1:], column) for column in range(len(header))]
    for line in lines:
        cells = zip(line, widths, rights, strict=True)
        put("  ".join(cell.rjust(width) if right else cell.ljust(width) for cell, width, right in cells).rstrip())


def _numeric(lines: list[list[str]], column: int) -> bool:
    cells = [line[column] for line in lines if line[column] not in ("", "-")]
    return bool(cells) and all(cell.lstrip("±+-")[:1].isdigit() for cell in cells)


def put_findings(findings: Sequence[Finding]) -> None:
    """What a person should look at, the gravest first."""
    if not findings:
        put("Nothing to look at.")
        return
    grave = {"stop": 0, "look": 1, "note": 2}
    for finding in sorted(findings, key=lambda one: grave.get(one.severity.value, 3)):
        put(f"{finding.severity.value.upper():5} {finding.what}")
        if finding.advice:
            put(f"      {finding.advice}")


def told(quantity: Quantity | None, digits: int = 4) -> str:
    """A quantity as people read it, a dash for none."""
    return "-" if quantity is None else f"{number(quantity.value, digits)} {quantity.unit}".removesuffix(" 1")


def number(value: float | None, digits: int = 4) -> str:
    """A number with some significant digits, a dash for none, never in powers of ten."""
    if value is None:
        return "-"
    text = f"{value:.{digits}g}"
    return f"{float(text):.0f}" if "e+" in text else text


def percent(share: float | None, digits: int = 1) -> str:
    """A share as per cent with a fixed count of decimals, a dash for none."""
    return "-" if share is None else f"{share * 100:.{digits}f} %"

"""Writes the tables of README.md that the program knows: ``python -m tests.readme``; a test compares."""

import re
from collections.abc import Iterator
from pathlib import Path

from catchpan.cli.exits import MEANINGS
from catchpan_service.settings import described_settings

README = Path(__file__).parents[1] / "README.md"


def tables() -> Iterator[tuple[str, list[str]]]:
    """Name of each table, and its lines."""
    yield "exit codes", [
        "| exit code | meaning |", "| --- | --- |", *(f"| {code} | {meaning} |" for code, meaning in MEANINGS.items())
    ]  # fmt: skip
    yield (
        "settings",
        [
            "| setting | default | meaning |",
            "| --- | --- | --- |",
            *(f"| `{name}` | `{default}` | {meaning} |" for name, default, meaning in described_settings()),
        ],
    )


def written(text: str) -> str:
    """The text with every table as the program knows it."""
    for name, lines in tables():
        head, end = re.escape(f"<!-- {name}: python -m tests.readme -->\n"), re.escape("<!-- end -->")
        match = re.search(f"{head}(.*?){end}", text, flags=re.DOTALL)
        if match is None:
            raise LookupError(f"the README has no place for the table {name!r}")
        text = text[: match.start(1)] + "\n".join(lines) + "\n" + text[match.end(1) :]
    return text


if __name__ == "__main__":
    README.write_text(written(README.read_text()))

"""Writes the tables of README.md that the program knows: ``python -m tests.readme``; a test compares."""

from collections.abc import Iterator
from pathlib import Path

from catchpan.cli.exits import MEANINGS
from catchpan_service.settings import described_settings
from tests.pages import placed

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
            *(
                f"| `{name}` | {f'`{default}`' if default else ''} | {meaning} |"
                for name, default, meaning in described_settings()
            ),
        ],
    )


def written(text: str) -> str:
    """The text with every table as the program knows it."""
    for name, lines in tables():
        text = placed(text, f"{name}: python -m tests.readme", lines)
    return text


if __name__ == "__main__":
    README.write_text(written(README.read_text()))

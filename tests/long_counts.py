"""Runs the long counts and writes what came of them into DEVELOPERS.md: ``sh tests/run --long``."""

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.pages import placed

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "DEVELOPERS.md"


class Outcomes:
    """What each long test came to, and how long it took."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, str, float]] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when == "call" or report.outcome != "passed":
            self.rows.append((report.nodeid, report.outcome, report.duration))


def written(page: str, rows: list[tuple[str, str, float]], commit: str, today: str) -> str:
    """The page with the last outcomes in their place."""
    lines = [f"{today}, commit {commit}.", "", "| long count | outcome | seconds |", "| --- | --- | --- |"]
    lines += [f"| {name} | {outcome} | {seconds:.0f} |" for name, outcome, seconds in sorted(rows)]
    return placed(page, "long counts", lines)


def main() -> int:
    """Run, write, and give pytest's exit code."""
    outcomes = Outcomes()
    code = pytest.main(["-m", "long", "-q", *sys.argv[1:]], plugins=[outcomes])
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.strip()
    PAGE.write_text(written(PAGE.read_text(), outcomes.rows, commit, f"{datetime.now(UTC):%Y-%m-%d}"))
    return int(code)


if __name__ == "__main__":
    sys.exit(main())

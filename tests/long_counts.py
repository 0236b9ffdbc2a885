"""Runs the long counts and writes what came of them into DEVELOPERS.md: ``sh tests/run --long``."""

import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.pages import placed

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "DEVELOPERS.md"
_ROW = re.compile(r"^\| (tests/\S+::.+?) \|(.*)$", re.MULTILINE)


class Outcomes:
    """What each long test came to, and how long it took."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, str, float]] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when == "call" or report.outcome != "passed":
            self.rows.append((report.nodeid, report.outcome, report.duration))


def written(page: str, rows: list[tuple[str, str, float]], commit: str, today: str) -> str:
    """The page with the last outcome of each long count in its place; those that were not run now keep theirs."""
    told = dict(_ROW.findall(page))
    told |= {name: f" {outcome} | {seconds:.0f} | {today} | {commit} |" for name, outcome, seconds in rows}
    lines = ["| long count | outcome | seconds | date | commit |", "| --- | --- | --- | --- | --- |"]
    return placed(page, "long counts", lines + [f"| {name} |{told[name]}" for name in sorted(told)])


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

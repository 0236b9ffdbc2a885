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
    """What each long test came to, and how long it took; ``there`` are all of the files that were looked at."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, str, float]] = []
        self.there: set[str] = set()

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        self.there = {item.nodeid for item in items}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when == "call" or report.outcome != "passed":
            self.rows.append((report.nodeid, report.outcome, report.duration))


def written(page: str, rows: list[tuple[str, str, float]], there: set[str], commit: str, today: str) -> str:
    """The page with the last outcome of each long count in its place.

    Those that were not run now keep theirs, as long as they are ``there`` or nobody looked into their file.
    """
    files = {name.split("::")[0] for name in there}
    told = {name: row for name, row in _ROW.findall(page) if name in there or name.split("::")[0] not in files}
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
    PAGE.write_text(written(PAGE.read_text(), outcomes.rows, outcomes.there, commit, f"{datetime.now(UTC):%Y-%m-%d}"))
    return int(code)


if __name__ == "__main__":
    sys.exit(main())

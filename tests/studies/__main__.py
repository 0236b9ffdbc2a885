"""Run a study and print what it finds: ``python -m tests.studies coverage``."""

import sys

from . import coverage, detective, monte_carlo, pans, plan, throws

STUDIES = {
    "coverage": coverage.report,
    "detective": detective.report,
    "monte_carlo": monte_carlo.report,
    "plan": plan.report,
    "throws": throws.report,
    "pans": pans.report,
}


def main() -> None:
    """Print the study that was asked for."""
    name = sys.argv[1] if len(sys.argv) == 2 else ""
    if name not in STUDIES:
        raise SystemExit(f"usage: python -m tests.studies {'|'.join(STUDIES)}")
    print(STUDIES[name]())


main()

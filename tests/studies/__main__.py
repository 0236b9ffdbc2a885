"""Run a study and print what it finds, or all of them: ``python -m tests.studies coverage``."""

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
    """Print the studies that were asked for; without a name all."""
    names = sys.argv[1:] or list(STUDIES)
    if not set(names) <= set(STUDIES):
        raise SystemExit(f"usage: python -m tests.studies [{'|'.join(STUDIES)}]")
    for name in names:
        print(f"--- {name}\n{STUDIES[name]()}\n", flush=True)


main()

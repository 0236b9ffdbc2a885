"""``catchpan fleet``: a whole fleet from files, and to files."""

import sys
from collections import Counter
from pathlib import Path

from cyclopts import App

from catchpan.cli.connection import Common
from catchpan.cli.printing import put as print_line
from catchpan.cli.printing import put_json, put_table, say
from catchpan.contract.bulk import BulkAnswers
from catchpan.errors import TableError
from catchpan.fleet.files import read_files, write_files
from catchpan.fleet.putting import Outcome, put
from catchpan.fleet.sheets import SHEETS
from catchpan.fleet.stored import stored
from catchpan.fleet.writing import template as template_of
from catchpan.fleet.writing import written

app = App(name="fleet", help="A whole fleet from files, and to files.", help_format="plaintext")
_DEFAULT = Common()
_OUTCOMES = ("added", "changed", "unchanged", "refused")


@app.command(name="import")
def import_(*files: Path, dry_run: bool = False, per_item: bool = False, common: Common = _DEFAULT) -> None:
    """Put what stands in files in place: new lines are added, lines that differ replace what has their name.

    Example: catchpan fleet import machines.csv branches.csv --dry-run

    Files are called materials, machine_kinds, branches, machines, commissionings and catches, with .csv behind; sheets
    of a spreadsheet file (.xlsx) have the same names. Everything that is wrong is told, and nothing is stored then.
    Catches become a new draft of their profile. What is not in the files stays as it is.

    Parameters
    ----------
    files
        CSV files, folders of them, or spreadsheet files.
    dry_run
        Say what would happen, and store nothing.
    per_item
        Store every line that is good, whatever is wrong with others.
    """
    if not files:
        raise TableError("name the files to import, or a folder of them")
    fleet = read_files(files)
    with common.client(stores=True) as client:
        outcome = put(client, fleet, dry_run=dry_run, per_item=per_item, tell=_tell)
    if common.json:
        put_json(BulkAnswers(items=[answer for _, answer in outcome.answers]))
    else:
        _show(outcome)
    say("nothing stored: this was a dry run" if dry_run else "stored")
    if outcome.wrong:
        raise TableError("\n  ".join([f"{len(outcome.wrong):,} to mend:", *outcome.wrong]))


@app.command
def export(place: Path, /, *, common: Common = _DEFAULT) -> None:
    """Write the whole fleet to CSV files in a folder, or to one spreadsheet file; an import of them changes nothing.

    Example: catchpan fleet export fleet.xlsx

    Parameters
    ----------
    place
        A folder for CSV files, or the name of a file that ends with .xlsx.
    """
    with common.client(stores=True) as client:
        found = stored(client, _tell)
    _told(write_files(place, {sheet.name: written(sheet, found[sheet.name]) for sheet in SHEETS}), common)


@app.command
def template(place: Path, /, *, common: Common = _DEFAULT) -> None:
    """Write empty files to fill in: a header, a line of units, and an invented example that an import passes over.

    Example: catchpan fleet template fleet.xlsx

    Parameters
    ----------
    place
        A folder for CSV files, or the name of a file that ends with .xlsx.
    """
    _told(write_files(place, {sheet.name: template_of(sheet) for sheet in SHEETS}), common)


def _tell(what: str) -> None:
    """A step of long work, where somebody looks."""
    if sys.stderr.isatty():
        say(what)


def _told(paths: list[Path], common: Common) -> None:
    if common.json:
        put_json([str(path) for path in paths])
        return
    for path in paths:
        print_line(str(path))


def _show(outcome: Outcome) -> None:
    counted = Counter(
        (sheet.title, "refused" if answer.result is None else answer.result.outcome.value)
        for sheet, answer in outcome.answers
    )
    titles = [sheet.title for sheet in SHEETS if any(name == sheet.title for name, _ in counted)]
    put_table(["", *_OUTCOMES], [[title, *(str(counted[title, one]) for one in _OUTCOMES)] for title in titles])
    for profile, number in outcome.drafts:
        said = "the catches are there already" if number is None else f"catches in draft {number}"
        print_line(f"{profile}: {said}")

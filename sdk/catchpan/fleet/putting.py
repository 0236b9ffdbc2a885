"""Lines of a fleet's files put in place on a service; every fault is told by file, line and column."""

import re
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import msgspec

from catchpan.contract.bulk import MAX_ITEMS, BulkItem, BulkItemAnswer
from catchpan.contract.curves import FlowCurveRequest
from catchpan.contract.problems import Problem
from catchpan.contract.profiles import Content, Profile, RevisionRequest
from catchpan.errors import ProblemError, TableError
from catchpan.fleet.files import Fleet
from catchpan.fleet.reading import Line
from catchpan.fleet.sheets import SHEETS, Path, Sheet
from catchpan.fleet.stored import Tell, content_of

_ITEM = re.compile(r"/items/(\d+)((?:/.*)?)")
_CATCH = re.compile(r"/content/calibration/catches/(\d+)((?:/.*)?)")


class Drafted(NamedTuple):
    """What the catches of one profile became: the number of a new draft, None where they are there already."""

    profile: str
    number: int | None


class Outcome(NamedTuple):
    """What became of the lines: of those of bulk changes each with its sheet, of catches for each profile."""

    answers: list[tuple[Sheet, BulkItemAnswer]]
    drafts: list[Drafted]
    wrong: list[str]


class _Draft(NamedTuple):
    profile: Profile
    lines: list[Line]
    request: RevisionRequest | None


def put(client: Any, fleet: Fleet, *, dry_run: bool, per_item: bool, tell: Tell) -> Outcome:
    """Put all lines in place together, or each by itself; catches come last, as a new draft of their profile.

    Raises
    ------
    TableError
        Together, for anything that is wrong: nothing is stored then.
    """
    placed = [(sheet, line) for sheet in SHEETS if sheet.member for line in fleet.lines[sheet.name]]
    drafts, wrong = _drafts(client, fleet.lines["catches"])
    if per_item:
        answers, faults = _each(client, placed, dry_run, tell)
        drafted, others = _drafted(client, drafts, dry_run)
        return Outcome(answers, drafted, [*fleet.wrong, *faults, *wrong, *others])
    return _together(client, placed, drafts, [*fleet.wrong, *wrong], dry_run, tell)


def _together(
    client: Any, placed: list[tuple[Sheet, Line]], drafts: list[_Draft], wrong: list[str], dry_run: bool, tell: Tell
) -> Outcome:
    if len(placed) > MAX_ITEMS:
        raise TableError(f"{len(placed):,} lines are too many to be put in place together: at most {MAX_ITEMS:,} are")
    if wrong or drafts or dry_run:
        tell(f"checking {len(placed):,} lines")
        answers, faults = _bulk(client, placed, dry_run=True)
        drafted, others = _drafted(client, drafts, dry_run=True)
        wrong = [*wrong, *faults, *others]
        if not wrong and dry_run:
            return Outcome(answers, drafted, [])
    if not wrong:
        tell(f"putting {len(placed):,} lines in place")
        answers, wrong = _bulk(client, placed, dry_run=False)
    if wrong:
        raise TableError("\n  ".join([f"nothing was stored; {len(wrong):,} to mend:", *wrong]))
    drafted, others = _drafted(client, drafts, dry_run=False)
    return Outcome(answers, drafted, others)


def _bulk(
    client: Any, placed: list[tuple[Sheet, Line]], *, dry_run: bool
) -> tuple[list[tuple[Sheet, BulkItemAnswer]], list[str]]:
    """All of them in one write; what is wrong with any, where it is refused."""
    if not placed:
        return [], []
    try:
        answer = client.bulk([_item(*one) for one in placed], dry_run=dry_run)
    except ProblemError as error:
        lines = [line for _, line in placed]
        found = list(_faults(error.problem, _ITEM, lines, behind=1))
        if not found:
            raise
        return [], found
    results = zip(placed, answer.items, strict=True)
    return [(sheet, BulkItemAnswer(result=result)) for (sheet, _), result in results], []


def _each(
    client: Any, placed: list[tuple[Sheet, Line]], dry_run: bool, tell: Tell
) -> tuple[list[tuple[Sheet, BulkItemAnswer]], list[str]]:
    answers: list[tuple[Sheet, BulkItemAnswer]] = []
    wrong: list[str] = []
    for start in range(0, len(placed), MAX_ITEMS):
        some = placed[start : start + MAX_ITEMS]
        tell(f"putting lines {start + 1:,} to {start + len(some):,} of {len(placed):,} in place")
        answer = client.bulk_items([_item(*one) for one in some], dry_run=dry_run)
        for (sheet, line), told in zip(some, answer.items, strict=True):
            answers.append((sheet, told))
            if told.problem is not None:
                wrong += [_fault(line, one, one.pointer, behind=1) for one in told.problem.errors]
    return answers, wrong


def _item(sheet: Sheet, line: Line) -> BulkItem:
    return BulkItem(**{sheet.member: line.value})


def _faults(problem: Problem, at: re.Pattern[str], lines: Sequence[Line], *, behind: int) -> Iterator[str]:
    """The faults of a problem that are those of lines."""
    for fault in problem.errors:
        if match := at.fullmatch(fault.pointer):
            yield _fault(lines[int(match[1])], fault, match[2], behind=behind)


def _fault(line: Line, fault: Any, pointer: str, *, behind: int) -> str:
    """A fault by its line; the first ``behind`` steps of the pointer are not within the value of the line."""
    steps = [int(step) if step.isdigit() else step for step in pointer.split("/")[1:]]
    where: Path = tuple(steps[behind:])
    allowed = f"; allowed: {fault.allowed}" if fault.allowed else ""
    return line.refuse(where, f"{fault.detail}{allowed}")


def _drafts(client: Any, lines: list[Line]) -> tuple[list[_Draft], list[str]]:
    """For each profile that is named, the revision that its catches make."""
    if not lines:
        return [], []
    known = {name: one for one in client.all_profiles() for name in (one.id, one.name)}
    found: dict[str, list[Line]] = {}
    wrong = []
    for line in lines:
        if line.value.profile in known:
            found.setdefault(known[line.value.profile].id, []).append(line)
        else:
            wrong.append(line.refuse(("profile",), f"there is no profile {line.value.profile!r}"))
    return [_draft(client, known[profile], own) for profile, own in found.items()], wrong


def _draft(client: Any, profile: Profile, lines: list[Line]) -> _Draft:
    """The latest revision with other catches; none where that, or the one in use, has just these."""
    caught = [line.value.caught for line in lines]
    numbers = {number for number in (profile.latest, profile.released) if number is not None}
    contents = {number: content_of(client, profile.id, number) for number in numbers}
    if any(one.calibration is not None and one.calibration.catches == caught for one in contents.values()):
        return _Draft(profile, lines, None)
    last = Content(format=1) if profile.latest is None else contents[profile.latest]
    calibration = last.calibration or FlowCurveRequest(catches=caught)
    content = msgspec.structs.replace(
        last, calibration=msgspec.structs.replace(calibration, catches=caught), curve=None
    )
    return _Draft(profile, lines, RevisionRequest(content=content, parent=profile.latest, note="catches of a file"))


def _drafted(client: Any, drafts: list[_Draft], dry_run: bool) -> tuple[list[Drafted], list[str]]:
    made, wrong = [], []
    for profile, lines, request in drafts:
        try:
            number = None if request is None else client.add_revision(profile.id, request, dry_run=dry_run).number
        except ProblemError as error:
            found = list(_faults(error.problem, _CATCH, [_within(line) for line in lines], behind=0))
            wrong += found or [lines[0].refuse(("profile",), f"the catches of {profile.name}: {error}")]
        else:
            made.append(Drafted(profile.name, number))
    return made, wrong


def _within(line: Line) -> Line:
    """A line by the places within its catch."""
    cells = {path[1:]: cell for path, cell in line.cells.items() if len(path) > 1}
    return line._replace(cells=cells)

"""What is due as iCalendar (RFC 5545), the format of calendar programs.

Everybody who asks on one day (UTC) gets the same bytes while nothing changes, so that asking again is cheap.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from typing import Final

from catchpan.contract.dues import Due, DueKind

CALENDAR: Final = "text/calendar"
LONGEST: Final = 75
"""Octets of a line, without its end (RFC 5545, 3.1)."""

_WORK: Final = {
    DueKind.COMMISSIONING: "Commission {}",
    DueKind.CHECK: "Check {}",
    DueKind.CALIBRATION: "Calibrate {}: the provisional revision ends",
}
_TELLING: Final = re.compile(r"([\\;,])")
_CONTROL: Final = re.compile(r"[\x00-\x09\x0b-\x1f\x7f]")


def calendar(items: Iterable[Due], *, yards: Mapping[str, str], name: str, today: date) -> bytes:
    """A calendar with an event of a day for each thing that is due.

    Parameters
    ----------
    items : iterable of Due
    yards : mapping
        Names of branches, by their ids.
    name : str
        Name of the organisation.
    today : date
        Where what is overdue stands, and what was never done.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Catchpan//What is due//EN", f"NAME:{_text(f'Due at {name}')}"]
    lines += [line for due in items for line in _event(due, yards, today)]
    return "".join(f"{part}\r\n" for line in [*lines, "END:VCALENDAR"] for part in _folded(line)).encode()


def _event(due: Due, yards: Mapping[str, str], today: date) -> Iterator[str]:
    day = today if due.due is None else due.due.date()
    where = "all branches" if due.branch is None else yards.get(due.branch, due.branch)
    yield "BEGIN:VEVENT"
    yield f"UID:{due.kind.value}-{due.subject}-{due.branch or 'all'}"
    yield f"DTSTAMP:{today:%Y%m%d}T000000Z"
    yield f"DTSTART;VALUE=DATE:{max(day, today):%Y%m%d}"
    yield f"SUMMARY:{_text(_WORK[due.kind].format(due.name))}"
    yield f"LOCATION:{_text(where)}"
    if due.due is None:
        yield "DESCRIPTION:Never done yet"
    elif day < today:
        yield f"DESCRIPTION:Due since {day:%Y-%m-%d}"
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


def _text(value: str) -> str:
    """A value of the type TEXT (RFC 5545, 3.3.11), without the control characters that it cannot hold."""
    return _CONTROL.sub(" ", _TELLING.sub(r"\\\1", value)).replace("\n", r"\n")


def _folded(line: str) -> Iterator[str]:
    """A line in pieces that are short enough, each but the first behind a space; no character is cut in two."""
    if len(line.encode()) <= LONGEST:
        yield line
        return
    begin, size = 0, 0
    for place, one in enumerate(line):
        octets = len(one.encode())
        if size + octets > LONGEST:
            yield f"{' ' if begin else ''}{line[begin:place]}"
            begin, size = place, 1
        size += octets
    yield f"{' ' if begin else ''}{line[begin:]}"

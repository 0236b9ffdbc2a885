"""Each night, hand the accounting system what changed since the night before, as CSV files.

    CATCHPAN_KEY=catchpan-... python nightly_export.py http://127.0.0.1:8420 /var/spool/catchpan

A reader's key is enough. The first night writes every material and every profile that is or was released; each later
night only those that changed, and no file at all where nothing did.

The folder keeps ``cursor.txt``: up to where the feed of changes was read. Files are named by the position that they
reach, appear whole, and come before the cursor moves. So a night that is cut short is written again under the same
names, and nothing is left out.
"""

import argparse
import csv
import io
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from catchpan import Catchpan
from catchpan.contract.materials import Material
from catchpan.contract.profiles import Profile
from catchpan.errors import GoneError

MATERIAL = ["material", "name", "maker", "nature", "bag", "bag unit", "changed"]
PROFILE = ["profile", "name", "material", "machine kind", "revision", "digest", "released", "released by", "check due"]


class News(NamedTuple):
    """What to write, the position that it reaches, and the cursor to go on from."""

    materials: list[Material]
    profiles: list[Profile]
    reaches: str
    cursor: str


def main() -> None:
    """Write the files of one night."""
    asked = argparse.ArgumentParser(description="Write what changed since the last run as CSV files.")
    asked.add_argument("server", help="address of the service")
    asked.add_argument("folder", type=Path, help="where the files go, and the cursor stays")
    told = asked.parse_args()
    with Catchpan(told.server, key=os.environ["CATCHPAN_KEY"]) as client:
        for file in export(client, told.folder):
            print(file)


def export(client: Catchpan, folder: Path) -> list[Path]:
    """Write what changed since the cursor of the folder, move the cursor, and name the files."""
    mark = folder / "cursor.txt"
    news = since(client, mark.read_text(encoding="utf-8")) if mark.exists() else everything(client)
    tables = {
        "materials": (MATERIAL, [material_row(one) for one in news.materials]),
        "profiles": (PROFILE, [row for one in news.profiles for row in profile_rows(client, one)]),
    }
    written = []
    for name, (header, rows) in tables.items():
        if rows:
            file = folder / f"{news.reaches}-{name}.csv"
            put_whole(file, lines([header, *rows]))
            written.append(file)
    put_whole(mark, news.cursor)
    return written


def everything(client: Catchpan) -> News:
    """All there is. The cursor is taken first: what changes meanwhile is written twice rather than never."""
    page = client.snapshot(limit=200)
    while page.next is not None:
        page = client.snapshot(after=page.next, limit=200)
    assert page.cursor is not None  # the last page of a snapshot always brings it
    reaches = named(page.epoch, page.position)
    return News(list(client.all_materials()), list(client.all_profiles()), reaches, page.cursor)


def since(client: Catchpan, cursor: str) -> News:
    """What changed after a cursor; everything, if the service was restored or no longer tells changes that old."""
    materials, profiles = set(), set()
    try:
        while True:
            page = client.changes(after=cursor, limit=200)
            cursor = page.next
            materials |= {one.id for one in page.items if one.kind == "material"}
            profiles |= {one.id.partition("/")[0] for one in page.items if one.kind == "revision"}
            if not page.more:
                break
    except GoneError:
        return everything(client)
    return News(
        [client.material(one) for one in sorted(materials)],
        [client.profile(one) for one in sorted(profiles)],
        named(page.epoch, page.complete_through),
        cursor,
    )


def named(epoch: int, position: int) -> str:
    """A name that sorts in the order of the feed."""
    return f"{epoch:03d}-{position:09d}"


def material_row(one: Material) -> list[str]:
    """A material as the accounting system wants it."""
    bag = ["", ""] if one.bag is None else [str(one.bag.value), one.bag.unit]
    return [one.id, one.name, one.maker, one.nature, *bag, one.changed.isoformat()]


def profile_rows(client: Catchpan, one: Profile) -> Iterator[list[str]]:
    """A profile with the revision in use; blank behind the machine kind if none is in use any more.

    One that was never released is of no concern to the accounting system, and gives no row.
    """
    known = [one.id, one.name, one.material, one.machine_kind]
    if one.released is not None:
        used = client.revision(one.id, one.released)
        released = used.released.isoformat() if used.released else ""
        due = used.check_due.isoformat() if used.check_due else ""
        yield [*known, str(used.number), used.digest, released, used.released_by or "", due]
    elif any(revision.released for revision in client.all_revisions(one.id)):
        yield [*known, "", "", "", "", ""]


def lines(rows: Iterable[list[str]]) -> str:
    """Rows as CSV. Text that a spreadsheet would take for a formula gets an apostrophe in front."""
    text = io.StringIO(newline="")
    csv.writer(text).writerows([harmless(cell) for cell in row] for row in rows)
    return text.getvalue()


def harmless(cell: str) -> str:
    """A cell that no spreadsheet computes."""
    return f"'{cell}" if cell.startswith(("=", "+", "-", "@", "\t", "\r")) else cell


def put_whole(file: Path, text: str) -> None:
    """Write a file so that it is there whole or not at all."""
    beside = file.with_suffix(".part")
    beside.write_text(text, encoding="utf-8", newline="")
    beside.replace(file)


if __name__ == "__main__":
    main()

"""A fleet as tables: nothing is lost on the way, and every line that is wrong is named."""

import csv
import io
import re
import time
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import openpyxl
import pytest
import python_calamine
from hypothesis import given, settings
from hypothesis import strategies as st

from catchpan.cells import harmless, meant
from catchpan.contract.branches import BranchRequest
from catchpan.contract.bulk import BulkCommissioning, BulkMachine
from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.errors import TableError
from catchpan.fleet.files import as_csv, read_files, write_files
from catchpan.fleet.reading import Grid, read_grid
from catchpan.fleet.sheets import SHEETS, Caught
from catchpan.fleet.writing import template, written
from catchpan_service.examples import fleet, job

SHEET = {sheet.name: sheet for sheet in SHEETS}
TEXT = st.text(st.characters(exclude_characters="\x00", exclude_categories=["Cs"]), max_size=12)
NAME = TEXT.map(str.strip).filter(bool)
TAG = st.text(st.characters(exclude_characters="\x00,", exclude_categories=["Cs"]), min_size=1, max_size=5)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e9, max_value=1e9)


def quantity(*units):
    return st.none() | st.builds(lambda value, unit: {"value": value, "unit": unit}, NUMBERS, st.sampled_from(units))


def made(kind, **members):
    return st.lists(st.builds(lambda **found: msgspec.convert(found, kind), **members), max_size=4)


VALUES = st.fixed_dictionaries({
    "materials": made(
        MaterialRequest, name=NAME, maker=TEXT, note=TEXT, pesticide=st.booleans(), bag=quantity("lb", "kg"),
        nature=st.sampled_from(["fertiliser", "seed"]), label_highest_rate=quantity("lb/1000ft2", "g/m2"),
        size_guide_number=st.none() | st.floats(1, 2000),
    ),
    "machine_kinds": made(MachineKindRequest, name=NAME, gates=st.integers(1, 2), opening_step=quantity("%", "1")),
    "branches": made(BranchRequest, name=NAME, tags=st.lists(TAG, max_size=3), note=TEXT),
    "machines": made(BulkMachine, name=NAME, branch=NAME, machine_kind=NAME, serial=TEXT),
    "commissionings": st.lists(
        st.builds(
            lambda machine, closed, tyres: msgspec.convert(
                {"machine": machine, "record": fleet.COMMISSIONING | {
                    "gates": [{"closed": closed, "open": 905}],
                    "tyres": [{"where": one, "pressure": {"value": 12, "unit": "psi"}} for one in tyres]}},
                BulkCommissioning,
            ),
            NAME, NUMBERS, st.lists(NAME, max_size=4),
        ), max_size=3,
    ),
    "catches": made(
        Caught, profile=NAME,
        caught=st.builds(
            lambda mass, note: {"opening": {"value": 20, "unit": "%"}, "duration": {"value": 60, "unit": "s"},
                                "note": note} | ({"mass": mass} if mass else {}),
            quantity("lb", "kg", "oz"), TEXT,
        ),
    ),
})  # fmt: skip


def tables(values):
    return {name: written(sheet, values[name]) for name, sheet in SHEET.items() if name in values}


def values_of(read):
    return {name: [line.value for line in lines] for name, lines in read.lines.items()}


@pytest.mark.parametrize("place", ["folder", "fleet.xlsx"])
@given(values=VALUES)
@settings(max_examples=60)
def test_what_is_written_reads_back_as_what_it_was(tmp_path_factory, place, values):
    folder = tmp_path_factory.mktemp("fleet")
    write_files(folder / place, tables(values))
    read = read_files([folder / place])
    assert read.wrong == []
    assert values_of(read) == values
    write_files(folder / f"again {place}", tables(values_of(read)))
    for one in (folder / place).iterdir() if place == "folder" else [folder / place]:
        again = folder / f"again {one.relative_to(folder)}"
        assert again.read_bytes() == one.read_bytes()


@given(TEXT)
def test_text_that_was_made_harmless_is_meant_as_before(text):
    assert meant(harmless(text)) == text
    assert not harmless(text).startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize("place", ["folder", "fleet.xlsx"])
def test_text_is_no_formula_in_any_file(tmp_path, place):
    names = ["=1+1", "+1", "-1", "@SUM(A1)", "'=1", "http://invented.example", "0107"]
    found = {"branches": [BranchRequest(name=name, note="\t=1") for name in names]}
    write_files(tmp_path / place, tables(found))
    assert values_of(read_files([tmp_path / place]))["branches"] == found["branches"]
    if place == "folder":
        cells = [one for row in csv.reader(io.StringIO((tmp_path / place / "branches.csv").read_text())) for one in row]
    else:
        sheet = openpyxl.load_workbook(tmp_path / place)["branches"]
        cells = [one.value for row in sheet for one in row if one.value]
        assert {one.data_type for row in sheet for one in row if one.value} == {"s"}
    assert not [one for one in cells if one.startswith(("=", "+", "-", "@", "\t"))]


def test_a_spreadsheet_file_is_what_other_programs_read(tmp_path):
    kinds = [MachineKindRequest(name="Ride-on 120", gates=2)]
    path = tmp_path / "fleet.xlsx"
    write_files(path, {sheet.name: written(sheet, []) for sheet in SHEETS} | tables({"machine_kinds": kinds}))
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == [sheet.title for sheet in SHEETS]
    assert [[one.value for one in row] for row in book["machine kinds"]][1][:3] == ["Ride-on 120", 2, 1]
    other = python_calamine.CalamineWorkbook.from_path(str(path))
    assert other.get_sheet_by_name("machine kinds").to_python()[1][:3] == ["Ride-on 120", 2, 1]


@pytest.mark.parametrize("place", ["folder", "fleet.xlsx"])
def test_a_template_says_units_and_its_example_is_passed_over(tmp_path, place):
    write_files(tmp_path / place, {sheet.name: template(sheet) for sheet in SHEETS})
    read = read_files([tmp_path / place])
    assert (read.wrong, [line for lines in read.lines.values() for line in lines]) == ([], [])
    for sheet in SHEETS:
        marks = [line[0] for line in template(sheet)]
        assert marks == ["mark", "units", "example"]
        unmarked = [list(map(str, line[1:])) for line in template(sheet)]
        lines = [(1, unmarked[0]), (2, unmarked[2])]
        assert [one.value for one in read_grid(sheet, Grid("x", lines)).lines] == [sheet.example]


def read_text(name, text):
    return read_grid(SHEET[name], Grid(f"{name}.csv", list(enumerate(csv.reader(io.StringIO(text)), start=1))))


def test_a_line_of_units_names_the_units_that_the_header_leaves_open():
    read = read_text("materials", "mark,name,bag\nunits,,kg\n,Sample,20\n,Other,4 lb 6 oz\n")
    assert [(one.value.bag.value, one.value.bag.unit) for one in read.lines] == [(20, "kg"), (4.375, "lb")]


@pytest.mark.parametrize(
    ("name", "text", "where", "why"),
    [
        ("materials", "", "materials.csv", "nothing in it"),
        ("materials", "name,colour\nx,red\n", "line 1", "column 'colour' is not known"),
        ("materials", "maker\nx\n", "line 1", "the column 'name' is missing"),
        ("materials", "name,name\nx,y\n", "line 1", "stands twice"),
        ("materials", "name;bag\nx;y\n", "line 1", "semicolons"),
        ("materials", "name,bag [ft]\nx,1\n", "line 1, column 'bag [ft]'", "cannot be its unit"),
        ("materials", "name [lb]\nx\n", "line 1, column 'name [lb]'", "it has no unit"),
        ("materials", "mark,name,bag [lb]\nunits,,kg\n,x,1\n", "line 2, column 'bag [lb]'", "the header says lb"),
        ("materials", "mark,name\nexample,x\nunits,\n", "line 3, column 'mark'", "example"),
        ("materials", "name,bag\nx,1\n", "line 2, column 'bag'", "has no unit"),
        ("materials", "name,bag\nx,1 ft\n", "line 2, column 'bag'", "is a unit of length"),
        ("materials", 'name,bag [lb]\nx,"1,5"\n', "line 2, column 'bag [lb]'", "decimal point"),
        ("materials", "name,bag [lb]\nx,1,5\n", "line 2", "3 cells for 2 columns"),
        ("materials", "name,pesticide\nx,maybe\n", "line 2, column 'pesticide'", "neither true nor false"),
        ("materials", "name,nature\nx,paint\n", "line 2, column 'nature'", "paint"),
        ("materials", "name,size guide number\nx,215 SGN\n", "line 2, column 'size guide number'", "no number"),
        ("materials", "name,size guide number\nx,nan\n", "line 2, column 'size guide number'", "no number"),
        ("machines", "name,branch,machine kind\n,y,z\n", "line 2, column 'name'", "every line needs it"),
        ("machines", "name,branch,machine kind\nx ,y,z\n", "line 2, column 'name'", "blank"),
        ("branches", f"name,note\nx,{'y' * 2001}\n", "line 2, column 'note'", "2000"),
        ("machine_kinds", "name,gates\nx,1.5\n", "line 2, column 'gates'", "int"),
        ("commissionings", "machine,done,by,gate 1 closed,gate 1 open\nx,2026-03-02,me,1,2\n",
         "line 2, column 'done'", "RFC3339"),
        ("commissionings", "machine,done,by,gate 1 closed,gate 1 open\nx,2026-03-02T09:30:00Z,me,1,\n",
         "line 2, column 'gate 1 open'", "needed"),
        ("commissionings", "machine,done,by,gate 2 closed,gate 2 open\nx,2026-03-02T09:30:00Z,me,1,2\n",
         "line 2, column 'gate 2 closed'", "fill the columns of number 1 first"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_by_file_line_and_column(name, text, where, why):
    read = read_text(name, text)
    assert read.lines == []
    (told,) = read.wrong
    assert told.startswith(name)
    assert where in told
    assert why in told


def test_every_bad_line_is_named_and_every_good_one_is_read():
    lines = [f"AH-{n:05},North yard,Ride-on 120" for n in range(10_000)]
    lines[6173], lines[8000] = "AH-06173,North yard", "AH-08000,North yard,Ride-on 120,more"
    read = read_text("machines", "\n".join(["name,branch,machine kind", *lines]))
    assert len(read.lines) == 9998
    assert [one.split(": ")[0] for one in read.wrong] == [
        "machines.csv, line 6175, column 'machine kind'", "machines.csv, line 8002"
    ]  # fmt: skip


CELL = st.text(st.sampled_from('ab1.-+= ,;"\n\x00[%]é😀'), max_size=6)
COLUMNS = st.sampled_from([one.name for one in SHEET["materials"].columns] + ["bag [lb]", "mark", "", "x"])


@given(header=st.lists(COLUMNS, max_size=5), cells=st.lists(st.lists(CELL, max_size=6), max_size=5))
def test_whatever_stands_in_a_file_each_line_is_read_or_named(header, cells):
    lines = list(enumerate([header, *cells], start=1))
    read = read_grid(SHEET["materials"], Grid("materials.csv", lines))
    filled = [number for number, line in lines if any(one.strip() for one in line)]
    told = {int(match[1]) for one in read.wrong if (match := re.search(r", line (\d+)", one))}
    good = {next(iter(one.cells.values())).line for one in read.lines}
    if not filled or filled[0] in told:
        assert (bool(read.wrong), good) == (True, set())
    else:
        assert told | good == set(filled[1:])


@given(st.binary(max_size=400))
def test_whatever_bytes_a_file_holds_it_is_read_or_refused(tmp_path_factory, body):
    folder = tmp_path_factory.mktemp("bytes")
    for name in ("materials.csv", "fleet.xlsx"):
        (folder / name).write_bytes(body)
        read = read_files([folder / name])
        assert read.wrong or name == "materials.csv"


def sound(folder):
    path = folder / "sound.xlsx"
    write_files(path, tables({"branches": [BranchRequest(name="North yard")]}))
    return path


@given(places=st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 255)), min_size=1, max_size=4))
@settings(max_examples=200)
def test_a_damaged_spreadsheet_file_is_read_or_refused(tmp_path_factory, places):
    folder = tmp_path_factory.mktemp("damaged")
    body = bytearray(sound(folder).read_bytes())
    for place, value in places:
        body[place % len(body)] = value
    (folder / "damaged.xlsx").write_bytes(body)
    read = read_files([folder / "damaged.xlsx"])
    assert read.wrong or len(read.lines["branches"]) <= 1


def rewritten(path, **parts):
    """The file with some parts replaced."""
    out = path.with_name("made.xlsx")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for one in old.namelist():
            new.writestr(one, parts.get(Path(one).stem, old.read(one)))
    return out


def refused_at_once(path):
    began = time.perf_counter()
    (told,) = read_files([path]).wrong
    assert time.perf_counter() - began < 1
    assert path.name in told
    return told


def test_a_file_that_would_inflate_to_gigabytes_is_refused_before_it_does(tmp_path):
    path = tmp_path / "bomb.xlsx"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as made,
        made.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part,
    ):
        for _ in range(1100):
            part.write(b" " * 1_048_576)
    assert path.stat().st_size < 10_000_000
    assert "1,153 MB" in refused_at_once(path)


def test_a_file_that_lies_about_what_it_inflates_to_is_refused(tmp_path):
    path = tmp_path / "liar.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("xl/worksheets/sheet1.xml", b" " * 300_000_000)
    body = path.read_bytes()
    path.write_bytes(body.replace((300_000_000).to_bytes(4, "little"), (1000).to_bytes(4, "little")))
    assert "no spreadsheet file" in refused_at_once(path)


def test_a_file_of_very_many_parts_is_refused(tmp_path):
    path = tmp_path / "parts.xlsx"
    with zipfile.ZipFile(path, "w") as made:
        for number in range(1001):
            made.writestr(f"part{number}", b"")
    assert "1,001 parts" in refused_at_once(path)


@pytest.mark.parametrize("place", ["XFD1048576", "A1048576", "ZZZZZZZZZ1", "A99999999999999"])
def test_a_cell_that_is_far_away_makes_no_giant_of_a_sheet(tmp_path, place):
    far = f'<worksheet><sheetData><row r="1"><c r="A1"/><c r="{place}"><v>1</v></c></row></sheetData></worksheet>'
    assert "reaches to" in refused_at_once(rewritten(sound(tmp_path), sheet1=far.encode()))


def test_a_day_that_a_spreadsheet_knows_as_such_is_asked_for_its_zone(tmp_path):
    path = tmp_path / "fleet.xlsx"
    book = openpyxl.Workbook()
    book.active.title = "commissionings"
    book.active.append(["machine", "done", "by", "gate 1 closed", "gate 1 open"])
    book.active.append(["AH-07", datetime(2026, 3, 2, 9, 30, tzinfo=UTC).replace(tzinfo=None), "R. Example", 212, 905])
    book.save(path)
    (told,) = read_files([path]).wrong
    assert "line 2, column 'done'" in told


def test_a_file_whose_name_says_nothing_is_refused(tmp_path):
    (tmp_path / "list.csv").write_text("name\nx\n")
    assert "name it one of materials" in read_files([tmp_path / "list.csv"]).wrong[0]
    assert "no such file" in read_files([tmp_path / "machines.csv"]).wrong[0].lower()


def test_a_workbook_has_the_same_bytes_every_time(tmp_path):
    made = [tmp_path / f"{n}.xlsx" for n in range(2)]
    for path in made:
        write_files(path, tables({"materials": [msgspec.convert(job.MATERIAL, MaterialRequest)]}))
        time.sleep(1.1)
    assert made[0].read_bytes() == made[1].read_bytes()


def test_a_csv_is_that_of_the_standard():
    assert as_csv(written(SHEET["branches"], [BranchRequest(name='a "b", c', tags=["x", "y"])])) == (
        b'name,tags,note\r\n"a ""b"", c","x, y",\r\n'
    )


def test_a_table_error_is_what_a_place_that_cannot_be_written_is(tmp_path):
    for place in (tmp_path / "there" / "fleet.xlsx", tmp_path / "file" / "folder"):
        (tmp_path / "file").write_text("x")
        with pytest.raises(TableError):
            write_files(place, tables({"branches": []}))

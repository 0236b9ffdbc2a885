"""Catch files and pan files: what spreadsheets really write is read, and what is wrong is named by its place."""

import csv
import io

import msgspec
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from catchpan.contract.coverages import Hole, Ring
from catchpan.contract.curves import Catch
from catchpan.contract.overlaps import PanRow
from catchpan.errors import TableError
from catchpan.quantities import Lengths, Mass, Masses, Ratio, Time
from catchpan.tables import read_catches, read_outline, read_pans

CATCHES = "opening [%],mass [lb],duration [s]\n22,1.71,60\n38,3.71,30\n"
TWO = [
    Catch(opening=Ratio(22.0, "%"), mass=Mass(1.71, "lb"), duration=Time(60.0, "s")),
    Catch(opening=Ratio(38.0, "%"), mass=Mass(3.71, "lb"), duration=Time(30.0, "s")),
]


@pytest.fixture
def file(tmp_path):
    """Writes an invented file."""

    def write(content, name="catches.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


@pytest.mark.parametrize(
    "content",
    [
        CATCHES,
        CATCHES.rstrip("\n"),
        "\ufeff" + CATCHES,
        CATCHES.replace("\n", "\r\n"),
        CATCHES.replace("\n", "\r"),
        CATCHES.replace("\n", "\n\n"),
        CATCHES.replace("\n", "\n,,\n"),
        "Opening [%], Mass [lb] ,DURATION[ s ]\n 22 , 1.71 ,60\n38,3.71,30\n",
        "opening,mass,duration\n22 %,1.71 lb,60 s\n38 %,3.71 lb,0:30\n",
        "opening [%],mass,duration\n22,1.71 lb,1:00\n38,3.71 lb,30 s\n",
        '"opening [%]","mass [lb]","duration [s]"\n"22","1.71","60"\n"38","3.71","30"\n',
        "duration [s],opening [%],mass [lb],stream,gates,note\n60,22,1.71,,,\n30,38,3.71,steady,both,\n",
        "opening [%],mass [kg],duration [s]\n22,1.71 lb,60\n38,3.71 lb,30\n",
    ],
    ids=["plain", "no last newline", "BOM", "CRLF", "CR", "blank lines", "empty rows", "spaces and case", "units in cells",
         "units in both", "quoted", "all columns", "own unit first"],
)  # fmt: skip
def test_good_catch_files_are_read(file, content):
    assert read_catches(file(content)) == TWO


def test_pounds_and_ounces_are_read_in_a_cell(file):
    gross = "opening [%],gross,tare,duration\n22,4 lb 6 oz,1 lb 4 oz,1:00\n"
    (catch,) = read_catches(file(gross))
    assert (catch.gross, catch.tare, catch.mass) == (Mass(4.375, "lb"), Mass(1.25, "lb"), None)


def test_a_note_may_hold_commas_quotes_and_a_newline(file):
    content = 'opening [%],mass [lb],duration [s],note\n22,1.71,60,"wet, ""clumps""\nsecond line"\n38,3.71,30,\n'
    first, second = read_catches(file(content))
    assert first.note == 'wet, "clumps"\nsecond line'
    assert second == TWO[1]


def test_the_line_after_a_newline_in_a_note_is_still_named_rightly(file):
    content = 'opening [%],mass [lb],duration [s],note\n22,1.71,60,"one\ntwo"\n38,x,30,\n'
    with pytest.raises(TableError, match=r"^catches.csv, line 4, column 'mass \[lb\]': 'x' is no mass"):
        read_catches(file(content))


def test_an_own_stream_and_gate_are_read(file):
    content = "opening [%],mass [lb],duration [s],stream,gates\n12,0,60,stopped,left\n"
    (catch,) = read_catches(file(content))
    assert (catch.stream, catch.gates, catch.mass) == ("stopped", "left", Mass(0.0, "lb"))


COLUMNS = "allowed are opening, mass, gross, tare, duration, stream, gates, note"
HEAD = "opening [%],mass [lb],duration [s]\n"
REFUSED = {
    "semicolons": (
        "opening [%];mass [lb];duration [s]\n22;1,71;60\n",
        "catches.csv, line 1: separated by semicolons; save the file with commas",
    ),
    "tabs": (
        "opening [%]\tmass [lb]\tduration [s]\n22\t1.71\t60\n",
        "catches.csv, line 1: separated by tabs; save the file with commas",
    ),
    "decimal comma, quoted": (
        HEAD + '22,"1,71",60\n',
        "catches.csv, line 2, column 'mass [lb]': '1,71': write the number with a decimal point and no thousands comma",
    ),
    "decimal comma, unquoted": (
        HEAD + "22,1,71,60\n",
        "catches.csv, line 2: 4 cells for 3 columns; write numbers with a decimal point",
    ),
    "too few cells": (
        HEAD + "22,1.71,60\n38,3.71\n",
        "catches.csv, line 3: 2 cells for 3 columns",
    ),
    "unknown column": (
        "opening [%],mass [lb],duration [s],weather\n22,1.71,60,dry\n",
        f"catches.csv, line 1: column 'weather' is not known; {COLUMNS}",
    ),
    "unreadable column": (
        "opening [%],mass [lb,duration [s]\n22,1.71,60\n",
        f"catches.csv, line 1: column 'mass [lb' is not known; {COLUMNS}",
    ),
    "missing column": (
        "opening [%],mass [lb]\n22,1.71\n",
        "catches.csv, line 1: the column 'duration' is missing",
    ),
    "doubled column": (
        "opening [%],mass [lb],mass [kg],duration [s]\n22,1.71,0.78,60\n",
        "catches.csv, line 1: the column 'mass' stands twice",
    ),
    "unknown unit in the header": (
        "opening [%],mass [stone],duration [s]\n22,1.71,60\n",
        "catches.csv, line 2, column 'mass [stone]': 'stone' is not a known unit; allowed for mass: lb, oz, kg, g",
    ),
    "unknown unit in a cell": (
        HEAD + "22,1.71 st,60\n",
        "catches.csv, line 2, column 'mass [lb]': 'st' is not a known unit; allowed for mass: lb, oz, kg, g",
    ),
    "wrong dimension in the header": (
        "opening [%],mass [ft],duration [s]\n22,1.71,60\n",
        "catches.csv, line 2, column 'mass [ft]': 'ft' is a unit of length, not of mass; allowed for mass: lb, oz, kg, g",
    ),
    "wrong dimension in a cell": (
        HEAD + "22,1.71 m,60\n",
        "catches.csv, line 2, column 'mass [lb]': 'm' is a unit of length, not of mass; allowed for mass: lb, oz, kg, g",
    ),
    "empty unit": (
        "opening [%],mass [],duration [s]\n22,1.71,60\n",
        "catches.csv, line 2, column 'mass []': '' is not a known unit; allowed for mass: lb, oz, kg, g",
    ),
    "no unit": (
        "opening [%],mass,duration [s]\n22,1.71,60\n",
        "catches.csv, line 2, column 'mass': '1.71' has no unit: write it as a number and a unit, one of lb, oz, kg, g",
    ),
    "a number too large": (
        HEAD + "22,1e999,60\n",
        "catches.csv, line 2, column 'mass [lb]': '1e999' is no mass: write a number and a unit, one of lb, oz, kg, g",
    ),
    "NUL in a number": (
        HEAD + "22,1.7\x001,60\n",
        "catches.csv, line 2, column 'mass [lb]': '\\x001' is not a known unit",
    ),
    "NUL in a note": (
        "opening [%],mass [lb],duration [s],note\n22,1.71,60,dry\x00\n",
        "catches.csv, line 2, column 'note': 'dry\\x00' is not allowed",
    ),
    "note too long": (
        "opening [%],mass [lb],duration [s],note\n22,1.71,60," + "x" * 2001 + "\n",
        "catches.csv, line 2, column 'note': ",
    ),
    "cell too long for CSV": (
        "opening [%],mass [lb],duration [s],note\n22,1.71,60," + "x" * 140_000 + "\n",
        "catches.csv, line 2: this is no CSV file (field larger than field limit (131072))",
    ),
    "not UTF-8": (
        HEAD.encode() + b"22,1.71\xb1,60\n",
        "catches.csv: save the file as CSV in UTF-8 (byte 42 is not)",
    ),
    "UTF-16": (
        CATCHES.encode("utf-16"),
        "catches.csv: save the file as CSV in UTF-8 (byte 0 is not)",
    ),
    "empty file": ("", "catches.csv: the file is empty"),
    "blank lines only": ("\n\n , ,\n", "catches.csv: the file is empty"),
    "header only": (HEAD, "catches.csv, line 1: nothing stands below the header"),
    "no opening": (HEAD + ",1.71,60\n", "catches.csv, line 2, column 'opening [%]': every catch needs its opening"),
    "no duration": (HEAD + "22,1.71,\n", "catches.csv, line 2, column 'duration [s]': every catch needs its duration"),
    "no mass": (HEAD + "22,,60\n", "catches.csv, line 2: a catch needs a mass, or gross and tare"),
    "gross without tare": (
        "opening [%],gross [lb],duration [s]\n22,1.71,60\n",
        "catches.csv, line 2: a catch needs a mass, or gross and tare",
    ),
    "unknown stream": (
        "opening [%],mass [lb],duration [s],stream\n22,1.71,60,fine\n",
        "catches.csv, line 2, column 'stream': 'fine' is not allowed: write steady, pulsing or stopped",
    ),
    "unknown gate": (
        "opening [%],mass [lb],duration [s],gates\n22,1.71,60,middle\n",
        "catches.csv, line 2, column 'gates': 'middle' is not allowed: write both, left or right",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_wrong_in_a_catch_file_is_named_by_file_line_and_column(file, what):
    content, message = REFUSED[what]
    with pytest.raises(TableError) as refusal:
        read_catches(file(content))
    assert str(refusal.value).startswith(message)


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(TableError, match=r"none\.csv: No such file or directory"):
        read_catches(tmp_path / "none.csv")
    with pytest.raises(TableError, match="Is a directory"):
        read_catches(tmp_path)


PANS = "position [ft],row 1 [g],row 2 opposite [g]\n-2,1.1,\n0,9,8.8\n2,1,0\n"


@pytest.mark.parametrize(
    "content",
    [
        PANS,
        "\ufeff" + PANS.replace("\n", "\r\n"),
        "row 1 [g],row 2 opposite [g],position [ft]\n1.1,,-2\n9,8.8,0\n1,0,2\n",
        "Position,ROW 1,Row 2 Opposite\n-2 ft,1.1 g,\n0 ft,9 g,8.8 g\n2 ft,1 g,0 g\n",
    ],
)
def test_good_pan_files_are_read_with_missing_and_empty_pans_apart(file, content):
    positions, rows = read_pans(file(content), passes=3)
    assert positions == Lengths([-2.0, 0.0, 2.0], "ft")
    assert rows == [
        PanRow(masses=Masses([1.1, 9.0, 1.0], "g"), passes=3),
        PanRow(masses=Masses([None, 8.8, 0.0], "g"), passes=3, heading="opposite"),
    ]


def test_a_row_of_pans_is_told_in_the_unit_of_its_first(file):
    _, rows = read_pans(file("position [ft],row 1\n-1,1 lb\n0,8 oz\n1,2 lb 4 oz\n"))
    assert rows[0].masses == Masses([1.0, 0.5, 2.25], "lb")


REFUSED_PANS = {
    "no rows of pans": ("position [ft]\n0\n", "pans.csv: no pans: a column 'position' and a column 'row 1' are needed"),
    "no positions": ("row 1 [g]\n1\n", "pans.csv, line 1: the column 'position' is missing"),
    "header only": ("position [ft],row 1 [g]\n", "pans.csv, line 1: nothing stands below the header"),
    "an empty position": (
        "position [ft],row 1 [g]\n0,1\n,2\n",
        "pans.csv, line 3, column 'position [ft]': a pan needs a position",
    ),
    "unknown column": (
        "position [ft],left [g]\n0,1\n",
        "pans.csv, line 1: column 'left [g]' is not known; allowed are position, row 1, row 2 … and row 2 opposite",
    ),
    "doubled row": ("position [ft],row 1 [g],row 1 [g]\n0,1,1\n", "pans.csv, line 1: the column 'row 1' stands twice"),
    "wrong dimension": (
        "position [ft],row 1 [ft]\n0,1\n",
        "pans.csv, line 2, column 'row 1 [ft]': 'ft' is a unit of length, not of mass; allowed for mass: lb, oz, kg, g",
    ),
    "no unit": (
        "position,row 1 [g]\n0,1\n",
        "pans.csv, line 2, column 'position': '0' has no unit: write it as a number and a unit, one of ft, in, m, cm, mm",
    ),
    "semicolons": (
        "position [ft];row 1 [g]\n0;1\n",
        "pans.csv, line 1: separated by semicolons; save the file with commas",
    ),
    "empty file": ("", "pans.csv: the file is empty"),
}


@pytest.mark.parametrize("what", REFUSED_PANS)
def test_what_is_wrong_in_a_pan_file_is_named(file, what):
    content, message = REFUSED_PANS[what]
    with pytest.raises(TableError) as refusal:
        read_pans(file(content, "pans.csv"))
    assert str(refusal.value) == message


tokens = st.sampled_from(
    ["opening", "opening [%]", "mass", "mass [lb]", "gross [kg]", "tare [g]", "duration", "duration [s]", "stream", "note",
     "gates", "position", "position [ft]", "row 1", "row 1 [g]", "row 2 opposite [oz]", "22", "22 %", "1.71 lb", "4 lb 6 oz",
     "1:30", "0", "-1", "1e300 kg", "1e308 g", "1e-320", "", " ", "left", "steady", "x", "[", "]", "\x00", "½", "٣", "1,5"]
) | st.text(max_size=6)  # fmt: skip
HEADERS = [
    ["opening [%]", "mass [lb]", "duration [s]"],
    ["opening", "gross", "tare", "duration", "stream", "note"],
    ["position [ft]", "row 1 [g]", "row 2 opposite"],
]
numbers = st.sampled_from(["22", "1.5", "0", "", "3 lb 4 oz", "1:30", "5 %", "2 ft", "1e99 kg", "1e-320 g", "steady"])
nearly_good = st.sampled_from(HEADERS).flatmap(
    lambda header: st.lists(st.tuples(*[numbers | tokens for _ in header]).map(list), max_size=4).map(
        lambda rows: [header, *rows]
    )
)
tables = st.lists(st.lists(tokens, max_size=6), max_size=6) | nearly_good


def as_csv(rows):
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    return out.getvalue().encode("utf-8", "surrogatepass")


def refused(read, path):
    """The refusal of a file, or None; what is read must have come whole."""
    try:
        found = read(path)
    except TableError as error:
        return error
    if read is read_catches:
        assert msgspec.json.decode(msgspec.json.encode(found), type=list[Catch]) == found
    else:
        assert all(len(row.masses.values) == len(found[0].values) for row in found[1])
    return None


@given(
    st.binary(max_size=200)
    | st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass"))
    | tables.map(as_csv)
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200)
@example(b"position [ft],row 1\n0,1 lb\n1,1e308 kg\n")
@example(b"position [ft],row 1\n0,1 lb\n1,1e999 kg\n")
@example(b"opening [%],mass [lb],duration [s],note\n1,1,1,\xed\xa0\x80\n")
@pytest.mark.parametrize("read", [read_catches, read_pans])
def test_any_file_is_read_or_refused_by_its_name_and_nothing_else(tmp_path, read, content):
    path = tmp_path / "any.csv"
    path.write_bytes(content)
    refusal = refused(read, path)
    assert refusal is None or str(refusal).startswith("any.csv")


LAWN = "ring,x [ft],y [ft]\noutline,0,0\noutline,30,0\npond,5,5\noutline,30,20\npond,9,5\npond,9,2 m\n"


def test_an_outline_is_read_ring_by_ring(file):
    outline, holes = read_outline(file(LAWN))
    assert outline == Ring(x=Lengths([0.0, 30.0, 30.0], "ft"), y=Lengths([0.0, 0.0, 20.0], "ft"))
    (pond,) = holes
    assert (pond.name, pond.x) == ("pond", Lengths([5.0, 9.0, 9.0], "ft"))
    assert pond.y.values == pytest.approx([5, 5, 2 / 0.3048])
    assert isinstance(pond, Hole)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (LAWN.replace("outline", "lawn"), "catches.csv: no row has the ring 'outline'"),
        (LAWN.replace("30,20", ",20"), "catches.csv, line 5, column 'x [ft]': every corner needs its x"),
        (LAWN.replace("pond,5,5", ",5,5"), "catches.csv, line 4, column 'ring': every corner needs its ring"),
        (
            LAWN.replace("y [ft]", "z [ft]"),
            "catches.csv, line 1: column 'z [ft]' is not known; allowed are ring, x and y",
        ),
        (
            LAWN.replace("y [ft]", "y [lb]"),
            "catches.csv, line 2, column 'y [lb]': 'lb' is a unit of mass, not of length",
        ),
    ],
)
def test_what_is_wrong_in_an_outline_is_named(file, content, message):
    with pytest.raises(TableError) as refusal:
        read_outline(file(content))
    assert str(refusal.value).startswith(message)

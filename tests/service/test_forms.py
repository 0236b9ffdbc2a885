"""Lists as CSV for a spreadsheet, and answers in no form that the caller takes."""

import csv
import io

import openpyxl
import pytest
from python_calamine import CalamineWorkbook

from catchpan.contract.problems import Slug
from catchpan_service.forms import XLSX, chosen
from tests.scenario import example, is_problem, operations, season, serving

LISTS = [
    one for one in operations().values() if "text/csv" in one.described["responses"].get("200", {}).get("content", {})
]


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("forms")) as made:
        yield made


@pytest.fixture(scope="module")
def ours(web):
    return season(web, in_use=True, trial=True)


def rows(answer):
    assert answer.headers["content-type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(answer.content.decode(), newline="")))


@pytest.mark.parametrize("operation", LISTS, ids=lambda one: one.id)
def test_a_list_as_csv_has_the_rows_of_the_list(web, ours, operation):
    plain = web.send("GET", operation.path(ours))
    found = rows(web.send("GET", operation.path(ours), Accept="text/csv"))
    items = plain.json()["items"]
    assert len(found) == len(items)
    for row, item in zip(found, items, strict=True):
        for name, value in item.items():
            if isinstance(value, str):
                assert row[name].removeprefix("'") == value


@pytest.mark.parametrize("operation", LISTS, ids=lambda one: one.id)
def test_a_list_as_xlsx_has_the_cells_of_its_csv(web, ours, operation):
    plain = csv.reader(io.StringIO(web.send("GET", operation.path(ours), Accept="text/csv").text, newline=""))
    answer = web.send("GET", operation.path(ours), Accept=XLSX)
    assert answer.headers["content-type"] == XLSX
    (sheet,) = openpyxl.load_workbook(io.BytesIO(answer.content)).worksheets
    theirs = [["" if cell is None else cell for cell in row] for row in sheet.iter_rows(values_only=True)]
    again = CalamineWorkbook.from_filelike(io.BytesIO(answer.content)).get_sheet_by_index(0).to_python()
    for wanted, *found in zip(plain, theirs, again, strict=True):
        for row in found:
            for told, cell in zip(wanted, row, strict=True):
                assert told.removeprefix("'") == str(cell) or float(told) == cell
    assert web.send("GET", operation.path(ours), Accept=XLSX).content == answer.content


def test_the_lists_are_those_with_pages():
    assert {"listMaterials", "listMachines", "listProfiles", "listRevisions", "listCorrections"} <= {
        one.id for one in LISTS
    }
    assert "listChanges" not in {one.id for one in LISTS}


def test_a_quantity_has_a_column_for_its_value_and_one_for_its_unit(web, ours):
    (row,) = [one for one in rows(web.send("GET", "/v1/materials", Accept="text/csv")) if one["id"] == ours.material]
    assert (row["bag.value"], row["bag.unit"]) == ("50.0", "lb")
    assert (row["analysis.nitrogen.value"], row["analysis.phosphate.value"]) == ("24.0", "")


def test_an_empty_list_has_its_columns(web, ours):
    answer = web.send("GET", "/v1/corrections", key="other owner", Accept="text/csv")
    assert answer.text.startswith("id,profile,number,digest,machine,")
    assert answer.text.count("\r\n") == 1


def test_pages_go_on_by_the_link(web, ours):
    first = web.send("GET", "/v1/materials?limit=1", Accept="text/csv")
    second = web.http.get(
        first.links["next"]["url"], headers={"authorization": f"Bearer {web.keys['owner']}", "accept": "text/csv"}
    )
    assert rows(first)[0]["id"] != rows(second)[0]["id"]


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_text_that_a_spreadsheet_would_run_is_made_harmless_and_numbers_stay_numbers(web, start):
    name = f"{start}cmd|x {ord(start)}"
    body = example("addMaterial") | {"name": name, "note": "-5"}
    made = web.made("POST", "/v1/materials", body)["id"]
    (row,) = [one for one in rows(web.send("GET", "/v1/materials?limit=200", Accept="text/csv")) if one["id"] == made]
    assert row["name"] == f"'{name}"
    assert row["note"] == "'-5"
    assert float(row["bag.value"]) == 50


@pytest.mark.parametrize(
    ("accept", "offered", "wanted"),
    [
        (None, "jc", "j"), ("", "jc", "j"), ("*/*", "jc", "j"), ("text/csv", "jc", "c"), ("text/*", "jc", "c"),
        ("text/csv;q=0.5, application/json", "jc", "j"), ("application/json;q=0.1, text/csv", "jc", "c"),
        ("*/*;q=0.1, text/csv;q=0", "jc", "j"), ("text/csv", "j", None), ("application/json;q=0", "j", None),
        ("text/html, application/xhtml+xml, */*;q=0.8", "jc", "j"), ("nonsense", "j", None), ("APPLICATION/JSON", "j", "j"),
    ],
)  # fmt: skip
def test_the_form_is_the_one_that_the_caller_likes_best(accept, offered, wanted):
    names = {"j": "application/json", "c": "text/csv", None: None}
    assert chosen(accept, [names[one] for one in offered]) == names[wanted]


@pytest.mark.parametrize("operation", operations().values(), ids=operations())
def test_an_answer_in_no_form_that_the_caller_takes_is_not_made(web, ours, operation):
    stored = web.dump()
    told = is_problem(operation.call(web, ours, "other form ", Accept="application/xml"), Slug.NOT_ACCEPTABLE)
    assert operation.form in told.errors[0].allowed
    assert web.dump() == stored

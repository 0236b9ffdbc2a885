"""Every published value is met, and DEVELOPERS.md shows them as the program computes them."""

import pytest

from .row import Row
from .table import PAGE, rows, written


@pytest.mark.parametrize("row", rows(), ids=str)
def test_what_was_printed_is_what_we_compute(row):
    row.check()


def test_the_page_shows_the_values_as_computed():
    assert written(PAGE.read_text()) == PAGE.read_text(), "run python -m tests.published"


def test_no_value_stands_twice():
    told = [(row.computation, row.source) for row in rows()]
    assert len(set(told)) == len(told)


@pytest.mark.parametrize(
    ("printed", "ours", "more"),
    [("1.77", 1.776, {}), ("4", 4.1, {"near": 0.09}), ("4 5", [4.0, 5.3], {"share": 0.05}), ("4 5", 4.0, {}),
     ("4", 4.3, {"exact": "4.25"}), ("4", float("nan"), {})],
)  # fmt: skip
def test_a_value_that_is_off_is_noticed(printed, ours, more):
    with pytest.raises(AssertionError):
        Row("made up", "nobody", printed, lambda: ours, **more).check()

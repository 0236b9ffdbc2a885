"""The long counts find their place in DEVELOPERS.md."""

import pytest

from tests.long_counts import PAGE, written


def test_the_outcomes_replace_those_before():
    page = written(PAGE.read_text(), [("tests/x.py::test_y", "passed", 12.3)], "abc1234", "2031-04-07")
    assert "| tests/x.py::test_y | passed | 12 |" in page
    again = written(page, [("tests/z.py::test_z", "failed", 1.0)], "abc1235", "2031-04-08")
    assert "test_y" not in again
    assert "2031-04-08, commit abc1235." in again


def test_a_page_without_a_place_is_refused():
    with pytest.raises(LookupError):
        written("# nothing", [], "abc1234", "2031-04-07")

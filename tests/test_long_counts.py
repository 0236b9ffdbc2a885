"""The long counts find their place in DEVELOPERS.md."""

import pytest

from tests.long_counts import PAGE, written


def test_an_outcome_replaces_the_one_before_and_others_stay():
    page = written(PAGE.read_text(), [("tests/x.py::test_y[1-2]", "passed", 12.3)], set(), "abc1234", "2031-04-07")
    assert "| tests/x.py::test_y[1-2] | passed | 12 | 2031-04-07 | abc1234 |" in page
    later = written(page, [("tests/z.py::test_z", "failed", 1.0)], set(), "abc1235", "2031-04-08")
    assert "| tests/x.py::test_y[1-2] | passed | 12 | 2031-04-07 | abc1234 |" in later
    again = written(later, [("tests/x.py::test_y[1-2]", "failed", 1.0)], set(), "abc1236", "2031-04-09")
    assert "abc1234" not in again
    assert "| tests/z.py::test_z | failed | 1 | 2031-04-08 | abc1235 |" in again


def test_the_outcome_of_a_test_that_is_there_no_more_is_left_out():
    page = written(PAGE.read_text(), [("tests/x.py::test_old", "passed", 1.0)], set(), "abc1234", "2031-04-07")
    assert "test_old" in written(page, [], {"tests/z.py::test_z"}, "abc1235", "2031-04-08")
    assert "test_old" not in written(page, [], {"tests/x.py::test_new"}, "abc1235", "2031-04-08")


def test_a_page_without_a_place_is_refused():
    with pytest.raises(LookupError):
        written("# nothing", [], set(), "abc1234", "2031-04-07")

"""Cursors go back to the list they came from, and nowhere else."""

from uuid import UUID

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from catchpan_service.store import cursors
from catchpan_service.store.errors import BadCursor

OFFICE, OTHER = UUID(int=1), UUID(int=2)


@given(organisation=st.uuids(), scope=st.text(max_size=20), last=st.text(st.characters(codec="utf-8"), max_size=60))
def test_a_cursor_gives_back_what_was_written(organisation, scope, last):
    scope = scope.encode(errors="replace").decode()
    assert cursors.read(organisation, scope, cursors.write(organisation, scope, last)) == last


@pytest.mark.parametrize(("organisation", "scope"), [(OTHER, "material"), (OFFICE, "profile")])
def test_a_cursor_of_another_organisation_or_list_is_refused(organisation, scope):
    cursor = cursors.write(OFFICE, "material", "abc")
    with pytest.raises(BadCursor, match="does not belong to this list"):
        cursors.read(organisation, scope, cursor)


@given(at=st.integers(0), letter=st.sampled_from("ABCxyz019-_"))
def test_a_cursor_with_one_other_letter_is_refused(at, letter):
    cursor = cursors.write(OFFICE, "material", "01900000-0000-7000-8000-000000000001")
    at %= len(cursor)
    changed = cursor[:at] + letter + cursor[at + 1 :]
    if changed == cursor:
        assert cursors.read(OFFICE, "material", changed)
        return
    with pytest.raises(BadCursor):
        cursors.read(OFFICE, "material", changed)


@given(st.text())
@example("")
@example("é")
@example("AAAA")
@example("=" * 8)
@example("\ud800")
def test_any_other_text_is_refused(text):
    with pytest.raises(BadCursor):
        cursors.read(OFFICE, "material", text)

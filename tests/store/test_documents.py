"""Materials and machine kinds: names, versions, pages. Both are kept in the same way."""

import itertools
from uuid import UUID

import pytest

from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import Analysis, MaterialRequest
from catchpan.quantities import Mass, Rate, Ratio
from catchpan_service.store import machine_kinds, materials
from catchpan_service.store.errors import BadCursor, Conflict, NotFound, Stale
from tests.store.office import do

KINDS = [
    pytest.param(materials, lambda name, note="": MaterialRequest(name=name, note=note), id="materials"),
    pytest.param(machine_kinds, lambda name, note="": MachineKindRequest(name=name, note=note), id="machine_kinds"),
]
each_kind = pytest.mark.parametrize(("store", "request_for"), KINDS)


def test_a_material_comes_back_as_it_was_sent(database, office):
    sent = MaterialRequest(
        name="Granules 16-4-8",
        maker="Invented Mill",
        analysis=Analysis(nitrogen=Ratio(16, "%")),
        bag=Mass(50, "lb"),
        label_highest_rate=Rate(4.5, "lb/1000ft2"),
        size_guide_number=215,
        note="größer als 2 mm ≥ 1\u2028",
    )
    stored = do(database, office, materials.add, sent)
    read = database.read_now(materials.get, office.organisation, UUID(stored.id))
    assert read == stored
    assert {name: getattr(read, name) for name in sent.__struct_fields__} == {
        name: getattr(sent, name) for name in sent.__struct_fields__
    }
    assert (read.version, read.created) == (1, read.changed)


@each_kind
def test_a_name_is_used_once(database, office, store, request_for):
    first = do(database, office, store.add, request_for("One"))
    with pytest.raises(Conflict, match="is called One") as refused:
        do(database, office, store.add, request_for("One"))
    assert (refused.value.field, refused.value.existing) == ("name", first.id)


@each_kind
def test_a_replacement_may_not_take_a_name_in_use(database, office, store, request_for):
    do(database, office, store.add, request_for("One"))
    second = do(database, office, store.add, request_for("Two"))
    with pytest.raises(Conflict, match="is called One"):
        do(database, office, store.replace, UUID(second.id), request_for("One"), {1})


@each_kind
def test_a_replacement_raises_the_version_and_keeps_the_creation(database, office, store, request_for):
    first = do(database, office, store.add, request_for("One"))
    second = do(database, office, store.replace, UUID(first.id), request_for("One", "moved"), {1})
    assert database.read_now(store.get, office.organisation, UUID(first.id)) == second
    assert (second.id, second.version, second.note) == (first.id, 2, "moved")
    assert second.created == first.created < second.changed


@each_kind
@pytest.mark.parametrize("expected", [{2}, {3, 2}, set()])
def test_a_replacement_of_another_version_is_refused_with_what_is_there(database, office, store, request_for, expected):
    first = do(database, office, store.add, request_for("One"))
    with pytest.raises(Stale, match="the current version is 1") as refused:
        do(database, office, store.replace, UUID(first.id), request_for("Two"), expected)
    assert refused.value.current == first
    assert database.read_now(store.get, office.organisation, UUID(first.id)) == first


@each_kind
@pytest.mark.parametrize("expected", [{1}, {7, 1}, None])
def test_a_replacement_of_a_version_among_those_expected_is_stored(database, office, store, request_for, expected):
    first = do(database, office, store.add, request_for("One"))
    assert do(database, office, store.replace, UUID(first.id), request_for("Two"), expected).version == 2


@each_kind
def test_a_missing_one_cannot_be_replaced(database, office, store, request_for):
    with pytest.raises(NotFound):
        do(database, office, store.replace, office.key, request_for("One"), None)


@each_kind
def test_pages_hold_everything_once_while_others_write(database, office, store, request_for):
    before = [do(database, office, store.add, request_for(f"Before {n}")) for n in range(23)]
    seen, cursor = [], None
    for n in itertools.count():
        page = database.read_now(store.page, office.organisation, cursor, 5)
        seen += page.items
        do(database, office, store.add, request_for(f"Between {n}"))
        do(database, office, store.replace, UUID(before[n].id), request_for(f"Renamed {n}"), None)
        cursor = page.next
        if cursor is None or n > 20:
            break
    ids = [item.id for item in seen]
    assert len(ids) == len(set(ids))
    assert {item.id for item in before} <= set(ids)


@each_kind
def test_a_last_page_that_is_full_has_no_next(database, office, store, request_for):
    for n in range(4):
        do(database, office, store.add, request_for(f"{n}"))
    first = database.read_now(store.page, office.organisation, None, 2)
    last = database.read_now(store.page, office.organisation, first.next, 2)
    assert (len(first.items), len(last.items), last.next) == (2, 2, None)


def test_a_cursor_of_another_list_is_refused(database, office):
    for n in range(2):
        do(database, office, materials.add, MaterialRequest(name=f"{n}"))
    cursor = database.read_now(materials.page, office.organisation, None, 1).next
    with pytest.raises(BadCursor):
        database.read_now(machine_kinds.page, office.organisation, cursor, 1)


@pytest.mark.parametrize("limit", [0, -1, 201])
def test_a_limit_outside_1_to_200_is_refused(database, office, limit):
    with pytest.raises(ValueError, match="1 to 200"):
        database.read_now(materials.page, office.organisation, None, limit)

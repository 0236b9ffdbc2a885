"""Profiles: one for each material on each machine kind."""

from uuid import UUID

import pytest

from catchpan.contract.profiles import ProfileRequest
from catchpan_service.store import profiles, revisions
from catchpan_service.store.errors import Conflict, NotFound
from tests.store.office import do, draft, machine_kind, material, profile, profile_request


def test_a_new_profile_has_no_revision(database, office):
    request = profile_request(database, office)
    made = do(database, office, profiles.add, request)
    assert database.read_now(profiles.get, office.organisation, UUID(made.id)) == made
    assert (made.material, made.machine_kind, made.name) == (request.material, request.machine_kind, request.name)
    assert (made.version, made.latest, made.released) == (1, None, None)


def test_a_material_has_one_profile_on_a_machine_kind(database, office):
    request = profile_request(database, office)
    first = do(database, office, profiles.add, request)
    with pytest.raises(Conflict, match="has a profile on this machine kind") as refused:
        do(database, office, profiles.add, request)
    assert refused.value.existing == first.id


def test_another_machine_kind_may_have_its_own(database, office):
    request = profile_request(database, office)
    do(database, office, profiles.add, request)
    elsewhere = ProfileRequest(
        material=request.material, machine_kind=str(machine_kind(database, office)), name=request.name
    )
    assert do(database, office, profiles.add, elsewhere).version == 1


@pytest.mark.parametrize("field", ["material", "machine_kind"])
def test_a_part_that_is_not_there_is_named(database, office, field):
    parts = {"material": str(material(database, office)), "machine_kind": str(machine_kind(database, office))}
    request = ProfileRequest(**parts | {field: str(office.key)}, name="Spring")
    with pytest.raises(NotFound) as refused:
        do(database, office, profiles.add, request)
    assert (refused.value.field, refused.value.subject) == (field, str(office.key))


@pytest.mark.parametrize("field", ["material", "machine_kind"])
def test_a_part_of_another_organisation_is_refused_like_one_that_is_not_there(database, office, other, field):
    theirs = {"material": material, "machine_kind": machine_kind}[field](database, other)
    parts = {"material": str(material(database, office)), "machine_kind": str(machine_kind(database, office))}

    def refusal(subject):
        with pytest.raises(NotFound) as refused:
            do(database, office, profiles.add, ProfileRequest(**parts | {field: str(subject)}, name="Spring"))
        return str(refused.value).replace(str(subject), "")

    assert refusal(theirs) == refusal(office.key)


def test_pages_hold_every_profile_once(database, office):
    made = [profile(database, office) for _ in range(7)]
    first = database.read_now(profiles.page, office.organisation, None, 4)
    rest = database.read_now(profiles.page, office.organisation, first.next, 4)
    assert [UUID(item.id) for item in first.items + rest.items] == sorted(made)
    assert rest.next is None


def test_a_new_revision_raises_the_version_of_its_profile(database, office):
    subject = profile(database, office)
    do(database, office, revisions.add, subject, draft())
    kept = database.read_now(profiles.get, office.organisation, subject)
    assert (kept.version, kept.latest, kept.released) == (2, 1, None)

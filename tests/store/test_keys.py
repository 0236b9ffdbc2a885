"""Keys: random, shown once, kept as a hash; they end when they are revoked or expire."""

import re
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from catchpan.contract.branches import BranchRequest
from catchpan.contract.organisations import Role
from catchpan_service import admin
from catchpan_service.store import branches, keys
from catchpan_service.store.errors import Conflict, NotFound
from tests.store.office import by_secret, do, found

NAME = "Larkmead Grounds"
NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


@pytest.fixture
def company(database):
    return found(database, NAME)


def find(database, secret, now=NOW):
    return by_secret(database, secret, now)


def test_a_secret_is_its_prefix_and_43_letters_of_256_random_bits(database, company):
    secrets = {admin.create_key(database, NAME, "office", role=Role.READER).secret for _ in range(20)}
    assert len(secrets) == 20
    assert all(re.fullmatch(r"catchpan-[A-Za-z0-9_-]{43}", secret) for secret in secrets)


def test_a_secret_is_made_of_the_bytes_that_were_drawn():
    assert keys.secret_of(bytes(range(32))) == "catchpan-AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8"
    with pytest.raises(ValueError, match="32 random bytes, not 16"):
        keys.secret_of(bytes(16))


def test_the_hash_is_sha256():
    # FIPS 180-4 example "abc", as published in NIST's file of SHA-256 examples (from memory).
    assert keys.hash_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_key_is_found_by_its_secret_with_what_it_may_do(database, company):
    branch = UUID(do(database, company, branches.add, BranchRequest(name="North yard")).id)
    made = admin.create_key(database, NAME, "shed", role=Role.BRANCH, branch=branch)
    access = find(database, made.secret)
    assert access.organisation == company.organisation
    assert (access.organisation_name, access.units, access.key) == (NAME, "us", made.key.id)
    assert (access.key_name, access.role, access.branch) == ("shed", Role.BRANCH, branch)


def test_a_key_of_a_branch_has_one_that_is_there_and_no_other_key_has(database, company):
    nowhere = UUID("01900000-0000-7000-8000-00000000000b")
    with pytest.raises(NotFound, match="no branch"):
        admin.create_key(database, NAME, "shed", role=Role.BRANCH, branch=nowhere)
    for role, branch in ((Role.BRANCH, None), (Role.READER, nowhere)):
        with pytest.raises(ValueError, match="role branch has a branch"):
            admin.create_key(database, NAME, "shed", role=role, branch=branch)


def test_a_rotated_key_works_beside_the_new_one_until_its_overlap_ends(database, company, clock):
    old = admin.create_key(database, NAME, "office", role=Role.CALIBRATOR)
    new = do(database, company, keys.rotate, old.key.id, keys.hash_of("new secret"), timedelta(hours=2))
    assert (new.name, new.role) == ("office", Role.CALIBRATOR)
    now = clock()
    assert find(database, old.secret, now).role == find(database, "new secret", now).role == Role.CALIBRATOR
    later = now + timedelta(hours=3)
    assert find(database, old.secret, later) is None
    assert find(database, "new secret", later).key == new.id
    admin.revoke_key(database, NAME, new.id)
    with pytest.raises(Conflict, match="ended"):
        do(database, company, keys.rotate, new.id, keys.hash_of("x"), timedelta())


def test_a_key_that_expired_is_not_rotated_and_one_that_ends_sooner_keeps_its_end(database, company, clock):
    ends = clock() + timedelta(hours=1)
    old = admin.create_key(database, NAME, "office", role=Role.READER, expires=ends)
    do(database, company, keys.rotate, old.key.id, keys.hash_of("next"), timedelta(hours=2))
    assert find(database, old.secret, ends - timedelta(minutes=1)) is not None
    assert find(database, old.secret, ends + timedelta(minutes=1)) is None
    clock.wait(hours=2)
    with pytest.raises(Conflict, match="ended"):
        do(database, company, keys.rotate, old.key.id, keys.hash_of("too late"), timedelta(hours=2))


@pytest.mark.parametrize("presented", ["", "catchpan-", "catchpan-" + "A" * 43, "\ud800", "x" * 10_000])
def test_anything_else_is_not_a_key(database, company, presented):
    assert find(database, presented) is None


def test_the_file_holds_no_usable_key(database, place, company):
    secret = admin.create_key(database, NAME, "office", role=Role.OWNER).secret
    kept = place.dump()
    assert secret not in kept
    assert secret.removeprefix(keys.PREFIX) not in kept
    assert find(database, keys.hash_of(secret)) is None


def test_a_new_key_does_not_show_its_secret_by_accident(database, company):
    made = admin.create_key(database, NAME, "office", role=Role.OWNER)
    assert made.secret not in repr(made) + str(made) + f"{made}"


def test_a_revoked_key_is_refused_and_the_other_one_lives_on(database, company):
    old, new = (admin.create_key(database, NAME, "office", role=Role.OWNER) for _ in range(2))
    admin.revoke_key(database, NAME, old.key.id)
    assert find(database, old.secret) is None
    assert find(database, new.secret) is not None


def test_revoking_twice_changes_nothing(database, place, company):
    made = admin.create_key(database, NAME, "office", role=Role.OWNER)
    first = admin.revoke_key(database, NAME, made.key.id)
    before = place.dump()
    assert admin.revoke_key(database, NAME, made.key.id) == first
    assert place.dump() == before


def test_a_key_ends_at_the_instant_it_expires(database, company):
    secret = admin.create_key(database, NAME, "visitor", role=Role.READER, expires=NOW).secret
    assert find(database, secret, NOW - timedelta(milliseconds=1)) is not None
    assert find(database, secret, NOW) is None


def test_a_key_of_another_organisation_cannot_be_revoked(database, company, other):
    with pytest.raises(NotFound, match="There is no key"):
        admin.revoke_key(database, NAME, other.key)


def test_a_role_that_there_is_not_is_refused(database, company):
    with pytest.raises(ValueError, match="no role boss; the roles are owner, calibrator, branch, reader"):
        admin.create_key(database, NAME, "boss", role="boss")


def test_use_is_noted_at_most_hourly_and_leaves_no_other_trace(database, place, clock, company):
    def last_used():
        return next(key.last_used for key in admin.list_keys(database, NAME) if key.id == company.key)

    clock.now = NOW
    before = place.dump()
    assert keys.use_is_due(company, NOW)
    do(database, company, keys.note_use)
    first = last_used()
    assert len(set(place.dump().splitlines()) - set(before.splitlines())) == 1
    clock.wait(minutes=59)
    do(database, company, keys.note_use)
    assert last_used() == first
    clock.wait(minutes=1)
    do(database, company, keys.note_use)
    assert first + timedelta(hours=1) <= last_used() < first + timedelta(hours=1, seconds=1)


def test_use_is_due_again_after_an_hour(database, clock, company):
    clock.now = NOW
    secret = admin.create_key(database, NAME, "office", role=Role.OWNER).secret
    do(database, find(database, secret), keys.note_use)
    used = find(database, secret)
    assert not keys.use_is_due(used, used.last_used + timedelta(minutes=59))
    assert keys.use_is_due(used, used.last_used + timedelta(minutes=60))

"""What a replica believes, asked of the rules alone."""

from datetime import UTC, datetime

import msgspec
import pytest

from catchpan.contract.sync import Target
from catchpan.digest import digest
from catchpan.replica import rules
from catchpan.replica.errors import DifferentError, RolledBackError
from catchpan.replica.rules import Holdings, Line
from tests.sdk.replica.shed import signed_by

SEED = b"s" * 32
OURS, THEIRS, PROFILE = (f"01900000-0000-7000-8000-00000000000{n}" for n in (1, 2, 3))
NOW = datetime(2031, 4, 7, 6, tzinfo=UTC)
ENTRY = b"".join(
    (
        b'{"check_due":null,"digest":"sha256:',
        b"0" * 64,
        b'","machine_kind":"%b","name":"Green","number":1,"profile":"%b"' % (OURS.encode(), PROFILE.encode()),
        b',"state":"released","valid_until":null}',
    )
)


def head(holdings, **altered):
    told = holdings.documents("organisation")
    return {
        "format": 1,
        "organisation": OURS,
        "scope": "organisation",
        "epoch": 1,
        "position": 5,
        "manifest": digest(told.manifest),
        "exceptions": digest(told.exceptions),
        "expires": "2031-04-15T00:00:00Z",
    } | altered


def believed(signed, held=(1, 5)):
    return rules.believed(signed, keys=[signed.key], scope="organisation", organisation=OURS, held=held, now=NOW)


def held_by(target, subject):
    return Holdings({(target, subject, PROFILE): rules.line_of(ENTRY, PROFILE)}, frozenset())


def test_a_good_head_is_believed_at_the_position_that_is_held_and_beyond():
    holdings = held_by(Target.ORGANISATION, OURS)
    for position in (5, 6):
        assert believed(signed_by(SEED, head(holdings, position=position))).position == position
    rules.require(holdings, believed(signed_by(SEED, head(holdings))))


@pytest.mark.parametrize("altered", [{"organisation": THEIRS}, {"scope": f"branch:{THEIRS}"}])
def test_a_head_of_another_organisation_or_scope_is_refused_though_a_trusted_key_signed_it(altered):
    signed = signed_by(SEED, head(held_by(Target.ORGANISATION, OURS), **altered))
    with pytest.raises(DifferentError, match="not of organisation"):
        believed(signed)


@pytest.mark.parametrize("place", [{"position": 4}, {"epoch": 1, "position": 0}])
def test_an_earlier_place_is_a_rollback(place):
    with pytest.raises(RolledBackError):
        believed(signed_by(SEED, head(held_by(Target.ORGANISATION, OURS), **place)))


def test_a_higher_epoch_may_have_a_lower_position():
    assert believed(signed_by(SEED, head(held_by(Target.ORGANISATION, OURS), epoch=2, position=0))).epoch == 2


def test_a_holding_of_the_organisation_that_names_another_subject_is_refused():
    good = believed(signed_by(SEED, head(held_by(Target.ORGANISATION, OURS))))
    with pytest.raises(DifferentError, match="wrong place"):
        rules.require(held_by(Target.ORGANISATION, THEIRS), good)


def test_an_entry_of_another_profile_than_where_it_stands_is_refused():
    with pytest.raises(DifferentError, match="wrong place"):
        rules.line_of(ENTRY, OURS)
    assert rules.line_of(msgspec.Raw(ENTRY), PROFILE) == Line(ENTRY, "sha256:" + "0" * 64)

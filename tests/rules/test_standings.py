"""How a replica stands, for every combination of what it said and what is so."""

import pytest

from catchpan.contract.sync import ReplicaReport, Standing
from catchpan_service.rules.standings import judge

NEW, OLD, STRANGE = ("sha256:new", "sha256:x"), ("sha256:old", "sha256:x"), ("sha256:strange", "sha256:x")


def said(digests, epoch=2):
    return ReplicaReport(epoch=epoch, position=7, manifest=digests[0], exceptions=digests[1])


@pytest.mark.parametrize(
    ("report", "then", "standing", "why"),
    [
        (None, None, Standing.NOT_HEARD_OF, "No replica"),
        (said(NEW), NEW, Standing.IN_STEP, "what it should"),
        (said(OLD), OLD, Standing.BEHIND, "not pulled yet"),
        (said(STRANGE), OLD, Standing.DIFFERENT, "not what was ever released"),
        (said(NEW), OLD, Standing.DIFFERENT, "not what was ever released"),
        (said(NEW), None, Standing.DIFFERENT, "later state"),
        (said(NEW, epoch=1), None, Standing.BEHIND, "has to pull"),
        (said(NEW, epoch=1), NEW, Standing.BEHIND, "has to pull"),
    ],
)
def test_a_replica_stands_by_what_it_said_of_which_position_and_epoch(report, then, standing, why):
    found, told = judge(report, epoch=2, wanted=NEW, then=then)
    assert found == standing
    assert why in told

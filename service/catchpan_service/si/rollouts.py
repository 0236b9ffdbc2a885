"""What a planned rollout changes on the ground, once for each revision that machines run now."""

from collections import Counter
from collections.abc import Mapping

import msgspec

from catchpan.contract.profiles import Content
from catchpan.contract.rollouts import PlannedDifference, PlannedMachine, RolloutRequest
from catchpan.quantities import System
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.si.differences import TOLERANCE, changes
from catchpan_service.si.ranges import require_sound


def require_possible(request: RolloutRequest) -> None:
    """Refuse shares and times that cannot be, and a share of machines that are named one by one.

    Raises
    ------
    CalibrationError
    """
    require_sound(request)
    for index, wave in enumerate(request.waves):
        if wave.machines and wave.share is not None:
            message, allowed = "machines that are named one by one take part all", "a share, or machines"
            raise CalibrationError("bad_share", message, where=("waves", index, "share"), allowed=allowed)


def differences(
    machines: list[PlannedMachine], contents: Mapping[int, bytes], number: int, system: System
) -> list[PlannedDifference]:
    """What changes on machines that run each revision now, or are to where nobody has said."""
    counted = Counter(one.wanted if one.runs is None else one.runs for one in machines)
    after = _content(contents[number])
    return [
        PlannedDifference(
            before=before,
            machines=count,
            changes=[]
            if before is None
            else changes(_content(contents[before]), after, tolerance=TOLERANCE, system=system),
        )
        for before, count in sorted(counted.items(), key=lambda one: one[0] or 0)
    ]


def _content(body: bytes) -> Content:
    return msgspec.json.decode(body, type=Content)

"""Items of a bulk change whose quantities cannot be, or from which nothing follows."""

from collections.abc import Sequence
from datetime import datetime

from catchpan.contract.bulk import BulkItem
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.si.commissionings import judge
from catchpan_service.si.ranges import require_sound


def unsound(items: Sequence[BulkItem], now: datetime) -> dict[int, Exception]:
    """What each single write would refuse without looking at what is stored, by the number of the item."""
    found: dict[int, Exception] = {}
    for number, item in enumerate(items):
        try:
            _require_good(item, now)
        except CalibrationError as error:
            found[number] = error
    return found


def _require_good(item: BulkItem, now: datetime) -> None:
    require_sound(item)
    if item.commissioning is None:
        return
    try:
        judge(item.commissioning.record, None, now, "si")
    except CalibrationError as error:
        error.where = ("commissioning", "record", *error.where)
        raise

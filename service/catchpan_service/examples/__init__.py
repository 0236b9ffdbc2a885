"""One example for each operation that takes a body, from one invented scenario.

Alder Hollow Grounds, its materials, machines and numbers are invented. Those of the computations stand in the table of
``routes/computations.py``.
"""

from typing import Any

from catchpan_service.examples import job

_SOME_ID = "01900000-0000-7000-8000-000000000001"

EXAMPLES: dict[str, Any] = {
    "addMaterial": job.MATERIAL,
    "replaceMaterial": job.MATERIAL,
    "addMachineKind": job.MACHINE_KIND,
    "replaceMachineKind": job.MACHINE_KIND,
    "addProfile": {"material": _SOME_ID, "machine_kind": _SOME_ID, "name": "Hollow Green on ride-ons"},
    "addRevision": {"content": job.CONTENT, "note": "first catches of the season"},
    "replaceRevision": {"content": job.CONTENT, "note": "one more catch at 30 %"},
    "releaseRevision": {"reason": "caught and checked on AH-07"},
    "withdrawRevision": {"reason": "lot L2041 clumps", "because": "unsafe"},
}

"""One example for each operation that takes a body, from one invented scenario.

Alder Hollow Grounds, its materials, machines and numbers are invented. Those of the computations stand in the table of
``routes/computations.py``.
"""

from typing import Any

from catchpan_service.examples import fleet, job

_SOME_ID = "01900000-0000-7000-8000-000000000001"
_SOME_DIGEST = "sha256:" + "0" * 64
_BRANCH = {"name": "North yard", "tags": ["ice"]}
_MACHINE = {"name": "AH-07", "branch": _SOME_ID, "machine_kind": _SOME_ID, "serial": "invented 0107"}

EXAMPLES: dict[str, Any] = {
    "addMaterial": job.MATERIAL,
    "replaceMaterial": job.MATERIAL,
    "addMachineKind": job.MACHINE_KIND,
    "replaceMachineKind": job.MACHINE_KIND,
    "addProfile": {"material": _SOME_ID, "machine_kind": _SOME_ID, "name": "Hollow Green on ride-ons"},
    "addRevision": {"content": job.CONTENT, "note": "first catches of the season"},
    "replaceRevision": {"content": job.CONTENT, "note": "one more catch at 30 %"},
    "releaseRevision": {"reason": "caught and checked on AH-07"},
    "releaseRevisionProvisionally": {
        "branch": _SOME_ID,
        "days": 7,
        "reason": "new maker's bag, checked at two openings this morning",
    },
    "addBranch": _BRANCH,
    "replaceBranch": _BRANCH,
    "addMachine": _MACHINE,
    "replaceMachine": _MACHINE,
    "addCommissioning": fleet.COMMISSIONING,
    "putTogether": fleet.BULK,
    "putEach": fleet.BULK,
    "addCorrection": fleet.CORRECTION,
    "reportRunning": fleet.RUNNING,
    "addMachineCheck": fleet.CHECK,
    "strikeMachineCheck": {"reason": "the bucket was not tared"},
    "addRollout": {
        "profile": _SOME_ID,
        "number": 1,
        "waves": [{"machines": [_SOME_ID]}, {"tags": ["ice"], "share": {"value": 50, "unit": "%"}}, {}],
        "soak": {"value": 24, "unit": "h"},
        "success": {"value": 80, "unit": "%"},
        "failure_limit": 1,
        "deadline": {"value": 48, "unit": "h"},
        "reason": "flow at small openings caught anew",
    },
    "holdRollout": {"reason": "AH-07 laid 9 % heavy on the north lawn"},
    "resumeRollout": {"reason": "its gate was not shut when it was taken up; checked again"},
    "undoRollout": {"reason": "heavy on two machines"},
    "addKey": {"name": "office program", "role": "reader", "hash": "00" * 32},
    "rotateKey": {"hash": "01" * 32, "overlap_hours": 24},
    "addWebhook": {
        "url": "https://hooks.alder-hollow.example/catchpan",
        "secret": f"whsec_{'A' * 32}",
        "events": ["revision", "rollout"],
    },
    "rotateWebhook": {"secret": f"whsec_{'B' * 32}"},
    "reportReplica": {"epoch": 1, "position": 12, "manifest": _SOME_DIGEST, "exceptions": _SOME_DIGEST},
    "withdrawRevision": {"reason": "lot L2041 clumps", "because": "unsafe"},
}

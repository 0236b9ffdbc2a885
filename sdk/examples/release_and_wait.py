"""Release a revision to all branches, and wait until the copy at every branch is in step.

    CATCHPAN_KEY=catchpan-... python release_and_wait.py http://127.0.0.1:8420 \
        "Hollow Green on ride-ons" 3 --reason "new lot, caught again" --minutes 30

A calibrator's key is needed. A branch is in step when it has reported that it holds exactly what the office released:
the same digests, so the same bytes. The exit status is 0 when all are, and 1 when the time is over; who is missing, and
why, is on standard error. The release stands either way: run it again, and it only waits.
"""

import argparse
import os
import sys
import time

from catchpan import Catchpan
from catchpan.contract.profiles import Profile, ReleaseRequest, State
from catchpan.contract.sync import BranchStatus, Standing


def main() -> int:
    """Release, wait, and say how it went."""
    asked = argparse.ArgumentParser(description="Release a revision and wait for every branch.")
    asked.add_argument("server", help="address of the service")
    asked.add_argument("profile", help="name or id of the profile")
    asked.add_argument("number", type=int, help="number of the revision")
    asked.add_argument("--reason", required=True, help="why it is released")
    asked.add_argument("--minutes", type=float, default=60.0, help="how long to wait")
    asked.add_argument("--every", type=float, default=10.0, help="seconds between two looks")
    told = asked.parse_args()
    with Catchpan(told.server, key=os.environ["CATCHPAN_KEY"]) as client:
        profile = find(client, told.profile)
        release(client, profile, told.number, told.reason)
        print(f"{profile.name}, revision {told.number}, is released", flush=True)
        missing = wait(client, seconds=told.minutes * 60, every=told.every)
    for one in missing:
        print(f"{one.name}: {one.standing.value.replace('_', ' ')}; {one.why}", file=sys.stderr)
    if not missing:
        print("Every branch is in step")
    return 1 if missing else 0


def find(client: Catchpan, named: str) -> Profile:
    """The profile of that name or id."""
    for one in client.all_profiles():
        if named in {one.id, one.name}:
            return one
    raise SystemExit(f"there is no profile {named!r}")


def release(client: Catchpan, profile: Profile, number: int, reason: str) -> None:
    """Release a revision, unless it is released already.

    The version that was read goes along: if a colleague changes the revision in between, the service refuses.
    """
    revision = client.revision(profile.id, number)
    if revision.state != State.RELEASED:
        client.release_revision(profile.id, number, ReleaseRequest(reason=reason), version=revision.version)


def wait(client: Catchpan, *, seconds: float, every: float) -> list[BranchStatus]:
    """Wait until every branch is in step; the branches that are not when the time is over."""
    ends = time.monotonic() + seconds
    while True:
        missing = [one for one in client.sync_status().branches if one.standing != Standing.IN_STEP]
        if not missing or time.monotonic() >= ends:
            return missing
        time.sleep(every)


if __name__ == "__main__":
    sys.exit(main())

"""A process that pulls by pages of a few and prints each page once it came; to be killed by a test."""

import sys
from pathlib import Path

from catchpan import Catchpan
from catchpan.replica import Replica, pulling

PAGE = 3


class Telling(Catchpan):
    """A client that says which pages it was sent."""

    def run(self, call, *, idempotency_key=None):
        answer = super().run(call, idempotency_key=idempotency_key)
        if call.path in {"/v1/changes", "/v1/snapshot"}:
            print(call.path, call.query.get("after"), flush=True)
        return answer


def pull(path, url, key):
    pulling.PAGE = PAGE
    with Replica(Path(path)) as replica, Telling(url, key=key) as client:
        return replica.pull(client)


if __name__ == "__main__":
    pull(*sys.argv[1:])

"""Every call that the client can make, written down instead of sent."""

import inspect
import re
from datetime import UTC, datetime

import httpx

from catchpan import Catchpan
from tests.scenario import MISSING

PLACE = re.compile(rf"{MISSING}|(?<=/)1(?=/|$)|{{[^}}]*}}")
SAMPLE_ARGUMENTS = {
    "id": MISSING, "profile": MISSING, "number": 1, "before": 1, "limit": 10, "tolerance": 0.1, "version": 3,
    "branch": MISSING, "machine": MISSING, "only_drift": True, "until": None, "token": "secret", "reason": "why",
    "moment": datetime(2031, 4, 7, tzinfo=UTC), "after": "cursor", "wait": 1.0, "contents": True, "at": 1,
    "since": None, "by": "month", "form": "text/csv", "dry_run": False, "items": [], "request": None, "batch": None, "idempotency_key": None,
    "url": "https://hooks.example.com/", "secret": f"whsec_{'A' * 32}", "events": ("revision",),
}  # fmt: skip


class Recording(Catchpan):
    """Takes note of the call that a method makes, and sends nothing."""

    def run(self, call, *, idempotency_key=None):
        self.call = call


def public(client):
    return {name: made for name, made in inspect.getmembers(client, callable) if not name.startswith("_")}


def calls_made():
    """Every call that the client makes, by the name of its method."""
    with Recording("http://nobody", transport=httpx.MockTransport(lambda _: None)) as client:
        for name, method in public(Catchpan).items():
            if name not in {"run", "close", "in_process"} and not inspect.isgeneratorfunction(method):
                given = {one: SAMPLE_ARGUMENTS[one] for one in inspect.signature(method).parameters if one != "self"}
                getattr(client, name)(**given)
                yield name, client.call


CALLS = dict(calls_made())
BY_PATH = {
    (call.method, PLACE.sub("*", call.path)): call
    for call in sorted(CALLS.values(), key=lambda one: one.kind is not bytes)
}


def call_of(operation):
    """The client's call of an operation of the document, if it has one."""
    return BY_PATH.get((operation.method, PLACE.sub("*", operation.template)))

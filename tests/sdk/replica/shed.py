"""A shed's way to an office in this process, and what is looked at in a copy."""

import json
import sqlite3
from contextlib import closing

import httpx
import msgspec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from catchpan import Catchpan
from catchpan.contract.sync import SignedHead


class Shared(httpx.BaseTransport):
    """The way to an app that others use too: it stays open."""

    def __init__(self, web):
        self.way = web.http._transport

    def handle_request(self, request):
        return self.way.handle_request(request)


def client_of(web, key="branch", kind=Catchpan):
    return kind("http://in-process", key=web.keys[key], transport=Shared(web))


class Between(Catchpan):
    """A client whose answers somebody alters on the way."""

    alter = None

    def run(self, call, *, idempotency_key=None):
        answer = super().run(call, idempotency_key=idempotency_key)
        return self.alter(call, answer) if self.alter else answer


def wanted(web, branch=None):
    told = web.made("GET", f"/v1/manifest?branch={branch or web.branch}")
    return told["manifest_digest"], told["exceptions_digest"]


def holds(report):
    return report.manifest, report.exceptions


def state_of(path):
    """What a copy holds, byte for byte, without when it was pulled."""
    with closing(sqlite3.connect(path)) as connection:
        tables = {
            name: sorted(connection.execute(f"SELECT * FROM {name}").fetchall())
            for name in ("holdings", "unsafe", "corrections", "contents")
        }
        (body,) = connection.execute("SELECT body FROM state").fetchone()
    kept = json.loads(body)
    return tables, {name: kept[name] for name in ("scope", "organisation", "epoch", "position", "signed")}


def signed_by(seed, head):
    body = msgspec.json.encode(head, order="sorted")
    key = Ed25519PrivateKey.from_private_bytes(seed)
    return SignedHead(
        head=msgspec.Raw(body), signature=key.sign(body).hex(), key=key.public_key().public_bytes_raw().hex()
    )


def put_aside(path):
    """The digests of what was put aside."""
    with closing(sqlite3.connect(path)) as connection:
        return [digest for (digest,) in connection.execute("SELECT digest FROM quarantine")]

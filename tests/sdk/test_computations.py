"""Each computation through both clients: one request and a batch of it, the answer that plain HTTP gives."""

import asyncio

import httpx
import msgspec
import pytest

from catchpan import AsyncCatchpan, Catchpan
from catchpan.inprocess import InProcess
from catchpan_service.routes.computations import COMPUTATIONS


def named(thing):
    """The methods of a client for one and for many."""
    return thing.name.replace("-", "_"), thing.plural.replace("-", "_")


@pytest.mark.parametrize("thing", COMPUTATIONS, ids=lambda one: one.name)
def test_both_clients_answer_as_plain_http_does(app, thing):
    one, many = named(thing)
    request = msgspec.convert(thing.example, thing.wire("Request"))
    batch = thing.wire("Batch")(items=[request, request])

    async def asked():
        async with AsyncCatchpan.in_process(app) as client:
            return await getattr(client, one)(request), await getattr(client, many)(batch)

    with Catchpan.in_process(app) as client:
        answers = getattr(client, one)(request), getattr(client, many)(batch)
    assert answers == asyncio.run(asked())
    assert [item.result for item in answers[1].items] == [answers[0], answers[0]]
    with httpx.Client(transport=InProcess(app), base_url="http://in-process") as plain:
        sent = plain.post(f"/v1/compute/{thing.name}", json=thing.example)
    assert msgspec.convert(sent.json(), thing.wire("Answer")) == answers[0]

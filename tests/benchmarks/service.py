"""How much of an echo's pace the service keeps: ``python -m tests.benchmarks.service``.

H1 one flow curve, H3 one overlap, H4 a batch of fits, H5 saving a revision: each against a route of the same framework
that decodes the same request and encodes the same answer, in the same process, in interleaved rounds. Both are called as
ASGI apps, without a socket; the figures are medians of ratios.
"""

import asyncio
import statistics
import tempfile
import time
from collections.abc import Awaitable, Callable
from typing import Any

import msgspec
from litestar import Litestar, post
from litestar.params import JSONBody

from catchpan.contract.curves import FlowCurveAnswer, FlowCurveRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.overlaps import OverlapAnswer, OverlapRequest
from catchpan.contract.profiles import Revision, RevisionRequest
from catchpan.quantities import Lengths
from catchpan_service.app import create_app
from catchpan_service.examples import job
from catchpan_service.settings import Settings
from catchpan_service.si.profiles import completed
from catchpan_service.strict import StrictRequest

ROUNDS = 7
HEADERS = [(b"content-type", b"application/json"), (b"accept", b"application/json")]


async def ask(app: Any, path: str, body: bytes) -> bytes:
    """One POST to an ASGI app."""
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "POST", "scheme": "http",
        "path": path, "raw_path": path.encode(), "query_string": b"", "root_path": "", "headers": HEADERS,
        "server": ("bench", 80), "client": ("bench", 1), "state": {},
    }  # fmt: skip
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    await app(scope, receive, send)
    if sent[0]["status"] >= 300:
        raise RuntimeError(sent[1]["body"])
    return b"".join(message.get("body", b"") for message in sent[1:])


def echo(kind: type[Any], answer: Any) -> Litestar:
    """An app that decodes a request strictly and answers what it was given to answer."""

    def same(data: Any) -> Any:
        return answer

    same.__annotations__ = {"data": JSONBody[kind], "return": type(answer)}
    route = post("/echo", sync_to_thread=False, status_code=200)(same)
    return Litestar([route], request_class=StrictRequest, openapi_config=None, logging_config=None)


async def pace(work: Callable[[], Awaitable[Any]], seconds: float = 0.4) -> float:
    """Calls a second."""
    began, count = time.perf_counter(), 0
    while time.perf_counter() - began < seconds:
        await work()
        count += 1
    return count / (time.perf_counter() - began)


async def ratio(name: str, goal: float, ours: Callable[[], Awaitable[Any]], peer: Callable[[], Awaitable[Any]]) -> None:
    """Print the median of the ratios of interleaved rounds."""
    await ours(), await peer()
    ratios = [await pace(ours) / await pace(peer) for _ in range(ROUNDS)]
    print(f"{name:<46} {statistics.median(ratios):6.2f}   goal {goal}")


async def sixteen(work: Callable[[], Awaitable[Any]]) -> None:
    """The same from 16 clients at once."""
    await asyncio.gather(*(work() for _ in range(16)))


async def main() -> None:
    """Print every ratio."""
    folder = tempfile.mkdtemp()
    app = create_app(Settings(database=f"{folder}/bench.sqlite", log_requests=False), local=True)

    fit = msgspec.json.encode({"catches": job.CATCHES[:6]})
    answer = msgspec.json.decode(await ask(app, "/v1/compute/flow-curve", fit), type=FlowCurveAnswer)
    fit_echo = echo(FlowCurveRequest, answer)
    await ratio("H1 flow curve, of its echo", 0.35,
                lambda: ask(app, "/v1/compute/flow-curve", fit), lambda: ask(fit_echo, "/echo", fit))  # fmt: skip

    asked = msgspec.convert(job.PAN_TEST, OverlapRequest)
    wide = Lengths([4 + 20 * index / 199 for index in range(200)], "ft")
    pans = msgspec.json.encode(msgspec.structs.replace(asked, spacings=wide))
    spread = msgspec.json.decode(await ask(app, "/v1/compute/overlap", pans), type=OverlapAnswer)
    pans_echo = echo(OverlapRequest, spread)
    await ratio("H3 overlap, 400 CVs, of its echo", 0.35,
                lambda: ask(app, "/v1/compute/overlap", pans), lambda: ask(pans_echo, "/echo", pans))  # fmt: skip

    batch = msgspec.json.encode({"items": [{"catches": job.CATCHES[:6]}] * 100})

    async def hundred() -> None:
        for _ in range(100):
            await ask(app, "/v1/compute/flow-curve", fit)

    await ratio("H4 a batch of 100 fits, of 100 single calls", 4,
                lambda: ask(app, "/v1/compute/flow-curves", batch), hundred)  # fmt: skip

    await saving(app)
    app.state.database.close()


async def saving(app: Any) -> None:
    """H5: the same decoding, fit and digest without a database."""

    async def made(path: str, body: Any) -> Any:
        return msgspec.json.decode(await ask(app, path, msgspec.json.encode(body)))

    material, kind = await made("/v1/materials", job.MATERIAL), await made("/v1/machine-kinds", job.MACHINE_KIND)
    profile = await made("/v1/profiles", {"material": material["id"], "machine_kind": kind["id"], "name": "bench"})
    request = msgspec.json.encode({"content": job.CONTENT | {"pan_tests": []}})
    path = f"/v1/profiles/{profile['id']}/revisions"
    stored = msgspec.json.decode(await ask(app, path, request), type=Revision)

    snapshot = msgspec.convert(job.MATERIAL, MaterialRequest)

    def without(data: Any) -> Any:
        completed(data.content, snapshot)
        return stored

    without.__annotations__ = {"data": JSONBody[RevisionRequest], "return": Revision}
    peer = Litestar(
        [post("/echo", sync_to_thread=False)(without)], request_class=StrictRequest, openapi_config=None,
        logging_config=None,
    )  # fmt: skip
    await ratio("H5 save a revision, 16 clients, of the same unsaved", 0.30,
                lambda: sixteen(lambda: ask(app, path, request)),
                lambda: sixteen(lambda: ask(peer, "/echo", request)))  # fmt: skip


if __name__ == "__main__":
    asyncio.run(main())

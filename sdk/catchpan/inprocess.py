"""Transports to an ASGI app in this process, with its lifespan: for work on one machine, and for tests."""

from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, ExitStack, asynccontextmanager
from typing import Any, Self

import anyio
import httpx
from anyio.from_thread import BlockingPortal, start_blocking_portal


@asynccontextmanager
async def lifespan(app: Any) -> AsyncIterator[None]:
    """Start an ASGI app, and stop it at the end (ASGI lifespan protocol)."""
    to_app, at_app = anyio.create_memory_object_stream[Any](2)
    from_app, at_us = anyio.create_memory_object_stream[Any](2)
    scope = {"type": "lifespan", "asgi": {"version": "3.0"}, "state": {}}
    async with to_app, at_app, from_app, at_us, anyio.create_task_group() as tasks:
        tasks.start_soon(app, scope, at_app.receive, from_app.send)
        await to_app.send({"type": "lifespan.startup"})
        _started(await at_us.receive())
        yield
        await to_app.send({"type": "lifespan.shutdown"})
        await at_us.receive()


def _started(message: Any) -> None:
    if message["type"] == "lifespan.startup.failed":
        raise RuntimeError(f"the service did not start: {message.get('message', '')}")


class AsyncInProcess(httpx.AsyncBaseTransport):
    """Sends every request to an ASGI app; the app starts with the client and stops with it."""

    def __init__(self, app: Any) -> None:
        self._app = app
        self._inner = httpx.ASGITransport(app, raise_app_exceptions=False)
        self._stack = AsyncExitStack()

    async def __aenter__(self) -> Self:
        await self._stack.enter_async_context(lifespan(self._app))
        return self

    async def __aexit__(self, *exc: Any) -> None:
        await self._stack.aclose()

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        """One request to the app."""
        return await self._inner.handle_async_request(request)


class InProcess(httpx.BaseTransport):
    """The same for the synchronous client, through a portal to an event loop in a thread of its own."""

    def __init__(self, app: Any) -> None:
        self._inner = AsyncInProcess(app)
        self._stack = ExitStack()
        self._portal: BlockingPortal | None = None

    def __enter__(self) -> Self:
        with ExitStack() as stack:  # an app that does not start must not leave its event loop behind
            self._portal = stack.enter_context(start_blocking_portal())
            stack.enter_context(self._portal.wrap_async_context_manager(self._inner))
            self._stack = stack.pop_all()
        return self

    def __exit__(self, *exc: Any) -> None:
        self._stack.close()

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """One request to the app."""
        if self._portal is None:
            raise RuntimeError("use the client in a with block: the app starts and stops with it")
        return self._portal.call(self._send, request)

    async def _send(self, request: httpx.Request) -> httpx.Response:
        body = request.read()
        answer = await self._inner.handle_async_request(
            httpx.Request(request.method, request.url, headers=request.headers, content=body)
        )
        return httpx.Response(answer.status_code, headers=answer.headers, content=await answer.aread())

"""Sends one message to one webhook, and says what came of it: no redirects, no private addresses, no waiting.

The host is looked up once, and the connection goes to an address that was judged. Nothing of an answer is read but its
status and how long to wait.
"""

import asyncio
import random
import socket
import ssl
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from functools import cached_property, partial
from http.cookiejar import CookieJar, DefaultCookiePolicy
from ipaddress import ip_address
from typing import Final

import httpx

from catchpan import __version__
from catchpan.webhooks import ID, SIGNATURE, TIMESTAMP, signature
from catchpan_service.rules.addresses import Address, Target, literal, require_allowed, target_of
from catchpan_service.rules.errors import BadAddress
from catchpan_service.rules.webhooks import wait_after
from catchpan_service.store.deliveries import Outcome, Taken

TIMEOUT: Final = 15.0  # [s], for all of one attempt
GONE: Final = 410

# Threads of their own, so that a name server that does not answer holds up nothing else.
_LOOKING_UP = ThreadPoolExecutor(8, "look-up")

LookUp = Callable[[str, int], Awaitable[list[Address]]]


async def look_up(host: str, port: int) -> list[Address]:
    """The addresses of a host; OSError where it has none."""
    ask = partial(socket.getaddrinfo, host, port, type=socket.SOCK_STREAM)
    found = await asyncio.get_running_loop().run_in_executor(_LOOKING_UP, ask)
    return [ip_address(place[0]) for *_, place in found]


class Sender:
    """Sends messages.

    Parameters
    ----------
    clock : callable
        The instant now, with its zone.
    private : bool
        Whether private addresses, and http, are allowed.
    timeout : float
        Seconds [s] for one attempt.
    look_up : callable
        The addresses of a host.
    draw : callable
        A number of [0, 1), for the waits.
    trusted : ssl.SSLContext, optional
        Which certificates are trusted; by default those that the system trusts.
    """

    def __init__(
        self,
        clock: Callable[[], datetime],
        *,
        private: bool,
        timeout: float = TIMEOUT,
        look_up: LookUp = look_up,
        draw: Callable[[], float] = random.random,
        trusted: ssl.SSLContext | None = None,
    ) -> None:
        self.now = clock
        self._private = private
        self._timeout = timeout
        self._look_up = look_up
        self._draw = draw
        self._trusted = trusted

    @cached_property
    def _http(self) -> httpx.AsyncClient:
        """Made for the first message: most programs that open the service send none.

        A connection is never used again, and no cookie kept: two names at one address must not share what one of them
        proved or said.
        """
        return httpx.AsyncClient(
            verify=self._trusted or ssl.create_default_context(),
            trust_env=False,
            cookies=CookieJar(DefaultCookiePolicy(allowed_domains=[])),
            follow_redirects=False,
            timeout=self._timeout,
            limits=httpx.Limits(max_keepalive_connections=0),
        )

    async def aclose(self) -> None:
        """Close what was opened."""
        if "_http" in vars(self):
            await self._http.aclose()

    async def send(self, taken: Taken) -> Outcome:
        """Make one attempt; whatever goes wrong with it is its outcome."""
        try:
            async with asyncio.timeout(self._timeout):
                return await self._attempt(taken)
        except (TimeoutError, httpx.TimeoutException):
            return self._failed(taken, f"no answer within {self._timeout:g} s")
        except BadAddress as error:
            return self._failed(taken, str(error))
        except (OSError, ValueError, httpx.HTTPError, httpx.InvalidURL) as error:
            return self._failed(taken, f"no answer: {type(error).__name__}")

    async def _attempt(self, taken: Taken) -> Outcome:
        target = target_of(taken.url, private=self._private)
        known = literal(target.host)
        addresses = await self._look_up(target.host, target.port) if known is None else [known]
        require_allowed(taken.url, addresses, private=self._private)
        request = self._request(taken, target, addresses[0])
        answer = await self._http.send(request, stream=True)
        try:
            return self._outcome(taken, answer)
        finally:
            await answer.aclose()

    def _request(self, taken: Taken, target: Target, address: Address) -> httpx.Request:
        sent = int(self.now().timestamp())
        signatures = [signature(secret, taken.message, sent, taken.body) for secret in taken.secrets]
        headers = {
            "host": target.authority,
            "content-type": "application/json",
            "user-agent": f"catchpan/{__version__}",
            ID: taken.message,
            TIMESTAMP: str(sent),
            SIGNATURE: " ".join(signatures),
        }
        url = httpx.URL(scheme=target.scheme, host=str(address), port=target.port, raw_path=target.path.encode())
        named = {"sni_hostname": target.host}
        return self._http.build_request("POST", url, content=taken.body, headers=headers, extensions=named)

    def _outcome(self, taken: Taken, answer: httpx.Response) -> Outcome:
        status = answer.status_code
        if answer.is_success:
            return Outcome(taken, status, "delivered", arrived=True)
        if status == GONE:
            return Outcome(taken, status, "gone: the webhook is disabled", gone=True)
        said = "a redirect, which is not followed" if answer.is_redirect else "refused"
        return self._failed(taken, said, status, _asked_for(answer.headers.get("retry-after", ""), self.now()))

    def _failed(
        self, taken: Taken, said: str, status: int | None = None, asked_for: timedelta | None = None
    ) -> Outcome:
        wait = wait_after(taken.attempt, asked_for, self._draw)
        return Outcome(taken, status, said, wait=wait)


def _asked_for(told: str, now: datetime) -> timedelta | None:
    """The wait in a ``Retry-After`` (RFC 9110, 10.2.3): seconds, or a date; None for anything else."""
    if told.isascii() and told.isdigit():
        return timedelta(seconds=min(int(told[:9]), 10**8))
    with suppress(ValueError, TypeError):
        at = parsedate_to_datetime(told)
        return (at if at.tzinfo else at.replace(tzinfo=UTC)) - now
    return None

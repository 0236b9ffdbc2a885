"""Where a webhook may lead: to public addresses by https, so that nobody reaches what only the service can.

A name is looked up once for each attempt, every address found is judged, and the connection goes to one of those: a
name that leads elsewhere a moment later changes nothing.
"""

import re
from collections.abc import Iterable
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address
from typing import Final, NamedTuple
from urllib.parse import urlsplit

from catchpan_service.rules.errors import BadAddress

Address = IPv4Address | IPv6Address

PORTS: Final = {"https": 443, "http": 80}
PUBLIC: Final = "an https address of a host that everybody can reach, such as https://hooks.example.com/catchpan"
PRIVATE: Final = "an http or https address of a host, such as http://127.0.0.1:8080/catchpan"

_URL = re.compile(r"(?i:https?)://[A-Za-z0-9.:\[\]-]+(?:[/?][\x21-\x7e]*)?")
_LABEL = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?")
_NUMBER = re.compile(r"(?i:0x[0-9a-f]*|[0-9]+)")  # what some resolvers take for a part of an IPv4 address
_LOCAL_NAMES: Final = ("localhost", "local", "internal", "home.arpa")

_GLOBAL_UNICAST = IPv6Network("2000::/3")
_TRANSLATED = IPv6Network("64:ff9b::/96")
_RELAYS_AND_EXAMPLES = (IPv4Network("192.88.99.0/24"), IPv4Network("192.0.0.0/24"), IPv6Network("3fff::/20"))
_TO_AN_ADAPTER = (0x0000_5EFE, 0x0200_5EFE)  # ISATAP: an IPv4 address in the lower half


class Target(NamedTuple):
    """Where a message goes: the host as a name or an address, and the rest of the URL as it is sent."""

    scheme: str
    host: str
    port: int
    path: str

    @property
    def authority(self) -> str:
        """The value of the header Host."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == PORTS[self.scheme] else f"{host}:{self.port}"


def target_of(url: str, *, private: bool) -> Target:
    """The target of a URL, as far as it can be judged before its host is looked up.

    Parameters
    ----------
    url : str
    private : bool
        Whether private addresses and http are allowed.

    Raises
    ------
    BadAddress
        Another scheme, a user or a fragment in it, no host, a host in no plain form, or one that is not public.
    """
    try:
        return _target(url, private=private)
    except ValueError as error:
        given, allowed = url[:200], PRIVATE if private else PUBLIC
        raise BadAddress(f"Nothing is sent there: {error}", given=given, allowed=allowed) from error


def require_allowed(url: str, found: Iterable[Address], *, private: bool) -> None:
    """Refuse with BadAddress a URL whose host was found at no address, or at one that may not be reached."""
    addresses = list(found)
    bad = [str(one) for one in addresses if not _allowed(one, private=private)]
    if bad or not addresses:
        why = f"its host is at {bad[0]}, which is not public" if bad else "its host is nowhere"
        allowed = PRIVATE if private else PUBLIC
        raise BadAddress(f"Nothing is sent there: {why}", given=url[:200], allowed=allowed)


def literal(host: str) -> Address | None:
    """The address that a host is; None for a name."""
    try:
        return ip_address(host)
    except ValueError:
        return None


def is_public(address: Address) -> bool:
    """Whether everybody can reach an address, and what is wrapped in it."""
    if any(address in network for network in _RELAYS_AND_EXAMPLES if network.version == address.version):
        return False
    if isinstance(address, IPv4Address):
        return address.is_global and not (address.is_multicast or address.is_reserved)
    inner = _wrapped(address)
    if inner is not None and not is_public(inner):
        return False
    if address.ipv4_mapped is not None or address in _TRANSLATED:
        return True
    return address in _GLOBAL_UNICAST and address.is_global


def _target(url: str, *, private: bool) -> Target:
    if not _URL.fullmatch(url) or "#" in url or "\\" in url:
        raise ValueError("it is no plain http or https address, without a user and without a fragment")
    parts = urlsplit(url)
    port = PORTS[parts.scheme] if parts.port is None else parts.port
    host = (parts.hostname or "").lower()
    if parts.scheme != "https" and not private:
        raise ValueError("it is not https")
    if port == 0:
        raise ValueError("port 0 is none")
    _judge(host, private=private)
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Target(parts.scheme, host, port, path)


def _judge(host: str, *, private: bool) -> None:
    address = literal(host)
    if address is not None:
        if not _allowed(address, private=private):
            raise ValueError(f"{address} is not public")
        return
    labels = host.split(".")
    if len(host) > 253 or not all(_LABEL.fullmatch(label) for label in labels):
        raise ValueError(f"{host!r} is no name of a host")
    if _NUMBER.fullmatch(labels[-1]):
        raise ValueError(f"{host!r} is a number, and not four decimal ones with dots")
    if not private and (len(labels) == 1 or f".{host}".endswith(tuple(f".{name}" for name in _LOCAL_NAMES))):
        raise ValueError(f"{host!r} is a name on this network")


def _allowed(address: Address, *, private: bool) -> bool:
    """Where private addresses are allowed, those of one link are not: clouds keep secrets there."""
    if not private:
        return is_public(address)
    inner = _wrapped(address) if isinstance(address, IPv6Address) else None
    closed = address.is_link_local or address.is_multicast or address.is_unspecified
    return not closed and address != IPv4Address("255.255.255.255") and (inner is None or _allowed(inner, private=True))


def _wrapped(address: IPv6Address) -> IPv4Address | None:
    """The IPv4 address that an IPv6 address leads to."""
    low = int(address) & 0xFFFF_FFFF
    if address in _TRANSLATED or (int(address) >> 32) & 0xFFFF_FFFF in _TO_AN_ADAPTER:
        return IPv4Address(low)
    if address.teredo is not None:
        return address.teredo[1]
    return address.ipv4_mapped or address.sixtofour

"""Where a message really goes: to the address that was judged, under the name that it was judged for."""

import asyncio
import ipaddress
import ssl
import time
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from catchpan import webhooks as sdk
from catchpan_service.sender import Sender
from catchpan_service.store.deliveries import Taken
from tests.receiver import Receiver

NAME = "hooks.alder-hollow.example"
LOOPBACK = ipaddress.ip_address("127.0.0.1")


def taken(url):
    return Taken(UUID(int=7), UUID(int=8), url, b"{}", (sdk.new_secret(),), 1)


def sent(url, *, addresses=(LOOPBACK,), private=True, **options):
    """What came of a message, and which hosts were looked up for it."""
    asked = []

    async def look_up(host, port):
        asked.append((host, port))
        return list(addresses)

    async def run():
        sender = Sender(lambda: datetime.now(UTC), private=private, look_up=look_up, **options)
        try:
            return await sender.send(taken(url))
        finally:
            await sender.aclose()

    return asyncio.run(run()), asked


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    """The files of a certificate for NAME, which vouches for itself, and of its key."""
    folder = tmp_path_factory.mktemp("tls")
    key, name = ec.generate_private_key(ec.SECP256R1()), x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, NAME)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(NAME)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    (folder / "one.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    plain = serialization.NoEncryption()
    told = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain)
    (folder / "key.pem").write_bytes(told)
    return str(folder / "one.pem"), str(folder / "key.pem")


def test_the_name_is_looked_up_once_and_proved_by_the_certificate(certificate):
    trusted = ssl.create_default_context(cafile=certificate[0])
    with Receiver(certificate=certificate) as receiver:
        outcome, asked = sent(f"https://{NAME}:{receiver.port}/x?y=%20", trusted=trusted)
    assert (outcome.arrived, asked) == (True, [(NAME, receiver.port)])
    (got,) = receiver.got
    assert (got.path, got.headers["host"]) == ("/x?y=%20", f"{NAME}:{receiver.port}")


def test_who_has_the_address_and_not_the_name_gets_nothing(certificate):
    trusted = ssl.create_default_context(cafile=certificate[0])
    with Receiver(certificate=certificate) as receiver:
        for host, options in (("other.example", {"trusted": trusted}), ("127.0.0.1", {"trusted": trusted}), (NAME, {})):
            outcome, _ = sent(f"https://{host}:{receiver.port}/", **options)
            assert (outcome.arrived, outcome.status, outcome.answer) == (False, None, "no answer: ConnectError")
    assert receiver.got == []


@pytest.mark.parametrize(
    "addresses",
    [
        ["127.0.0.1"],
        ["1.2.3.4", "10.0.0.1"],
        ["169.254.169.254"],
        ["::1"],
        ["::ffff:127.0.0.1"],
        ["64:ff9b::7f00:1"],
        [],
    ],
    ids=str,
)
def test_a_name_that_leads_inside_is_not_called(addresses):
    with Receiver() as receiver:
        found = [ipaddress.ip_address(one) for one in addresses]
        outcome, _ = sent(f"https://{NAME}:{receiver.port}/", addresses=found, private=False)
    assert outcome.answer.startswith("Nothing is sent there: ")
    assert (outcome.wait is not None, receiver.got) == (True, [])


def test_a_proxy_of_the_surroundings_is_not_used(monkeypatch):
    for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    with Receiver() as receiver:
        outcome, _ = sent(f"http://{NAME}:{receiver.port}/")
    assert outcome.arrived


def test_no_cookie_goes_from_one_receiver_to_another():
    async def run(url):
        sender = Sender(lambda: datetime.now(UTC), private=True)
        for _ in range(2):
            await sender.send(taken(url))
        await sender.aclose()

    with Receiver(answers=[(204, {"Set-Cookie": "who=theirs; Path=/"})]) as receiver:
        asyncio.run(run(receiver.url))
    assert [one.headers.get("cookie") for one in receiver.got] == [None, None]


def test_a_name_that_nobody_knows_is_tried_again():
    async def run():
        sender = Sender(lambda: datetime.now(UTC), private=False)
        return await sender.send(taken("https://nobody.invalid/"))

    outcome = asyncio.run(run())
    assert (outcome.arrived, outcome.wait is not None) == (False, True)


def test_all_of_an_attempt_has_one_time():
    async def slow(*_):
        await asyncio.sleep(30)

    async def run():
        sender = Sender(lambda: datetime.now(UTC), private=True, look_up=slow, timeout=0.1)
        return await sender.send(taken(f"https://{NAME}/"))

    began = time.monotonic()
    assert asyncio.run(run()).answer == "no answer within 0.1 s"
    assert time.monotonic() - began < 5

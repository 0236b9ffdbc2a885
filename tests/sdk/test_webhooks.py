"""What arrives at a webhook is believed only if it was signed, by the secret, just now."""

from base64 import b64decode, b64encode
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks import Webhook

from catchpan import webhooks
from catchpan.errors import SignatureError
from catchpan.webhooks import new_secret, signature, verify

NOW = datetime(2031, 4, 7, 6, tzinfo=UTC)
SECRET = new_secret()
BODY = (
    b'{"type":"revision.released","timestamp":"2031-04-07T05:59:59.250Z","data":{"kind":"revision","id":"x/1",'
    b'"action":"released","digest":null,"position":12}}'
)


def headers(*secrets, message="msg_1", at=NOW, body=BODY):
    sent = int(at.timestamp())
    signed = " ".join(signature(one, message, sent, body) for one in secrets or [SECRET])
    return {"Webhook-Id": message, "webhook-timestamp": str(sent), "WEBHOOK-SIGNATURE": signed}


def test_what_was_signed_is_read():
    event = verify(BODY, headers(), SECRET, now=NOW)
    assert (event.type, event.data.id, event.data.position) == ("revision.released", "x/1", 12)


@given(st.binary(max_size=200), st.binary(min_size=24, max_size=64))
def test_signatures_are_those_of_another_program(body, key):
    secret = f"whsec_{b64encode(key).decode()}"
    text = body.decode(errors="replace")
    theirs = Webhook(secret).sign("msg_1", NOW, text)
    assert signature(secret, "msg_1", int(NOW.timestamp()), text.encode()) == theirs


@pytest.mark.parametrize("seconds", [-300, 0, 300])
def test_within_the_tolerance_it_is_believed(seconds):
    assert verify(BODY, headers(), SECRET, now=NOW + timedelta(seconds=seconds))


@pytest.mark.parametrize("seconds", [-301, 301, 10**6])
def test_outside_of_it_it_is_not(seconds):
    with pytest.raises(SignatureError, match="more than 0:05:00 from now"):
        verify(BODY, headers(), SECRET, now=NOW + timedelta(seconds=seconds))


def test_either_secret_of_a_rotation_will_do():
    old, new = new_secret(), new_secret()
    for told in (headers(old, new), headers(new, old), headers(new)):
        assert verify(BODY, told, new, now=NOW)
        assert verify(BODY, told, [old, new], now=NOW)
    with pytest.raises(SignatureError):
        verify(BODY, headers(new), old, now=NOW)


ALTERED = {
    "the body": (BODY + b" ", {}),
    "the id": (BODY, {"webhook-id": "msg_2"}),
    "the time": (BODY, {"webhook-timestamp": str(int(NOW.timestamp()) + 1)}),
    "the signature": (BODY, {"webhook-signature": "v1,AAAA"}),
    "no signature": (BODY, {"webhook-signature": ""}),
    "another kind of signature": (BODY, {"webhook-signature": signature(SECRET, "msg_1", 0, BODY).replace("v1", "v2")}),
    "a time that is none": (BODY, {"webhook-timestamp": "2031-04-07"}),
    "digits of another script": (BODY, {"webhook-timestamp": "١٢٣"}),
    "a time without end": (BODY, {"webhook-timestamp": "9" * 5000}),
    "text that is no text": (BODY, {"webhook-signature": "v1,\udcff"}),
}


@pytest.mark.parametrize("what", ALTERED)
def test_whatever_was_altered_is_found_out(what):
    body, altered = ALTERED[what]
    told = {name.lower(): value for name, value in headers().items()} | altered
    with pytest.raises(SignatureError):
        verify(body, told, SECRET, now=NOW)


@pytest.mark.parametrize("name", ["webhook-id", "webhook-timestamp", "webhook-signature"])
def test_a_missing_header_is_named(name):
    told = {one.lower(): value for one, value in headers().items() if one.lower() != name}
    with pytest.raises(SignatureError, match=name):
        verify(BODY, told, SECRET, now=NOW)


def test_a_signed_message_that_is_no_event_is_said_to_be_none():
    with pytest.raises(SignatureError, match="no event"):
        verify(b"{}", headers(body=b"{}"), SECRET, now=NOW)


def test_secrets_are_256_random_bits():
    made = {new_secret() for _ in range(100)}
    assert len(made) == 100
    assert {len(b64decode(one.removeprefix("whsec_"))) for one in made} == {webhooks.SECRET_BYTES} == {32}

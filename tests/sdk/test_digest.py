"""Canonical bytes and digests: the same on both sides, and the same for ever."""

import hashlib
import json
import math
import struct
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from catchpan.contract.profiles import Content, Provenance
from catchpan.digest import canonical, digest
from catchpan.errors import NotCanonicalError

SAMPLES = sorted((Path(__file__).parent / "samples").glob("*.json"))

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
leaves = (
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | texts
)
documents = st.recursive(leaves, lambda inner: st.lists(inner, max_size=5) | st.dictionaries(texts, inner, max_size=5))


@given(documents)
def test_canonical_bytes_are_those_of_rfc_8785(document):
    assert canonical(document) == rfc8785.dumps(document)
    assert json.loads(canonical(document), parse_int=float) == document


@given(st.dictionaries(texts, st.integers(0, 9), max_size=6), st.randoms())
def test_the_order_of_members_does_not_matter(document, random):
    shuffled = list(document.items())
    random.shuffle(shuffled)
    assert canonical(dict(shuffled)) == canonical(document)


def test_a_struct_is_written_as_its_json():
    content = Content(format=1, note="€ 7", provenance=Provenance(source="invented"))
    assert canonical(content) == '{"format":1,"note":"€ 7","provenance":{"source":"invented"}}'.encode()
    assert canonical(content) == rfc8785.dumps(msgspec.to_builtins(content))


def test_an_instant_is_written_as_text():
    assert canonical(datetime(2031, 4, 7, 6, tzinfo=UTC)) == b'"2031-04-07T06:00:00Z"'


def test_defaults_are_left_out_so_that_the_format_can_grow():
    assert canonical(Content(format=1, note="", pan_tests=[], passes=[])) == b'{"format":1}'


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        # RFC 8785, appendix B (samples from memory).
        (0x0000000000000000, b"0"),
        (0x8000000000000000, b"0"),
        (0x0000000000000001, b"5e-324"),
        (0x8000000000000001, b"-5e-324"),
        (0x7FEFFFFFFFFFFFFF, b"1.7976931348623157e+308"),
        (0x4340000000000000, b"9007199254740992"),
        (0x4430000000000000, b"295147905179352830000"),
        (0x44B52D02C7E14AF5, b"9.999999999999997e+22"),
        (0x44B52D02C7E14AF6, b"1e+23"),
        (0x44B52D02C7E14AF7, b"1.0000000000000001e+23"),
        (0x444B1AE4D6E2EF4F, b"999999999999999900000"),
        (0x444B1AE4D6E2EF50, b"1e+21"),
        (0x3EB0C6F7A0B5ED8C, b"9.999999999999997e-7"),
        (0x3EB0C6F7A0B5ED8D, b"0.000001"),
        (0x41B3DE4355555555, b"333333333.3333333"),
        (0xBECBF647612F3696, b"-0.0000033333333333333333"),
        (0x43143FF3C1CB0959, b"1424953923781206.2"),
    ],
)
def test_numbers_are_written_as_the_standard_prints_them(bits, text):
    assert canonical(struct.unpack(">d", bits.to_bytes(8, "big"))[0]) == text


def test_members_are_sorted_by_utf_16_units():
    # RFC 8785, section 3.2.3: a surrogate pair sorts before U+FB33, though its code point is larger (from memory).
    assert canonical({"\ufb33": 1, "\U0001f600": 2, "\r": 3}) == '{"\\r":3,"\U0001f600":2,"\ufb33":1}'.encode()


@pytest.mark.parametrize(
    "document",
    [math.nan, math.inf, -math.inf, 2**53, -(2**53), "\ud800", {"\udfff": 1}, [1, {"deep": math.nan}]],
    ids=["nan", "inf", "-inf", "2^53", "-2^53", "surrogate", "surrogate in a name", "deep"],
)
def test_what_has_no_canonical_form_is_refused(document):
    with pytest.raises(NotCanonicalError, match="the document has no canonical form"):
        canonical(document)


def test_the_largest_integers_that_json_can_hold_are_taken():
    assert canonical([2**53 - 1, -(2**53) + 1]) == b"[9007199254740991,-9007199254740991]"


@given(st.binary())
def test_a_digest_names_its_algorithm(content):
    assert digest(content) == "sha256:" + hashlib.sha256(content).hexdigest()


def test_a_digest_is_that_of_the_standard():
    # FIPS 180-4, the digest of "abc" (from memory).
    assert digest(b"abc") == "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name.split(".")[0])
def test_content_that_was_stored_once_keeps_its_digest(path):
    stored = path.read_bytes()
    content = msgspec.json.decode(stored, type=Content)
    assert canonical(content) == stored
    assert digest(canonical(content)) == "sha256:" + path.name.split(".")[1]


def test_every_member_of_content_is_in_a_sample():
    seen = {place for path in SAMPLES for place in members(msgspec.json.decode(path.read_bytes()))}
    schema = msgspec.json.schema(Content)
    missing = set(declared(schema, schema)) - seen
    assert missing == set(), "add a sample that holds these: its canonical bytes, as <what>.<digest in hex>.json"


def members(document, place=""):
    """The places of all members of a document; the items of a list share one."""
    for item in document if isinstance(document, list) else [document]:
        for name, value in item.items() if isinstance(item, dict) else ():
            yield f"{place}/{name}"
            yield from members(value, f"{place}/{name}")


def declared(node, schema, place=""):
    """The places of all members that a schema declares."""
    if "$ref" in node:
        node = schema["$defs"][node["$ref"].rsplit("/", 1)[-1]]
    for part in [*node.get("anyOf", []), *([node["items"]] if "items" in node else [])]:
        yield from declared(part, schema, place)
    for name, inner in node.get("properties", {}).items():
        yield f"{place}/{name}"
        yield from declared(inner, schema, f"{place}/{name}")

"""When a call is sent again: status × Retry-After × method × attempt, on fixed numbers."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan.calls import Call
from catchpan.contract.materials import Material
from catchpan.retry import pause

READS = Call("GET", "/v1/materials", Material)
COMPUTES = Call("POST", "/v1/compute/opening", Material)
KEYED = Call("POST", "/v1/materials", Material, keyed=True)
CONDITIONAL = Call("PUT", "/v1/materials/1", Material, keyed=True, version=3)
BARE_CONDITIONAL = Call("PUT", "/v1/materials/1", Material, version=3)
BARE_POST = Call("POST", "/v1/materials", Material)
BARE_PUT = Call("PUT", "/v1/materials/1", Material)
SAFE = {"reads": READS, "computes": COMPUTES, "keyed": KEYED, "conditional": CONDITIONAL}
# A change that wants a version has one effect, but sent again it would find its own effect and call it somebody else's.
UNSAFE = {"bare POST": BARE_POST, "bare PUT": BARE_PUT, "version alone": BARE_CONDITIONAL}

LOST = None
AGAIN = [LOST, 429, 502, 503, 504]
FINAL = [200, 201, 204, 304, 400, 401, 403, 404, 405, 406, 409, 410, 412, 413, 415, 422, 428, 500, 501]
HEADERS = [None, "", "2", "0", "soon", "Wed, 21 Oct 2031 07:28:00 GMT"]
# Seconds before attempt 1, 2, ... where nothing else is said: doubling from 0.1, at most 5; half of it by the draw.
DOUBLING = [0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0, 5.0]


def asked(call, *, attempt=0, status=503, retry_after=None, left=1000.0, draw=1.0):
    return pause(call, attempt=attempt, status=status, retry_after=retry_after, left=left, draw=lambda: draw)


@pytest.mark.parametrize("call", SAFE.values(), ids=SAFE)
@pytest.mark.parametrize("status", AGAIN)
def test_a_safe_call_waits_twice_as_long_each_time(call, status):
    waits = [asked(call, attempt=attempt, status=status) for attempt in range(len(DOUBLING))]
    assert waits == pytest.approx(DOUBLING, rel=1e-15)
    half = [asked(call, attempt=attempt, status=status, draw=0.0) for attempt in range(len(DOUBLING))]
    assert half == pytest.approx([wait / 2 for wait in DOUBLING], rel=1e-15)


@pytest.mark.parametrize("call", UNSAFE.values(), ids=UNSAFE)
def test_a_call_that_may_have_two_effects_or_two_answers_is_never_sent_again(call):
    for status, header, attempt in itertools.product(AGAIN + FINAL, HEADERS, range(3)):
        assert asked(call, status=status, retry_after=header, attempt=attempt) is None


@pytest.mark.parametrize("call", SAFE.values(), ids=SAFE)
def test_an_answer_that_will_not_change_is_final(call):
    for status, header, attempt in itertools.product(FINAL, HEADERS, range(3)):
        assert asked(call, status=status, retry_after=header, attempt=attempt) is None


@pytest.mark.parametrize("call", SAFE.values(), ids=SAFE)
@pytest.mark.parametrize(("header", "seconds"), [("2", 2.0), ("0", 0.0), ("1.5", 1.5), ("-3", 0.0), ("60", 60.0)])
def test_the_time_that_the_service_tells_comes_first(call, header, seconds):
    for status, attempt in itertools.product((429, 503), range(4)):
        assert asked(call, status=status, retry_after=header, attempt=attempt) == seconds


@pytest.mark.parametrize("header", ["", "soon", "Wed, 21 Oct 2031 07:28:00 GMT"])
def test_a_time_that_cannot_be_read_is_as_if_it_were_not_told(header):
    assert [asked(READS, retry_after=header, attempt=attempt) for attempt in range(3)] == DOUBLING[:3]


@pytest.mark.parametrize(
    ("left", "header", "wait"),
    [(0.11, None, 0.1), (0.1, None, None), (0.0, None, None), (-1.0, None, None), (2.1, "2", 2.0), (2.0, "2", None),
     (0.0, "0", None), (30.0, "3600", None), (30.0, "inf", None)],
)  # fmt: skip
def test_nothing_waits_past_the_deadline(left, header, wait):
    assert asked(READS, left=left, retry_after=header) == wait


@given(
    st.sampled_from([*SAFE.values(), *UNSAFE.values()]),
    st.sampled_from(AGAIN + FINAL),
    st.none() | st.text(max_size=8) | st.floats().map(str),
    st.integers(0, 5000),
    st.floats(-1, 100),
    st.floats(0, 1),
)
def test_a_pause_is_never_negative_and_always_ends_before_the_deadline(call, status, header, attempt, left, draw):
    wait = asked(call, status=status, retry_after=header, attempt=attempt, left=left, draw=draw)
    assert wait is None or (math.isfinite(wait) and 0 <= wait < left)


@given(st.integers(0, 5000), st.floats(0, 1))
def test_the_draw_spreads_the_callers_over_half_of_the_time(attempt, draw):
    longest = asked(READS, attempt=attempt, draw=1.0)
    assert longest / 2 <= asked(READS, attempt=attempt, draw=draw) <= longest <= 5

"""The catch detective: each finding raised by what it is for, and a short form of its study (fixed seeds)."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student

from catchpan_service.calibration.catches import catches, uncertainty_model
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.evidence import Circumstances
from catchpan_service.calibration.flow_curve import fit_flow_curve
from catchpan_service.calibration.readings import POUND, minutes_and_seconds, pounds_and_ounces
from tests.studies import detective

OPENING = np.array([0.15, 0.24, 0.24, 0.4, 0.4, 0.6, 0.9, 0.9])
SECONDS = np.array([90.0, 90, 45, 100, 35, 60, 30, 75])
WOBBLE = np.array([1.004, 0.997, 1.01, 0.995, 1.002, 0.992, 1.006, 1.001])


def law(opening):
    return 0.1 * (np.asarray(opening) - 0.06) ** 1.6


def fit(mass=None, *, opening=OPENING, seconds=SECONDS, **circumstances):
    """Fit invented catches."""
    made = law(OPENING) * SECONDS * WOBBLE if mass is None else mass
    known = Circumstances(**circumstances)
    return fit_flow_curve(catches(opening=opening, mass=made, duration=seconds), circumstances=known)


def found(answer, code):
    return [one for one in answer.findings if one.code == code]


REFERENCE = fit().curve


def test_clean_catches_raise_nothing_with_or_without_a_reference():
    assert fit().findings == ()
    assert fit(reference=REFERENCE, bag_age=3600.0, lots=("L1",) * 8).findings == ()


# --- typed in two units at once -----------------------------------------------------------------------


@given(st.integers(0, 9), st.integers(1, 59))
def test_minutes_and_seconds_are_read_back(minutes, seconds):
    """Typed as minutes, and typed as seconds."""
    meant, typed = 60.0 * minutes + seconds, minutes + seconds / 100
    assert minutes_and_seconds(60.0 * typed) == pytest.approx(meant)
    if 60.0 * typed > 10.0:
        assert minutes_and_seconds(typed) in (pytest.approx(meant), minutes_and_seconds(typed))


@given(st.integers(1, 40), st.integers(1, 15))
def test_pounds_and_ounces_are_read_back(pounds, ounces):
    typed = float(f"{pounds}.{ounces}")
    other = float(f"{pounds}.{ounces:02d}")
    assert (
        pounds_and_ounces(POUND * other)
        in (
            pytest.approx(POUND * (pounds + ounces / 16)),
            pytest.approx(POUND * (pounds + ounces // 10 / 16)),
        )
        or ounces == 10
    )
    if ounces < 10:
        assert pounds_and_ounces(POUND * typed) == pytest.approx(POUND * (pounds + ounces / 16))


@pytest.mark.parametrize("seconds", [75.0, 25.0, 33.3, 90.5])
def test_durations_that_nobody_types_so_have_no_other_reading(seconds):
    assert minutes_and_seconds(seconds if seconds != 75.0 else 60 * 1.75) is None


def test_times_typed_as_minutes_and_seconds_are_found_for_all_catches():
    whole, rest = np.divmod(SECONDS, 60)
    answer = fit(law(OPENING) * SECONDS, seconds=60 * whole + 0.6 * rest)
    (finding,) = found(answer, "minutes_and_seconds")
    assert finding.where == ("catches",)
    assert not found(answer, "falling_flow")


def test_one_time_typed_as_minutes_and_seconds_is_found_at_its_catch():
    seconds = SECONDS.copy()
    seconds[4] = 60 * 0.35
    answer = fit(law(OPENING) * SECONDS * WOBBLE, seconds=seconds)
    assert [one.where for one in found(answer, "minutes_and_seconds")] == [("catches", 4)]


# --- openings, bucket, clump --------------------------------------------------------------------------


def test_openings_that_were_exchanged_are_found():
    opening = np.array([0.15, 0.24, 0.4, 0.6, 0.75, 0.9])
    made = law(opening) * 30
    opening[[2, 4]] = opening[[4, 2]]
    answer = fit(made, opening=opening, seconds=np.full(6, 30.0))
    (finding,) = found(answer, "openings_swapped")
    assert "catch 3 and catch 5" in finding.what


def test_a_bucket_that_was_not_tared_is_found_and_its_share_told():
    made = law(OPENING) * SECONDS * WOBBLE + 0.15 * law(0.24) * 90
    answer = fit(made)
    (finding,) = found(answer, "bucket_not_tared")
    assert finding.where == ("catches", 1)
    assert not found(answer, "repeats_disagree")


def test_catches_with_their_tare_are_not_told_of_a_bucket():
    made = law(OPENING) * SECONDS * WOBBLE + 0.15 * law(0.24) * 90
    weighed = catches(opening=OPENING, mass=made, duration=SECONDS, weighings=[2] * 8)
    assert not found(fit_flow_curve(weighed), "bucket_not_tared")


def test_the_bucket_is_a_straight_line_over_one_over_duration():
    """Slope, its uncertainty and probability by a plain weighted line, for one opening with three durations."""
    rng = np.random.default_rng(3)
    from catchpan_service.calibration.evidence import Evidence
    from catchpan_service.calibration.pooling import pool
    from catchpan_service.calibration.repeats import bucket_of

    seconds = np.array([90.0, 45.0, 30.0, 30.0])
    opening = np.array([0.4, 0.4, 0.4, 0.8])
    mass = 0.02 * seconds * np.exp(rng.normal(0, 0.02, 4)) + 0.1
    mass[3] *= 3
    made, model = (
        catches(opening=opening, mass=mass, duration=seconds),
        uncertainty_model(scale_readability=0, timer_uncertainty=0),
    )
    evidence = Evidence(pool(made, model), None, None, None, None, (), (), with_prior=False, misfit=False, model=model)
    z, y = 1 / seconds[:3], mass[:3] / seconds[:3]
    slope, level = np.polyfit(z, y, 1)
    missed = ((y - level - slope * z) ** 2).sum() / y.mean() ** 2
    variance = (missed + 5 * 0.02**2) / 6 * y.mean() ** 2 / ((z - z.mean()) ** 2).sum()
    bucket = bucket_of(evidence)
    assert bucket.mass == pytest.approx(slope, rel=1e-9)
    assert bucket.standard_uncertainty == pytest.approx(math.sqrt(variance), rel=1e-9)
    assert bucket.chance == pytest.approx(student.sf(slope / math.sqrt(variance), 6), rel=1e-6)


def test_a_clump_is_found_below_its_repeats_and_never_above():
    opening = np.repeat([0.15, 0.3, 0.6, 0.9], 3)
    made = law(opening) * 30 * np.resize(WOBBLE, 12)
    for factor, codes in ((0.8, ["clump_suspected"]), (1.25, ["repeats_disagree"])):
        mass = made.copy()
        mass[4] *= factor
        answer = fit(mass, opening=opening, seconds=np.full(12, 30.0))
        assert [one.code for one in answer.findings if one.severity == "look"] == codes
        assert answer.findings[0].where[1] in (3, 4)


# --- reference, material ------------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [2.2046226, 1 / 2.2046226, 16.0, 1 / 16])
def test_all_catches_in_another_unit_are_found_against_a_reference(factor):
    answer = fit(law(OPENING) * SECONDS * factor, reference=REFERENCE)
    assert [one.code for one in answer.findings if one.severity == "look"] == ["all_in_another_unit"]
    assert not found(fit(law(OPENING) * SECONDS * factor), "all_in_another_unit")


def test_flow_well_below_the_reference_speaks_of_the_lot():
    answer = fit(law(OPENING) * SECONDS * WOBBLE * 0.85, reference=REFERENCE)
    (finding,) = found(answer, "flow_below_reference")
    assert "15 % below" in finding.what
    assert not found(fit(law(OPENING) * SECONDS * WOBBLE * 0.95, reference=REFERENCE), "flow_below_reference")
    assert not found(fit(law(OPENING) * SECONDS * WOBBLE * 1.15, reference=REFERENCE), "flow_below_reference")


def test_two_lots_and_an_old_bag_are_told():
    answer = fit(lots=("L1",) * 5 + ("L2",) * 3, bag_age=3 * 86_400.0)
    assert found(answer, "lots_mixed")[0].where == ("catches", 5)
    assert found(answer, "bag_long_open")[0].severity == "note"


def test_a_bag_opened_after_the_catches_is_refused():
    with pytest.raises(CalibrationError, match="opened after the catches"):
        Circumstances(bag_age=-5.0)


def test_a_catch_too_small_for_scale_and_watch_is_noted():
    seconds = SECONDS.copy()
    seconds[0] = 4.0
    answer = fit(law(OPENING) * seconds * WOBBLE, seconds=seconds)
    assert found(answer, "catch_too_small")[0].where == ("catches", 0)


def test_every_finding_names_something_to_do_and_no_quantity_with_a_dimension():
    units = ("kg", " g ", "lb", "oz", " s ", "m/s", "mph", " ft", " m ")
    answers = [
        fit(law(OPENING) * SECONDS * 2.2046, reference=REFERENCE, lots=("a",) * 7 + ("b",), bag_age=1e6),
        fit(law(OPENING) * SECONDS * WOBBLE + 0.15 * law(0.24) * 90),
    ]
    findings = [one for answer in answers for one in answer.findings]
    assert len(findings) >= 4
    assert all(one.advice for one in findings)
    assert not [one for one in findings if any(unit in f"{one.what} {one.advice} " for unit in units)]


# --- the study, short ---------------------------------------------------------------------------------


def test_honest_sessions_are_left_in_peace():
    """1,000 sessions: three standard deviations of counting about 1.5 % are 1.2 %."""
    _, accused, _ = detective.honest_share(1000, seed=5)
    assert accused <= 27


def test_what_the_data_can_show_is_found():
    """20 to 40 sessions a cell: the aim of 95 %, less what counting may take away."""
    shares = detective.cells(30)
    aimed = {title: share for title, (share, aim) in shares.items() if aim is not None}
    assert len(aimed) >= 18
    assert [title for title, share in aimed.items() if share < 0.83] == []


@pytest.mark.long
def test_the_detective_reaches_its_aims():
    _, accused, _ = detective.honest_share(10_000, seed=2026)
    assert detective.upper_limit(accused, 10_000) <= 0.02
    assert [title for title, (share, aim) in detective.cells(500).items() if aim is not None and share < aim] == []

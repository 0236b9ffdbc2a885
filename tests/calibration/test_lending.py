"""A fleet's prior and borrowed curves: what they say, what they refuse, and whether they keep their word."""

import contextlib
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from catchpan_service.calibration.catches import catches
from catchpan_service.calibration.curve import fit_variance, flow
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.flow_curve import DEFAULT_PRIOR, FitCase, Prior, fit_flow_curve, fit_flow_curves
from catchpan_service.calibration.opening import opening_for_rate
from catchpan_service.calibration.prior import fleet_prior
from catchpan_service.calibration.provisional import provisional_curve

S = [[1e-4, 0.0], [0.0, 36e-4]]


def fleet(count=12, *, slope=None, seed=4, without=None, **options):
    """An invented fleet: dead openings by size where a slope is given, else about 6 %."""
    rng = np.random.default_rng(seed)
    size = rng.uniform(80, 280, count)
    dead = rng.normal(0.06, 0.015, count) if slope is None else slope * size + rng.normal(0, 0.003, count)
    noise = rng.multivariate_normal([0, 0], S, count)
    made = {
        "material": [f"material {k}" for k in range(count)],
        "dead_opening": dead + noise[:, 0],
        "exponent": rng.normal(1.7, 0.12, count) + noise[:, 1],
        "covariance": [S] * count,
        "size": list(size),
        "without": without,
    }
    return fleet_prior(**made | options)


def test_many_materials_outweigh_the_assumption_and_few_are_drawn_to_it():
    many, few = fleet(80).prior, fleet(3).prior
    assert many.exponent == pytest.approx(1.7, abs=0.05)
    assert many.exponent_uncertainty == pytest.approx(0.14, abs=0.05)
    assert many.dead_opening == pytest.approx(0.06, abs=0.006)
    assert few.exponent_uncertainty > 1.5 * many.exponent_uncertainty


def test_the_estimate_maximises_the_likelihood_it_says_it_does():
    """The same penalised likelihood, maximised by a general minimiser."""
    rng = np.random.default_rng(8)
    y = rng.multivariate_normal([0.06, 1.7], [[4e-4, 1e-3], [1e-3, 2e-2]], 15)
    centre, width = np.array([0.08, 1.6]), np.diag([0.05, 0.4]) ** 2

    def spread_of(x):
        root = np.array([[math.exp(x[2]), 0.0], [x[3], math.exp(x[4])]])
        return root @ root.T

    def target(x):
        mean, spread = x[:2], spread_of(x)
        total = spread + np.array(S)
        off = y - mean
        data = 0.5 * np.einsum("ni,ij,nj", off, np.linalg.inv(total), off) + 7.5 * np.linalg.slogdet(total)[1]
        away = np.outer(centre - mean, centre - mean) + width
        return data + 0.5 * 2.0 * (np.trace(np.linalg.solve(spread, away)) + np.linalg.slogdet(spread)[1])

    best = minimize(
        target,
        [0.06, 1.7, -3.5, 0.0, -1.5],
        method="Nelder-Mead",
        options={"maxiter": 20000, "xatol": 1e-9, "fatol": 1e-12},
    )
    spread = spread_of(best.x) * (1 + 1 / 17)
    found = fleet_prior(
        material=[str(k) for k in range(15)], dead_opening=y[:, 0], exponent=y[:, 1], covariance=[S] * 15
    ).prior
    assert (found.dead_opening, found.exponent) == pytest.approx(best.x[:2], abs=1e-3)
    assert (found.dead_opening_uncertainty, found.exponent_uncertainty) == pytest.approx(
        np.sqrt(np.diag(spread)), rel=0.02
    )


def test_size_scales_the_dead_opening_only_where_it_foretells_better():
    helped, idle = fleet(12, slope=0.0004, new_size=240.0), fleet(12, new_size=240.0)
    assert helped.scaled_by_size
    assert helped.size_gain > 2
    assert helped.prior.dead_opening == pytest.approx(0.096, abs=0.012)
    assert not idle.scaled_by_size
    assert idle.size_gain < 0
    assert fleet(12, slope=0.0004).scaled_by_size is False


def test_the_material_that_is_left_out_does_not_matter():
    one = fleet(6, without="material 2")
    other = {"dead_opening": [0.06, 0.05, 99.0, 0.04, 0.07, 0.05], "exponent": [1.6, 1.7, 99.0, 1.5, 1.8, 1.7]}
    spoiled = fleet(6, without="material 2", **other)
    honest = fleet(6, without="material 2", **{k: [*v[:2], 0.1, *v[3:]] for k, v in other.items()})
    assert one.materials == ("material 0", "material 1", "material 3", "material 4", "material 5")
    assert spoiled.prior == honest.prior


def test_several_sets_of_one_material_count_as_one():
    twice = fleet_prior(
        material=["a", "a", "b", "c"], dead_opening=[0.05, 0.05, 0.06, 0.07], exponent=[1.5, 1.5, 1.7, 1.8],
        covariance=[[[2e-4, 0], [0, 72e-4]]] * 2 + [S] * 2,
    )  # fmt: skip
    once = fleet_prior(
        material=list("abc"), dead_opening=[0.05, 0.06, 0.07], exponent=[1.5, 1.7, 1.8], covariance=[S] * 3
    )
    assert twice.prior.exponent == pytest.approx(once.prior.exponent, rel=1e-3)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"without": "material 0"}, "too_few_materials"),
        ({"dead_opening": [0.1, math.nan, 0.1]}, "bad_set"),
        ({"covariance": [S, S, [[-1, 0], [0, 1]]]}, "bad_set"),
        ({"exponent": [1.0]}, "lengths_differ"),
        ({"size": [100, -1, 100]}, "bad_size"),
    ],
)
def test_a_fleet_that_says_too_little_is_refused(changes, code):
    if code == "lengths_differ":
        changes = {"covariance": [S]}
    with pytest.raises(CalibrationError) as refused:
        fleet(3, **changes)
    assert refused.value.code == code


def test_a_fleets_own_prior_makes_two_openings_surer_and_no_less_true():
    """Materials of the fleet's own kind, two openings each: by the fleet's prior and by the assumption."""
    rng = np.random.default_rng(11)
    own, cases, truths = Prior(1.7, 0.12, 0.06, 0.015), [], []
    for _ in range(150):
        dead, exponent = max(rng.normal(0.06, 0.015), 0.0), rng.normal(1.7, 0.12)
        place = np.array([0.2, 0.2, 0.7, 0.7])
        true = 0.4 * (place + np.repeat(rng.normal(0, 0.003, 2), 2) - dead) ** exponent
        made = catches(opening=place, mass=30 * true * np.exp(rng.normal(0, 0.02, 4)), duration=[30] * 4)
        cases += [FitCase(made, prior=own), FitCase(made, prior=DEFAULT_PRIOR)]
        truths.append(0.4 * (0.4 - dead) ** exponent)
    fits = fit_flow_curves(cases)
    misses = np.array([float(flow(fit.curve, 0.4)) for fit in fits]).reshape(-1, 2) / np.array(truths)[:, None] - 1
    stated = np.sqrt([float(fit_variance(fit.curve, 0.4)) + 0.005**2 for fit in fits]).reshape(-1, 2)
    assert np.sqrt(np.mean(misses[:, 0] ** 2)) < 0.8 * np.sqrt(np.mean(misses[:, 1] ** 2))
    assert np.mean(np.abs(misses) < 1.96 * stated, axis=0).min() >= 0.93
    assert all(fit.prior_influence is not None for fit in fits)


def test_a_correlated_prior_is_met_where_the_catches_say_nothing_of_the_shape():
    """Against a general minimiser of the same sum."""
    prior = Prior(1.8, 0.2, 0.07, 0.02, correlation=-0.7)
    made = catches(opening=[0.3, 0.6], mass=[3.0, 9.0], duration=[30.0, 30.0])
    fit = fit_flow_curve(made, prior=prior)
    values = [fit.parameters[name].value for name in ("flow_scale", "dead_opening", "exponent")]
    weight = np.linalg.inv([[0.02**2, -0.7 * 0.02 * 0.2], [-0.7 * 0.02 * 0.2, 0.2**2]])

    def target(x):
        off = np.array([x[1] - 0.07, x[2] - 1.8])
        missed = np.array([0.1, 0.3]) - math.exp(x[0]) * (np.array([0.3, 0.6]) - x[1]) ** x[2]
        return float(((missed / sigma) ** 2).sum() + off @ weight @ off)

    pools = fit.openings
    sigma = np.array([one.standard_uncertainty for one in pools])
    best = minimize(
        target, [math.log(values[0]), *values[1:]], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}
    )
    assert values[1:] == pytest.approx(best.x[1:], abs=2e-3)
    turned = fit_flow_curve(made, prior=Prior(1.8, 0.2, 0.07, 0.02, correlation=0.7))
    assert abs(turned.parameters["exponent"].value - values[2]) > 1e-3


def test_a_correlated_prior_is_solved_alike_alone_and_among_many():
    made = catches(opening=[0.3, 0.3, 0.6], mass=[3.0, 3.1, 9.0], duration=[30.0] * 3)
    prior = Prior(1.8, 0.2, 0.07, 0.02, correlation=-0.7)
    many = fit_flow_curves([FitCase(made, prior=prior)] * 12)[3]
    assert flow(many.curve, [0.3, 0.5]) == pytest.approx(
        flow(fit_flow_curve(made, prior=prior).curve, [0.3, 0.5]), rel=1e-9
    )


@pytest.mark.parametrize("changes", [{"correlation": 1.0}, {"exponent": math.nan}, {"dead_opening_uncertainty": 0.0}])
def test_a_prior_that_cannot_be_is_refused(changes):
    with pytest.raises(CalibrationError) as refused:
        Prior(
            **{"exponent": 1.6, "exponent_uncertainty": 0.4, "dead_opening": 0.08, "dead_opening_uncertainty": 0.05}
            | changes
        )
    assert refused.value.where == ("prior", next(iter(changes)))


# --- borrowed curves ----------------------------------------------------------------------------------

OPENING = np.array([0.15, 0.15, 0.24, 0.4, 0.4, 0.6, 0.9, 0.9])


def law(opening, scale=0.3, dead=0.06, exponent=1.6):
    return scale * (np.asarray(opening) - dead) ** exponent


def borrowed(form="auto"):
    return fit_flow_curve(catches(opening=OPENING, mass=30 * law(OPENING), duration=[30] * 8), form=form).curve


def checks(ratio=1.0, opening=(0.25, 0.25, 0.6, 0.6)):
    return catches(opening=opening, mass=30 * law(opening) * ratio, duration=[30] * len(opening))


@pytest.mark.parametrize("form", ["auto", "monotone"])
def test_a_borrowed_curve_takes_one_factor_and_becomes_less_sure(form):
    own = borrowed(form)
    found = provisional_curve(own, checks(1.2))
    at = np.array([0.2, 0.4, 0.8])
    assert flow(found.curve, at) == pytest.approx(1.2 * flow(own, at), rel=2e-3)
    assert (fit_variance(found.curve, at) > fit_variance(own, at)).all()
    assert found.curve.opening_range == (0.25, 0.6)
    assert found.curve.smallest_steady_opening == 0.25
    assert [one.code for one in found.findings] == ["curve_borrowed"]


def test_a_borrowed_curve_is_least_sure_far_from_its_checks():
    variance = fit_variance(provisional_curve(borrowed(), checks(1.1)).curve, [0.12, 0.4, 0.95])
    assert variance[1] < variance[2] < variance[0]


@pytest.mark.parametrize(
    ("made", "code"),
    [
        (checks(1.1, (0.4, 0.4)), "too_few_openings"),
        (checks(np.array([1.0, 1.0, 1.35, 1.35])), "check_ratios_disagree"),
        (checks(2.3), "another_flow"),
    ],
)
def test_a_loan_that_the_checks_do_not_bear_is_refused(made, code):
    with pytest.raises(CalibrationError) as refused:
        provisional_curve(borrowed(), made)
    assert refused.value.code == code
    assert refused.value.allowed


def test_a_factor_far_from_one_makes_the_loan_doubtful():
    assert [one.code for one in provisional_curve(borrowed(), checks(1.5)).findings] == [
        "curve_borrowed",
        "loan_doubtful",
    ]


def test_a_borrowed_curves_interval_holds_the_truth_of_like_materials():
    """Materials with another factor, exponent and dead opening; of those whose loan is granted."""
    rng, own, held = np.random.default_rng(13), borrowed(), []
    for _ in range(400):
        true = {
            "scale": 0.3 * math.exp(rng.normal(0, 0.15)),
            "dead": rng.normal(0.06, 0.01),
            "exponent": rng.normal(1.6, 0.08),
        }
        place = np.array([0.25, 0.25, 0.6, 0.6])
        mass = (
            30
            * law(place + np.repeat(rng.normal(0, 0.003, 2), 2), **true)
            * np.exp(rng.normal(0, 0.02, 4))
            * rng.normal(1, 0.005)
        )
        with contextlib.suppress(CalibrationError):
            curve = provisional_curve(own, catches(opening=place, mass=mass, duration=[30] * 4)).curve
            at = rng.uniform(0.2, 0.7)
            answer = opening_for_rate(curve, rate=float(law(at, **true)), speed=1.0, laid_width=1.0)
            laid = float(law(float(answer.opening) + rng.normal(0, 0.003), **true))
            low, high = answer.rate_interval_this_machine
            held.append(low <= laid <= high)
    assert len(held) > 200
    assert np.mean(held) >= 0.93


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(), st.floats(), st.floats()), max_size=4),
    st.lists(st.floats(0.1, 10.0), min_size=4, max_size=4),
)
def test_whatever_is_thrown_at_them_only_a_calibration_error_comes_out(rows, ratios):
    columns = {"dead_opening": [row[0] for row in rows], "exponent": [row[1] for row in rows]}
    names, size = [str(k) for k in range(len(rows))], [row[2] for row in rows]
    with contextlib.suppress(CalibrationError):
        assert fleet_prior(material=names, covariance=[S] * len(rows), size=size, new_size=100.0, **columns)
    with contextlib.suppress(CalibrationError):
        assert provisional_curve(borrowed(), checks(np.array(ratios)))

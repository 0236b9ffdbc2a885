"""``catchpan curve``: weighed catches become a flow curve; a prior from a fleet's curves; a curve borrowed."""

from pathlib import Path
from typing import Any

from cyclopts import App

from catchpan.cli.arguments import AMass, ARatio, ATime
from catchpan.cli.connection import Common
from catchpan.cli.files import fit as fit_file
from catchpan.cli.files import read_curve, read_prior
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, told
from catchpan.contract.curves import AskedForm, FlowCurveAnswer, Weighting
from catchpan.contract.priors import PriorAnswer, PriorRequest, ProvisionalAnswer, ProvisionalRequest
from catchpan.tables import read_catches, read_sets

app = App(name="curve", help="Fit, borrow and foretell flow curves.", help_format="plaintext")
_DEFAULT = Common()
_FORMS = {"offset_power": "offset power", "power": "power", "monotone": "monotone (no power law)"}
_COMPONENTS = {
    "repeatability": "spread of repeated catches",
    "type_b": "reading scale and timer",
    "shared": "shared by all catches (scale span)",
    "opening": "finding an opening (of the range)",
}
_BASIS = {"estimated": "from these catches", "partly_assumed": "from these catches and an assumption",
          "assumed": "assumed", "given": "as given"}  # fmt: skip


@app.command
def fit(
    catches: Path,
    /,
    *,
    form: AskedForm = "auto",
    weighting: Weighting = "uncertainty",
    scale_readability: AMass | None = None,
    timer_uncertainty: ATime | None = None,
    opening_uncertainty: ARatio | None = None,
    shared_uncertainty: ARatio | None = None,
    repeatability: ARatio | None = None,
    reference: Path | None = None,
    prior: Path | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Fit a flow curve to a file of weighed catches, and say how sure it is.

    Example: catchpan curve fit catches.csv

    Parameters
    ----------
    catches
        A CSV file: opening [%], mass [lb], duration [s], and stream, gates, note where wanted.
    form
        auto, offset_power, power or monotone.
    weighting
        uncertainty (each catch by how sure it is) or equal.
    scale_readability
        Smallest step of the scale, such as "0.1 lb".
    timer_uncertainty
        How well start and stop are timed, such as "0.3 s".
    opening_uncertainty
        How well the gate finds an opening, as a share of its range.
    shared_uncertainty
        What all catches share, such as the scale's span.
    repeatability
        Spread of repeated catches; by default from the catches themselves.
    reference
        Another curve of the same material, against which a wrong unit shows: JSON or a catch file.
    prior
        What curve prior --json printed, for sessions of two or three openings.
    """
    settings: dict[str, Any] = {
        "form": form,
        "weighting": weighting,
        "scale_readability": scale_readability,
        "timer_uncertainty": timer_uncertainty,
        "opening_uncertainty": opening_uncertainty,
        "shared_uncertainty": shared_uncertainty,
        "repeatability": repeatability,
        "prior": None if prior is None else read_prior(prior),
    }
    with common.client() as client:
        settings["reference"] = None if reference is None else read_curve(reference, client)
        answer = fit_file(catches, client, **settings)
    if common.json:
        put_json(answer)
    else:
        show(answer)


def show(answer: FlowCurveAnswer) -> None:
    """Print a fit for a technician."""
    _show_points(answer)
    put()
    _show_curve(answer)
    put()
    put("How sure")
    for name, title in _COMPONENTS.items():
        component = getattr(answer.budget, name)
        put(f"  {title:<38} {told(component.value, 2):>8}  {_BASIS.get(component.basis.value, component.basis.value)}")
    put()
    put_findings(answer.findings)


def _show_points(answer: FlowCurveAnswer) -> None:
    unit = answer.points[0].flow.unit
    rows = []
    for count, point in enumerate(answer.points, 1):
        off = None if point.residual is None else 100 * point.residual.value / (point.flow.value - point.residual.value)
        why = point.why_unused.value.replace("_", " ") if point.why_unused else ""
        rows.append([
            str(count),
            told(point.opening),
            number(point.flow.value),
            f"±{number(2 * point.standard_uncertainty.value, 2)}",
            "-" if off is None else f"{off:+.1f} %",
            "yes" if point.used else f"no: {why}",
        ])  # fmt: skip
    put_table(["catch", "opening", f"flow [{unit}]", "±95 %", "off curve", "used"], rows)


def _show_curve(answer: FlowCurveAnswer) -> None:
    fit, form = answer.fit, _FORMS.get(answer.fit.form.value, answer.fit.form.value)
    put(f"Flow curve: {form}")
    if fit.parameters is not None:
        scale, dead, exponent = fit.parameters.flow_scale, fit.parameters.dead_opening, fit.parameters.exponent
        offset = f"(opening - {number(dead.value)})" if dead else "opening"
        put(
            f"  flow = {number(scale.value)} {scale.unit} x {offset} ^ {number(exponent.value)}   (opening from 0 to 1)"
        )
    put(f"  caught from {told(answer.opening_range.low)} to {told(answer.opening_range.high)} opening, "
        f"{told(answer.flow_range.low)} to {told(answer.flow_range.high)}")  # fmt: skip
    if answer.smallest_steady_opening:
        put(f"  smallest steady opening {told(answer.smallest_steady_opening)}")
    if answer.largest_unsteady_opening:
        put(f"  stream not steady at    {told(answer.largest_unsteady_opening)}")
    if fit.lack_of_fit_p is not None:
        verdict = "the curve fits its catches" if fit.lack_of_fit_p > 0.01 else "the curve does not fit its catches"
        put(f"  {verdict} (p = {number(fit.lack_of_fit_p, 2)})")


@app.command
def prior(
    sets: Path,
    /,
    *,
    without: str | None = None,
    size_guide_number: float | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Learn from the fleet's own catches what the next material's curve may look like.

    Example: catchpan curve prior sets.csv --without "Alder Overseed" --size-guide-number 240

    Parameters
    ----------
    sets
        A catch file with a column material, and size guide number where it is known.
    without
        The material that the prior is for: its own catches are left out.
    size_guide_number
        Its size guide number.
    """
    request = PriorRequest(sets=read_sets(sets), without=without, size_guide_number=size_guide_number)
    with common.client() as client:
        answer = client.prior(request)
    if common.json:
        put_json(answer)
    else:
        show_prior(answer)


def show_prior(answer: PriorAnswer) -> None:
    """Print what a fleet's curves say."""
    rows = [
        [
            one.material,
            f"{100 * one.dead_opening:.1f} ±{100 * one.dead_opening_uncertainty:.1f} %",
            f"{one.exponent:.2f} ±{one.exponent_uncertainty:.2f}",
        ]
        for one in answer.sets
    ]
    put_table(["material", "dead opening", "exponent"], rows)
    put()
    own = answer.prior
    put(f"Another material: dead opening {100 * own.dead_opening:.1f} ±{100 * own.dead_opening_uncertainty:.1f} %, "
        f"exponent {own.exponent:.2f} ±{own.exponent_uncertainty:.2f}")  # fmt: skip
    size = "grows with the granules" if answer.scaled_by_size else "is taken as it is, whatever the granules"
    put(f"From {len(answer.materials)} materials; the dead opening {size}")


@app.command
def provisional(
    curve: Path,
    checks: Path,
    /,
    *,
    scale_readability: AMass | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Borrow the curve of a like material, corrected by check catches at two openings.

    Example: catchpan curve provisional curve.json checks.csv --json

    Parameters
    ----------
    curve
        The curve to borrow: the JSON that curve fit --json printed, or its catch file.
    checks
        A catch file (CSV) of the material at hand, at two openings far apart.
    scale_readability
        Smallest step of the scale, such as "0.02 lb".
    """
    with common.client() as client:
        request = ProvisionalRequest(
            curve=read_curve(curve, client), catches=read_catches(checks), scale_readability=scale_readability
        )
        answer = client.provisional_curve(request)
    if common.json:
        put_json(answer)
    else:
        show_provisional(answer)


def show_provisional(answer: ProvisionalAnswer) -> None:
    """Print a borrowed curve's correction."""
    rows = [
        [told(one.opening), str(one.catches), told(one.ratio), f"±{told(one.standard_uncertainty, 2)}"]
        for one in answer.ratios
    ]
    put_table(["opening", "catches", "of borrowed flow", "standard uncertainty"], rows)
    put()
    put(f"All flows are {told(answer.factor)} of the borrowed ones, ±{told(answer.standard_uncertainty, 2)}")
    put("Keep the curve with --json; opening and chart take that file.")
    put()
    put_findings(answer.findings)

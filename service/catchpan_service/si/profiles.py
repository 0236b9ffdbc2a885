"""The content of a revision: completed, refitted, looked through, and turned into the bytes that are hashed."""

from collections.abc import Iterator

import msgspec

from catchpan.contract.findings import Finding, FindingCode, Severity
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.openings import OpeningRequest
from catchpan.contract.priors import ProvisionalAnswer, ProvisionalRequest
from catchpan.contract.profiles import Content, Pass, WorkRate
from catchpan.digest import canonical
from catchpan_service.calibration.curve import FlowCurve, refit_agrees
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.flow_curve import FlowFit
from catchpan_service.si import curves, openings, overlaps, priors
from catchpan_service.si.telling import findings

_LENT = FindingCode.CURVE_BORROWED
_UNREACHED = {
    "beyond_full_opening": "needs more than the full opening gives",
    "below_steady_flow": "needs an opening at which the stream is not steady",
}


def completed(content: Content, material: MaterialRequest) -> tuple[bytes, tuple[Finding, ...]]:
    """The canonical bytes of a content, completed with curve and material, and all that was found in it.

    Raises
    ------
    CalibrationError
        Where the catches have no curve, the curve that was sent is not theirs, or the parts do not fit together.
    """
    _check_passes(content)
    found: list[Finding] = []
    curve = content.curve
    if content.calibration is not None:
        _check_one_basis(content)
        fit = _refit(content)
        found += findings(fit.findings, "content/calibration")
        curve = curve or curves.published(fit.curve)
    elif content.loan is not None:
        lent = _borrowed(content, content.loan)
        found += [_moved_finding(one, "/content/loan") for one in lent.findings if one.code != _LENT]
        curve = curve or lent.curve
    whole = msgspec.structs.replace(content, curve=curve, material=content.material or material)
    found += [*_curve_findings(whole), *_pan_findings(whole), *_work_findings(whole)]
    return canonical(whole), tuple(found)


def _check_passes(content: Content) -> None:
    names = [one.name for one in content.passes]
    for index, name in enumerate(names):
        if name in names[:index]:
            where, allowed = ("content", "passes", index, "name"), "each pass its own name"
            raise CalibrationError("duplicate_name", f"two passes are called {name}", where=where, allowed=allowed)
    for index, one in enumerate(content.passes):
        if not one.width.si > 0:
            message, where = f"the pass {one.name} has no width", ("content", "passes", index, "width")
            raise CalibrationError("bad_width", message, where=where, given=one.width.si, allowed="above 0")
    for index, work in enumerate(content.work_rates):
        if work.pass_name not in names:
            where = ("content", "work_rates", index, "pass_name")
            allowed = f"one of {', '.join(names)}" if names else "the name of a pass, and there is none"
            raise CalibrationError("unknown_pass", f"there is no pass {work.pass_name}", where=where, allowed=allowed)


def _refit(content: Content) -> FlowFit:
    """The fit of the content's catches; a curve that was sent must be that of the fit."""
    assert content.calibration is not None  # asked by the caller
    try:
        fit = curves.fit(content.calibration)
    except CalibrationError as error:
        raise _moved(error, ("content", "calibration")) from error
    _check_same(content, fit.curve)
    return fit


def _check_same(content: Content, found: FlowCurve) -> None:
    """A curve that was sent must be the one that was found."""
    if content.curve is None:
        return
    try:
        sent = curves.received(content.curve)
    except CalibrationError as error:
        raise _moved(error, ("content",)) from error
    if not refit_agrees(sent, found):
        allowed = f"the form {found.form} and flows within 1e-6 of a refit, or no curve"
        message = "the curve is not that of the catches"
        raise CalibrationError("curve_differs", message, where=("content", "curve"), allowed=allowed)


def _check_one_basis(content: Content) -> None:
    if content.loan is not None:
        message, allowed = "a curve is of its own catches or borrowed", "calibration or loan, not both"
        raise CalibrationError("two_bases", message, where=("content", "loan"), allowed=allowed)


def _borrowed(content: Content, loan: ProvisionalRequest) -> ProvisionalAnswer:
    """The borrowed curve as the check catches correct it; a curve that was sent must be that."""
    try:
        lent = priors.solve_provisional(loan, "si")
    except CalibrationError as error:
        raise _moved(error, ("content", "loan")) from error
    _check_same(content, curves.received(lent.curve))
    return lent


def _moved(error: CalibrationError, prefix: tuple[str | int, ...]) -> CalibrationError:
    where = (*prefix, *error.where)
    return CalibrationError(error.code, str(error), where=where, given=error.given, allowed=error.allowed)


def _curve_findings(content: Content) -> Iterator[Finding]:
    if content.loan is not None:
        yield Finding(
            code=_LENT,
            severity=Severity.STOP,
            where="/content/loan",
            what="The curve is borrowed from a like material: it serves one branch, for some days.",
            advice="Release it to one branch for some days, and calibrate this material by then.",
        )
    elif content.calibration is None:
        yield Finding(
            code=FindingCode.NO_CURVE,
            severity=Severity.STOP,
            where="/content",
            what="No catches stand behind this profile, so nothing checks its curve.",
            advice="Catch and weigh at three openings or more, and save them with the profile.",
        )


def _pan_findings(content: Content) -> Iterator[Finding]:
    for index, test in enumerate(content.pan_tests):
        prefix = ("content", "pan_tests", index, "test")
        try:
            answer = overlaps.solve(test.test, "si")
        except CalibrationError as error:
            raise _moved(error, prefix) from error
        place = "".join(f"/{step}" for step in prefix)
        for one in answer.findings:
            yield _moved_finding(one, place)


def _moved_finding(one: Finding, place: str) -> Finding:
    return msgspec.structs.replace(one, where=place + one.where)


def _work_findings(content: Content) -> Iterator[Finding]:
    passes = {one.name: one for one in content.passes}
    if content.curve is None:
        return
    for index, work in enumerate(content.work_rates):
        request = work_request(content, work, passes[work.pass_name])
        try:
            answer = openings.solve(request, "si")
        except CalibrationError as error:
            raise _moved(error, ("content", "work_rates", index)) from error
        where = f"/content/work_rates/{index}"
        if answer.status.value in _UNREACHED:
            yield Finding(
                code=FindingCode.WORK_RATE_OUT_OF_REACH,
                severity=Severity.LOOK,
                where=where,
                what=f"The work rate for {work.purpose} {_UNREACHED[answer.status.value]}.",
                advice="Take another speed or pass spacing for it.",
            )
        for one in answer.findings:
            if one.severity == Severity.STOP:
                yield msgspec.structs.replace(one, where=where)


def work_request(content: Content, work: WorkRate, driven: Pass) -> OpeningRequest:
    """The question that a work rate asks of a content's curve."""
    assert content.curve is not None  # asked by the caller
    label = content.label_highest_rate or (content.material and content.material.label_highest_rate) or None
    return OpeningRequest(
        curve=content.curve,
        rate=work.rate,
        speed=work.speed,
        pass_spacing=driven.width if driven.kind == "overlapped" else None,
        edge_width=driven.width if driven.kind == "edge" else None,
        coverages=driven.coverages,
        label_highest_rate=label,
    )

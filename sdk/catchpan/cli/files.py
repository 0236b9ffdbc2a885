"""Files that commands take and leave: curves, catches."""

from pathlib import Path
from typing import Any

import msgspec

from catchpan.contract.curves import Curve, FlowCurveAnswer, FlowCurveRequest, Prior
from catchpan.errors import TableError
from catchpan.tables import read_catches


class _Holder(msgspec.Struct):
    """Anything with a curve in it, such as the answer of ``curve fit --json``."""

    curve: Curve


class _PriorHolder(msgspec.Struct):
    """The answer of ``curve prior --json``."""

    prior: Prior


def read_prior(path: Path) -> Prior:
    """The prior of a file, as ``curve prior --json`` prints it."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=_PriorHolder).prior
    except OSError as error:
        raise TableError(f"{path}: {error.strerror}") from error
    except msgspec.DecodeError as error:
        raise TableError(f"{path.name}: not the answer of curve prior --json: {error}") from error


def read_curve(path: Path, client: Any) -> Curve:
    """The curve of a file: a fit as ``curve fit --json`` prints it, a bare curve, or catches to fit."""
    if path.suffix.lower() == ".csv":
        return fit(path, client).curve
    try:
        body = path.read_bytes()
    except OSError as error:
        raise TableError(f"{path}: {error.strerror}") from error
    try:
        return msgspec.json.decode(body, type=_Holder).curve
    except msgspec.DecodeError:
        pass
    try:
        return msgspec.json.decode(body, type=Curve)
    except msgspec.DecodeError as error:
        raise TableError(f"{path.name}: neither a curve nor the answer of curve fit --json: {error}") from error


def fit(path: Path, client: Any, **settings: Any) -> FlowCurveAnswer:
    """The flow curve of a catch file."""
    answer: FlowCurveAnswer = client.flow_curve(FlowCurveRequest(catches=read_catches(path), **settings))
    return answer

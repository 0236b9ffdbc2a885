"""One check for every number that must lie between two limits, and for arrays that must go together."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import CalibrationError


def together(**columns: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Broadcast arrays to one shape.

    Raises
    ------
    CalibrationError
        ``lengths_differ``, at the first of them, for shapes that do not go together.
    """
    try:
        return np.broadcast_arrays(*columns.values())
    except ValueError as error:
        shapes = ", ".join(f"{name} {column.shape}" for name, column in columns.items())
        message, allowed = f"the shapes do not go together: {shapes}", "shapes that broadcast"
        raise CalibrationError(
            "lengths_differ", message, where=(next(iter(columns)),), given=shapes, allowed=allowed
        ) from error


def limited(
    name: str, value: ArrayLike, low: float, high: float, allowed: str, *, dimensions: int = 0
) -> NDArray[np.float64]:
    """Return the value as an array once every element lies between two limits.

    Parameters
    ----------
    name : str
        What the argument is called: its first step in ``where``; the rest is the element's index.
    value : array_like
    low, high : float
        Both allowed, unless infinite.
    allowed : str
        What would be taken, in words without units.
    dimensions : int
        How many the array must have; with one or more it may not be empty.

    Raises
    ------
    CalibrationError
        ``wrong_shape``, or ``bad_<name>`` naming the first element that is outside or no number.

    Examples
    --------
    >>> limited("share", [0.2, 0.4], 0.0, 1.0, "from 0 to 1", dimensions=1).tolist()
    [0.2, 0.4]
    """
    values = np.asarray(value, dtype=np.float64)
    if values.ndim != dimensions or not values.size:
        message = f"{name} is not of the shape that is needed"
        words = "one number" if dimensions == 0 else "a list of numbers that is not empty"
        raise CalibrationError("wrong_shape", message, where=(name,), given=values.shape, allowed=words)
    good = np.isfinite(values) & (values >= low) & (values <= high)
    if not good.all():
        index = tuple(int(step) for step in np.argwhere(~good)[0])
        given = float(values[index])
        message = f"{name.replace('_', ' ')} must be {allowed}"
        raise CalibrationError(f"bad_{name}", message, where=(name, *index), given=given, allowed=allowed)
    return values

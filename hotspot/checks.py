"""Argument checks that name the parameter, the value and the bound."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]


def check_positive(value: float, *, name: str) -> float:
    """Return `value` if it is finite and above zero.

    Raises
    ------
    ValueError
        With the name, the value and the bound.
    """
    if not math.isfinite(value) or value <= 0:
        raise ValueError(f"{name} must be > 0, got {value!r}")
    return float(value)


def check_at_least(value: float, *, bound: float, name: str) -> float:
    """Return `value` if it is finite and not below `bound`.

    Raises
    ------
    ValueError
        With the name, the value and the bound.
    """
    if not math.isfinite(value) or value < bound:
        raise ValueError(f"{name} must be >= {bound}, got {value!r}")
    return float(value)


def finite_number(value: Any) -> float | None:
    """Return what was read from a file as a float, None if it is no finite number.

    A whole number of a thousand digits is none, nor is yes or no.
    """
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def check_points(points: Any, *, name: str) -> FloatArray:
    """Return `points` as a finite float array of shape (n, 2).

    Raises
    ------
    ValueError
        If the shape is another or a value is not finite.
    """
    array = np.asarray(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 2:
        raise ValueError(f"{name} must have shape (n, 2), got {array.shape}")
    if not np.isfinite(array).all():
        raise ValueError(f"{name} must be finite")
    return array


def freeze(array: NDArray[Any]) -> NDArray[Any]:
    """Return a read-only view of `array`."""
    view = array.view()
    view.setflags(write=False)
    return view

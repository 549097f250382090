"""Medians against numpy's and scipy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import median_abs_deviation

from hotspot.heat.robust import median_of, robust_sigma

VALUES = arrays(
    np.float64, st.integers(1, 40), elements=st.floats(-1e6, 1e6, allow_subnormal=False)
)


@given(VALUES)
def test_the_median_is_numpys(values: np.ndarray) -> None:
    assert median_of(values) == pytest.approx(float(np.median(values)), rel=1e-12, abs=1e-12)


@given(VALUES)
def test_the_scatter_is_scipys(values: np.ndarray) -> None:
    expected = float(median_abs_deviation(values, scale="normal"))
    assert robust_sigma(values) == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_a_picture_counts_as_its_pixels_and_nothing_has_no_median() -> None:
    assert median_of(np.array([[4, 1], [2, 3]], np.float32)) == 2.5
    assert np.isnan(median_of(np.zeros(0)))

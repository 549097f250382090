"""Numbers as files hold them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotspot.checks import finite_number


@pytest.mark.parametrize(
    "value", [True, False, None, "3", [3], math.nan, math.inf, -math.inf, 10**400, -(10**400)]
)
def test_what_is_no_finite_number_is_none(value: object) -> None:
    assert finite_number(value) is None


@given(st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False))
def test_a_finite_number_is_itself(value: float) -> None:
    assert finite_number(value) == value
    assert isinstance(finite_number(value), float)

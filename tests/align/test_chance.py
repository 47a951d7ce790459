"""Tails of distributions, against SciPy."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from nightfold.align.chance import binomial_tail, f_tail, incomplete_beta


@given(st.floats(0.5, 400.0), st.floats(0.5, 400.0), st.floats(0.0, 1.0, allow_subnormal=False))
def test_incomplete_beta_is_that_of_scipy(a, b, x):
    theirs = float(special.betainc(a, b, x))
    if theirs > 1e-290:
        assert incomplete_beta(a, b, x) == pytest.approx(theirs, rel=1e-9, abs=1e-14 if theirs > 0.5 else 0.0)


@given(st.integers(0, 320), st.integers(1, 300), st.floats(1e-6, 0.9))
def test_binomial_tail_is_that_of_scipy(least, trials, chance):
    theirs = 1.0 if least <= 0 else float(special.bdtrc(least - 1, trials, chance)) if least <= trials else 0.0
    if theirs > 1e-290 or least > trials:
        assert binomial_tail(least, trials, chance) == pytest.approx(theirs, rel=1e-9)


@given(st.integers(1, 20), st.integers(1, 4000), st.floats(0.0, 50.0))
def test_f_tail_is_that_of_scipy(first, second, value):
    theirs = float(special.fdtrc(first, second, value))
    if theirs > 1e-290:
        assert f_tail(first, second, value) == pytest.approx(theirs, rel=1e-8, abs=1e-12 if theirs > 0.5 else 0.0)
    assert f_tail(first, second, float("inf")) == 0.0

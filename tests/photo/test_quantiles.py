"""Our medians and quantiles against numpy's."""

from __future__ import annotations

import numpy as np
import pytest

from densitycam.photo.quantiles import median, quantile


@pytest.mark.parametrize(("shape", "axis"), [((7,), 0), ((8,), 0), ((1, 3), 0), ((6, 5, 3), 1)])
def test_they_are_numpys_for_odd_and_even_numbers_along_any_axis(shape, axis):
    values = np.random.default_rng(3).normal(size=shape)
    kept = values.copy()
    np.testing.assert_allclose(median(values, axis=axis), np.median(values, axis=axis), rtol=1e-14)
    for share in (0.0, 0.1, 0.5, 0.9, 1.0):
        expected = np.quantile(values, share, axis=axis)
        np.testing.assert_allclose(quantile(values, share, axis=axis), expected, rtol=1e-12)
    np.testing.assert_array_equal(values, kept)

"""Errors in both variables: the slides' part of the fit against York's line through Pearson's data.

Source: Pearson 1901, Phil. Mag. 2, 559, with the weights of York 1966, Can. J. Phys. 44, 1079;
York, Evensen, Martinez & De Basabe Delgado 2004, Am. J. Phys. 72, 367: slope -0.480533 (standard
error 0.057985), intercept 5.479910 (0.294971), S 11.86635 (data from memory, values from the
project's notes; S, computed from them below, says that both are whole).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from densitycam.calibration import model
from densitycam.calibration.model import KeptPoint
from densitycam.calibration.robust import robust_posterior
from densitycam.calibration.signals import Signal

X = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
Y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
WEIGHTS_X = [1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0]
WEIGHTS_Y = [1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0]
SLOPE, INTERCEPT, S = -0.480533, 5.479910, 11.86635


def test_the_data_are_yorks():
    short = np.array(Y) - INTERCEPT - SLOPE * np.array(X)
    spread = 1 / np.array(WEIGHTS_Y) + SLOPE**2 / np.array(WEIGHTS_X)
    assert np.sum(short**2 / spread) == pytest.approx(S, rel=0, abs=5.1e-6)


def test_pearsons_data_with_yorks_weights(monkeypatch):
    # A photo's noise is a share of its depth, York's is not: that part is switched off. Curves of
    # the calibration rise, so x counts downward; nothing strays, and priors say nothing but that
    # there is no bend.
    monkeypatch.setattr(model, "_expected", lambda signals, *_: tuple(signals))
    kept = [
        KeptPoint(
            label=str(n),
            path_mm=1.0,
            dilution=1.0,
            signals=(Signal("contrast red", -x, wx**-0.5, 0.0),),
            cells_per_ml=math.exp(y),
            relative_sd=wy**-0.5,
        )
        for n, (x, y, wx, wy) in enumerate(zip(X, Y, WEIGHTS_X, WEIGHTS_Y, strict=True))
    ]
    free = np.full(13, 1e-12)
    free[:2] = 1e8
    curves = np.zeros(13)
    curves[:2] = 5.0, 1.0
    for _ in range(40):
        blocks = model._blocks(curves, kept, 0.0, curves)
        curves, covariance, _ = robust_posterior(np.zeros(13), np.diag(free), blocks, bad_share=0.0)
    assert (curves[0], -curves[1]) == pytest.approx((INTERCEPT, SLOPE), rel=0, abs=2e-6)
    errors = math.sqrt(covariance[0, 0]), math.sqrt(covariance[1, 1])
    assert errors == pytest.approx((0.294971, 0.057985), rel=0, abs=2e-6)
    # Regressed on x as it was seen, weighed by both errors, the line is flatter.
    plain, _, _ = robust_posterior(
        np.zeros(13), np.diag(free), model._blocks(curves, kept, 0.0, None), bad_share=0.0
    )
    assert plain[1] < curves[1] - 0.005

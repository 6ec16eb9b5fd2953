"""Top-ups and evaporation between photos: the same cells in more or less water."""

from __future__ import annotations

from grown import at

from densitycam.culture.dilution import Dilution, as_diluted
from densitycam.culture.series import DensityPoint


def point(day):
    return DensityPoint(at(day), 4e6, 3e6, 5e6, 0.1)


def test_what_was_seen_before_new_water_is_told_in_the_water_of_today():
    # A top-up from 800 to 1000 mL, then a tenth evaporates: x 0.8 / 0.9, by conservation of cells.
    water = [Dilution(at(2.0), 0.8), Dilution(at(4.0), 1 / 0.9), Dilution(at(9.0), 0.5)]
    told = as_diluted([point(d) for d in (1.0, 2.0, 3.0, 5.0)], water, at(6.0))
    factors = (0.8 / 0.9, 1 / 0.9, 1 / 0.9, 1.0)
    for p, factor, day in zip(told, factors, (1.0, 2.0, 3.0, 5.0), strict=True):
        assert p.when == at(day)
        for seen, before in ((p.cells_per_ml, 4e6), (p.low, 3e6), (p.high, 5e6)):
            assert abs(seen / before - factor) < 1e-12
    # Half of it evaporated, and the moment itself, too.
    half = as_diluted([point(1.0)], [Dilution(at(2.0), 2.0)], at(3.0))
    assert half[0].cells_per_ml == 8e6
    assert as_diluted([point(1.0)], water, at(2.0))[0].cells_per_ml == 4e6 * 0.8

"""Chambers: their nets fit their areas, and a chamber of one's own comes back by its name."""

from __future__ import annotations

import math

import pytest

from densitycam.counting.chambers import CHAMBERS, chamber_by_name, own_chamber
from densitycam.errors import DensitycamError

RULED = [c for c in CHAMBERS.values() if c.rulings]


@pytest.mark.parametrize("chamber", RULED, ids=lambda c: c.id)
def test_every_net_divides_evenly_by_its_pitch(chamber):
    for part in chamber.rulings:
        for side, pitch in (
            (part.width_mm, part.pitch_x_mm),
            (part.height_mm, part.pitch_y_mm),
        ):
            assert side / pitch == pytest.approx(round(side / pitch), abs=1e-9), part.place
            assert round(side / pitch) % part.bold_every == 0, part.place


@pytest.mark.parametrize(
    ("chamber", "unit", "cells_of_the_net"),
    [
        # How many pitches of the named part one counted field holds, counted on the drawing of
        # each net.
        ("improved-neubauer", "small", 1),
        ("improved-neubauer", "group", 16),
        ("neubauer", "group", 16),
        ("thoma", "group", 16),
        ("fuchs-rosenthal", "large", 16),
        ("fuchs-rosenthal", "group", 1),
        ("malassez", "rectangle", 1),
        ("nageotte", "band", 1),
        ("sedgewick-rafter", "square", 1),
    ],
)
def test_counted_fields_are_made_of_the_net(chamber, unit, cells_of_the_net):
    geometry = CHAMBERS[chamber]
    field = next(u for u in geometry.units if u.id == unit)
    part = geometry.rulings[-1]
    assert field.area_mm2 == pytest.approx(
        cells_of_the_net * part.pitch_x_mm * part.pitch_y_mm, rel=1e-9
    )


def test_own_chamber_is_built_again_from_its_name():
    own = own_chamber(depth_mm=0.17, area_mm2=0.3141592653589793)
    assert chamber_by_name(own.id) == own
    largest = own_chamber(depth_mm=20.0, area_mm2=1e4)
    assert largest.volume_ml("field") == pytest.approx(200.0, rel=1e-12)
    least = own_chamber(depth_mm=1e-6, area_mm2=1e-6)
    assert least.volume_ml("field") == pytest.approx(1e-15, rel=1e-12)
    assert own.volume_ml("field") == pytest.approx(0.17 * math.pi / 10 * 1e-3, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "match"),
    [
        ("own:0x1", "depth in mm of 0"),
        ("own:20.1x1", "depth in mm of 20.1"),
        ("own:1x10001", "area in mm2 of 10001"),
        ("own:0.1x-3", "area in mm2 of -3"),
        ("own:1e9x1", "depth in mm of 1e"),
        ("own:0.99e-6x1", "depth in mm of 9.9e-07"),
        ("own:0.1x0.99e-6", "area in mm2 of 9.9e-07"),
        ("own:0.1.2x1", "does not describe a chamber"),
        ("own:0.1", "no counting chamber called"),
    ],
)
def test_impossible_chambers_of_ones_own_are_refused(name, match):
    with pytest.raises(DensitycamError, match=match):
        chamber_by_name(name)


@pytest.mark.parametrize(
    ("chamber", "apart_mm"),
    # Groups of 0.2 mm bounded by triple lines, 25 of them; in the older net a strip of 0.05 mm
    # stands between groups. Squares of 1 mm in Fuchs-Rosenthal. Sources as in the table itself.
    [("improved-neubauer", 0.2), ("neubauer", 0.25), ("thoma", 0.25), ("fuchs-rosenthal", 1.0)],
)
def test_triple_lines_stand_round_the_groups_that_are_counted(chamber, apart_mm):
    (net,) = (r for r in CHAMBERS[chamber].rulings if r.lines == "triple")
    assert net.bold_every * net.pitch_x_mm == pytest.approx(apart_mm, rel=1e-12)

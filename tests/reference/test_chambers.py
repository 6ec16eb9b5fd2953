"""Chamber geometry and worked counts against published ones."""

from __future__ import annotations

import pytest

from densitycam.counting.chambers import CHAMBERS, chamber_by_name, own_chamber
from densitycam.counting.precision import compare_fillings
from densitycam.counting.slide import count_slide


@pytest.mark.parametrize(
    ("chamber", "unit", "factor"),
    [
        # Cells/mL per cell counted in one field; engraved geometry, any laboratory handbook.
        ("improved-neubauer", "large", 1e4),
        ("improved-neubauer", "group", 2.5e5),
        ("improved-neubauer", "small", 4e6),
        ("improved-neubauer", "sixteenth", 1.6e5),
        ("neubauer", "large", 1e4),
        ("neubauer", "group", 2.5e5),
        ("thoma", "group", 2.5e5),
        ("thoma", "small", 4e6),
        ("buerker", "large", 1e4),
        ("buerker", "group", 2.5e5),
        ("fuchs-rosenthal", "large", 5e3),
        ("fuchs-rosenthal", "group", 8e4),
        ("malassez", "rectangle", 1e5),
        ("nageotte", "band", 800.0),
        # Barsanti & Gualtieri, Algae, p. 246, eq. 6.3: C x 1000 / (A x D x F) in mm. Their
        # eq. 6.4 (p. 248) is left out: it prints 64e-3 mL where 64e-3 uL is meant.
        ("sedgewick-rafter", "square", 1000.0),
        # 0.1 mL in all (from memory).
        ("palmer-maloney", "whole", 10.0),
    ],
)
def test_factor_of_each_chamber(chamber, unit, factor):
    assert 1 / chamber_by_name(chamber).volume_ml(unit) == pytest.approx(factor, rel=1e-12)


def test_malassez_rectangles():
    # Encyclopaedia article on the Malassez cell (read): 30 cells in 10 rectangles of 0.01 uL are
    # 300,000 cells per mL.
    count = count_slide(cells=30, squares=10, chamber="malassez", unit="rectangle")
    assert count.cells_per_ml == pytest.approx(3e5, rel=1e-12)


def test_own_chamber_by_depth_and_area():
    # Barsanti & Gualtieri, Algae, p. 246, eq. 6.3: C x 1000 / (A x D x F), in mm: 41 cells in 8
    # fields of 0.37 mm2, 1 mm deep.
    own = own_chamber(depth_mm=1.0, area_mm2=0.37)
    count = count_slide(cells=41, squares=8, chamber=own.id, unit="field")
    assert count.cells_per_ml == pytest.approx(41 * 1000 / (0.37 * 1.0 * 8), rel=1e-12)


def test_five_groups():
    # University counting note (excerpt read): 187 cells in five 0.04 mm2 squares.
    count = count_slide(cells=187, squares=5, unit="group")
    assert count.cells_per_ml == pytest.approx(9.35e6, rel=1e-12)


def test_blood_cells_at_one_in_two_hundred():
    # Henry's Clinical Diagnosis, 21st ed., ch. 29, as cited: 100 cells in 4 large squares, 1:200.
    count = count_slide(cells=100, squares=4, dilution=200)
    assert count.cells_per_ml == pytest.approx(5.0e7, rel=1e-12)


def test_leucocyte_rule():
    # Clinical rule (excerpt read): four large squares at 1:20, count x 50 per mm3.
    count = count_slide(cells=160, squares=4, dilution=20)
    assert count.cells_per_ml == pytest.approx(160 * 50 * 1000, rel=1e-12)


def test_who_worked_example():
    # WHO Laboratory Manual for Human Semen, 5th ed., 2010 (from memory): 220 + 218 cells in
    # 7 + 7 rows of 20 nL at 1:20 give 31e6/mL. A row of 20 nL is 0.2 large squares.
    count = count_slide(cells=438, squares=14 * 0.2, dilution=20)
    assert count.cells_per_ml == pytest.approx(31e6, rel=0.01)  # printed to two figures


def test_who_replicates():
    # Same manual (from memory): 201 against 245 differ by 44 > 41, count again; 220 and 218 agree.
    assert not compare_fillings([201, 245], [1, 1], loading_sd=0.0).agree
    assert compare_fillings([220, 218], [1, 1], loading_sd=0.0).agree


#: Area that all fields of a kind cover together [mm2]: nets of 3 x 3 (the Neubauers, Buerker),
#: 1 x 1 (Thoma), 4 x 4 (Fuchs-Rosenthal), 2.5 x 2 (Malassez), 10 x 10 (Nageotte) and 50 x 20 mm
#: (Sedgewick-Rafter), of which groups may cover a part. Sources as in the table above.
COVERED_MM2 = {
    "improved-neubauer": {"large": 9.0, "sixteenth": 4.0, "group": 1.0, "small": 1.0},
    "neubauer": {"large": 9.0, "group": 0.64, "small": 0.64},
    "thoma": {"group": 1.0, "small": 1.0},
    "buerker": {"large": 9.0, "group": 5.76},
    "fuchs-rosenthal": {"large": 16.0, "group": 16.0},
    "malassez": {"rectangle": 5.0},
    "nageotte": {"band": 100.0},
    "sedgewick-rafter": {"square": 1000.0},
    "palmer-maloney": {"whole": 250.0},
}

#: Fields across and down between the lines of each ruling, and its size [mm].
RULED = {
    "improved-neubauer": [(4, 4, 1.0, 1.0), (4, 5, 1.0, 1.0), (20, 20, 1.0, 1.0)],
    "neubauer": [(4, 4, 1.0, 1.0), (20, 20, 1.0, 1.0)],
    "thoma": [(20, 20, 1.0, 1.0)],
    "buerker": [(4, 4, 1.0, 1.0)],
    "fuchs-rosenthal": [(16, 16, 4.0, 4.0)],
    "malassez": [(10, 10, 2.5, 2.0)],
    "nageotte": [(40, 1, 10.0, 10.0)],
    "sedgewick-rafter": [(50, 20, 50.0, 20.0)],
    "palmer-maloney": [],
}


@pytest.mark.parametrize("chamber", CHAMBERS)
def test_fields_cover_the_net_and_lines_divide_it(chamber):
    found = CHAMBERS[chamber]
    covered = {unit.id: unit.area_mm2 * unit.per_chamber for unit in found.units}
    assert covered == pytest.approx(COVERED_MM2[chamber])
    ruled = [
        (r.width_mm / r.pitch_x_mm, r.height_mm / r.pitch_y_mm, r.width_mm, r.height_mm)
        for r in found.rulings
    ]
    assert ruled == [pytest.approx(expected) for expected in RULED[chamber]]

"""Invented inputs for the report tests: one reading, estimate, advice, growth and plan."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime

from densitycam.calibration.estimate import Estimate
from densitycam.culture.advice import Advice, Growth, SplitPlan
from densitycam.vessel.reading import BarRow, Outline, Reading

ROWS = tuple(
    BarRow(float(h), (0.3, 0.33, 0.1), (0.4, 0.45, 0.2), (0.05, 0.05, 0.04))
    for h in range(15, 100, 10)
)

READING = Reading(
    path_mm=58.3,
    contrast_t=(0.30, 0.33, 0.10),
    contrast_t_se=(0.01, 0.01, 0.01),
    mean_t=(0.40, 0.45, 0.20),
    mean_t_se=(0.01, 0.01, 0.01),
    veil=(0.05, 0.05, 0.04),
    attenuation=(1.1, 1.0, math.nan),
    attenuation_se=(0.03, 0.03, math.nan),
    absorbance=(0.8, 0.7, math.nan),
    absorbance_se=(0.03, 0.03, math.nan),
    blank_se=0.03,
    usable=(True, True, False),
    greenness=0.017,
    turbidity_per_mm=0.0171,
    dilution=1.0,
    outline=Outline(left_mm=115.0, right_mm=182.0, top_mm=76.0, bottom_mm=186.0),
    rows=ROWS,
)

ESTIMATE = Estimate(
    status="measured",
    cells_per_ml=8.43e6,
    low=7.1e6,
    high=9.9e6,
    relative_sd=0.085,
    calibration_id="nannochloropsis-start",
    checked_by_counts=3,
    inside_range=True,
)
LESS = replace(ESTIMATE, status="less-than", cells_per_ml=math.nan, low=0.0, high=2.2e5)
MORE = replace(ESTIMATE, status="more-than", cells_per_ml=math.nan, low=9.0e7, high=math.inf)

GROWTH = Growth(
    rate_per_day=0.45,
    low=0.38,
    high=0.52,
    divisions_per_day=0.649,
    phase="exponential",
    points=5,
    days_since_split=5.0,
    evidence="Five photos lie on one straight line.",
)

PLAN = SplitPlan(
    keep_ml=250.0,
    harvest_ml=750.0,
    top_up_ml=750.0,
    kept_share=0.25,
    salt_g=19.16,
    salinity_g_per_kg=25.0,
    temperature_c=20.0,
    specific_gravity=1.01898,
    nutrient_ml_each=0.375,
    density_after=2.1e6,
    doublings_needed=2.0,
    days_to_next=3.08,
    harvest_cells=6.3e9,
    keep_cold_days=7.0,
    cautions=("Keep mains plugs and lamps away from salt water.", "Not for people to eat."),
    notes=("Salt mixes hold water: weigh, stir until clear, then measure.",),
    harvest_cells_low=5.3e9,
    harvest_cells_high=7.4e9,
    checklist=("Look and smell.", "Harvest 750 mL."),
)

ADVICE = Advice(
    action="harvest",
    headline="Harvest 750 mL today.",
    reasons=("The density lies inside the harvest band.", "It has grown for eight days."),
    would_settle="Count one slide.",
    wait_days=math.nan,
    ready_on=None,
    plan=PLAN,
)
WAIT = Advice(
    action="wait",
    headline="Wait: about 3 days to the harvest band.",
    reasons=("The density lies below the harvest band.",),
    would_settle="",
    wait_days=3.2,
    ready_on=datetime(2026, 3, 15, 9, 0),
    plan=None,
)

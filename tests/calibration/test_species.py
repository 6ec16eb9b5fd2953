"""Species facts: all of them load, and a file that was edited wrongly names the field."""

from __future__ import annotations

import json
import re
import shutil

import pytest

from densitycam.calibration.species import load_species, species_folder, species_ids
from densitycam.errors import DensitycamError


def test_the_nine_species_are_there():
    assert set(species_ids()) >= {
        "nannochloropsis", "tetraselmis", "isochrysis", "pavlova", "chaetoceros",
        "thalassiosira", "rhodomonas", "dunaliella", "chlorella",
    }  # fmt: skip


@pytest.mark.parametrize("species", species_ids())
def test_every_species_has_usable_facts(species):
    facts = load_species(species)
    assert facts.id == species
    assert 0 < facts.harvest_low < facts.harvest_high
    assert facts.needs_silicate == facts.settles  # both mean: a diatom
    assert 1 <= facts.keep_cold_days <= 7  # cautious: a week at most
    assert facts.sources["harvest_low"]


def test_a_wrong_name_names_near_matches():
    with pytest.raises(DensitycamError, match="Did you mean nannochloropsis"):
        load_species("nanochloropsis")
    with pytest.raises(DensitycamError, match="Known are chaetoceros"):
        load_species("")


def test_no_more_than_two_near_matches_are_named(tmp_path):
    for name in ("alga1", "alga2", "alga3"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "species.json").write_text("{}")
    with pytest.raises(DensitycamError) as caught:
        load_species("alga", tmp_path)
    assert caught.value.advice.partition("?")[0].count("alga") == 2


def test_case_does_not_matter():
    assert load_species(" Tetraselmis ").id == "tetraselmis"


@pytest.fixture
def edited(tmp_path):
    """Copy one species into a folder of its own; call with changes to its fields."""
    shutil.copytree(species_folder() / "pavlova", tmp_path / "pavlova")
    path = tmp_path / "pavlova" / "species.json"

    def edit(**changes):
        data = json.loads(path.read_text())
        for name, change in changes.items():
            if change is None:
                del data[name]
            else:
                data[name] = change
        path.write_text(json.dumps(data))
        return tmp_path

    return edit


def _entry(value):
    return {"value": value, "source": "own count"}


#: The most that is believed of each number.
TOPS = {
    **dict.fromkeys(("size_low_um", "size_high_um"), 200),
    **dict.fromkeys(("harvest_low", "harvest_high"), 1e10),
    **dict.fromkeys(("rate_low_per_day", "rate_high_per_day"), 10),
    "keep_cold_days": 365,
    "max_days_without_split": 100,
}


def test_an_edit_is_taken_up(edited):
    assert load_species("pavlova", edited(harvest_low=_entry(3.5e6))).harvest_low == 3.5e6
    # TEOS-10 ends at 120 g/kg; a slow species grows by a hundredth a day.
    facts = load_species(
        "pavlova", edited(salinity_g_per_kg=_entry(120), rate_low_per_day=_entry(0.01))
    )
    assert (facts.salinity_g_per_kg, facts.rate_low_per_day) == (120.0, 0.01)


@pytest.mark.parametrize(
    ("field", "entry", "match"),
    [
        ("harvest_low", _entry(-1), "'harvest_low' must be above 0"),
        ("harvest_low", _entry(0), "'harvest_low' must be above 0"),
        ("salinity_g_per_kg", _entry(120.1), "'salinity_g_per_kg' must be above 0 and at most 120"),
        ("keep_cold_days", _entry(1e400), "'keep_cold_days' must be above 0"),
        ("harvest_low", _entry(2e7), "'harvest_high' must be above 'harvest_low'"),
        ("harvest_low", _entry("many"), "'harvest_low' must be a number"),
        ("harvest_low", _entry(True), "'harvest_low' must be a number"),
        ("harvest_low", _entry(9e9), "'harvest_high' must be above 'harvest_low'"),
        ("harvest_low", {"value": 1e6, "source": " "}, "'harvest_low' has no source"),
        ("harvest_low", {"source": "x"}, "'harvest_low' is missing"),
        ("harvest_low", None, "'harvest_low' is missing"),
        ("group", _entry("blue"), "'group' must be one of green"),
        ("settles", _entry(1), "'settles' must be true or false"),
        *(
            (name, _entry(1.01 * top), re.escape(f"'{name}' must be above 0 and at most {top:g},"))
            for name, top in TOPS.items()
        ),
        ("title", {"value": ""}, "'title' must be a text"),
        ("harvest_lo", _entry(1), "'harvest_lo' is not known; did you mean 'harvest_low'"),
    ],
)
def test_a_wrong_edit_names_file_and_field(edited, field, entry, match):
    folder = edited(**{field: entry})
    with pytest.raises(DensitycamError, match=match) as caught:
        load_species("pavlova", folder)
    assert "species.json" in caught.value.problem


def test_a_broken_file_is_named(tmp_path):
    (tmp_path / "pavlova").mkdir()
    (tmp_path / "pavlova" / "species.json").write_text("{ not json")
    with pytest.raises(DensitycamError, match=r"species\.json cannot be read"):
        load_species("pavlova", tmp_path)
    (tmp_path / "pavlova" / "species.json").write_text("[]")
    with pytest.raises(DensitycamError, match="whole file"):
        load_species("pavlova", tmp_path)

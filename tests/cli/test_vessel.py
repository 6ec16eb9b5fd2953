"""A vessel is described once, shown, changed and listed; wrong names bring near matches."""

from __future__ import annotations

import json


def test_add_show_change_and_list(run, slim):
    assert "slim: nannochloropsis, 500 mL, flat, inner thickness 20 mm" in run("vessel").output
    shown = run("vessel", "slim").output
    assert "0 readings, 0 photos refused, 0 slide counts (0 paired with a photo), 0 splits" in shown
    assert "not yet checked by a count" in shown
    changed = run("vessel", "slim", "--volume-ml", "750")
    assert changed.output.startswith("Changed.\nslim: nannochloropsis, 750 mL")
    assert run("vessel", "slim", "--volume-ml", "750").output.startswith("Nothing changed.")
    assert json.loads(run("vessel", "--json").output) == [
        {
            "name": "slim",
            "species": "nannochloropsis",
            "working_volume_ml": 750.0,
            "path_mm": 20.0,
            "shape": "flat",
            "width_mm": None,
        }
    ]


def test_an_empty_journal_says_how_to_begin(run):
    assert "No vessels yet. Describe one: densitycam vessel NAME" in run("vessel").output


def test_a_new_vessel_names_what_is_missing_and_near_ones(run, slim):
    result = run("vessel", "slimm", "--path-mm", "22", exit_code=2)
    assert "'slimm' also needs --species and --volume-ml. Did you mean slim?" in result.output
    assert "slimm" not in run("vessel").output


def test_a_wrong_name_alone_is_an_error_with_near_matches(run, slim):
    result = run("vessel", "slmi", exit_code=1)
    assert result.output == "Error: There is no vessel named 'slmi'. Did you mean slim?\n"


def test_a_wrong_species_brings_near_matches(run):
    result = run("vessel", "a", "--species", "nanochloropsis", "--volume-ml", "1", "--path-mm", "1",
                 exit_code=1)  # fmt: skip
    assert "There is no species called 'nanochloropsis'. Did you mean nannochloropsis" in (
        result.output
    )
    assert run("vessel", "--json").output.strip() == "[]"


def test_numbers_must_be_above_zero(run):
    for option, value in (("--path-mm", "-20"), ("--volume-ml", "0"), ("--path-mm", "wide")):
        result = run("vessel", "a", option, value, exit_code=2)
        assert f"Invalid value for '{option}'" in result.output
    assert "Invalid value for '--shape'" in run("vessel", "a", "--shape", "box", exit_code=2).output


def test_a_soft_bag_has_a_thickness(run):
    options = ("--species", "isochrysis", "--volume-ml", "650", "--path-mm", "60")
    assert "bag, inner thickness 60 mm" in run("vessel", "hung", *options, "--shape", "bag").output


def test_options_without_a_name_are_a_usage_error(run):
    assert "Name the vessel" in run("vessel", "--path-mm", "20", exit_code=2).output
    assert "needs a name" in run("vessel", " ", exit_code=2).output


def test_the_journal_can_be_named_before_or_after_the_command(run, tmp_path):
    other = tmp_path / "other.sqlite"
    words = ("b", "--species", "chlorella", "--volume-ml", "9", "--path-mm", "9")
    run("vessel", *words, "--journal", other)
    assert "b: chlorella" in run("--journal", other, "vessel").output
    assert "No vessels yet" in run("vessel").output


def test_a_vessel_says_since_when_its_culture_runs_or_why_it_ended(run, slim):
    assert "culture:" not in run("vessel", slim).output
    run("log", "inoculation", "--vessel", slim, "--source", "slant 3", "--when", "2026-04-01")
    assert "  culture: begun 2026-04-01, from slant 3\n" in run("vessel", slim).output
    run("log", "end", "--vessel", slim, "--reason", "milky", "--when", "2026-04-05 09:00")
    assert "  culture: ended 2026-04-05 09:00: milky\n" in run("vessel", slim).output

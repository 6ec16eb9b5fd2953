"""What every command prints with --json is what the guide and its JSON Schema say.

The schema is judged by jsonschema, a validator that is not ours (JSON Schema, draft 2020-12).
"""

from __future__ import annotations

import json
import shutil
from collections import defaultdict
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import click
import jsonschema
import pytest
from click.testing import CliRunner

from densitycam.cli.json_fields import OUTPUTS, RECORDS, json_schema, record_fields
from densitycam.cli.main import main
from densitycam.cli.reference import json_reference, json_schema_text
from densitycam.culture.harvest_interval import HarvestChoice, harvest_round
from densitycam.journal.encode import plain

GUIDE = Path(__file__).resolve().parents[2] / "densitycam" / "guide"


def commands_with_json(group: click.Group, before: str = "") -> set[str]:
    context = click.Context(group)
    found = set()
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if any("--json" in parameter.opts for parameter in command.params):
            found.add(f"{before}{name}")
        if isinstance(command, click.Group):
            found |= commands_with_json(command, f"{before}{name} ")
    return found


def test_every_command_with_json_is_told_of():
    assert set(OUTPUTS) == commands_with_json(main)


def test_the_guide_and_the_schema_are_made_from_the_code():
    # Made anew with: python -m densitycam.cli.reference
    assert (GUIDE / "json.md").read_text(encoding="utf-8") == json_reference()
    assert (GUIDE / "json.schema.json").read_text(encoding="utf-8") == json_schema_text()


def test_the_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(json_schema())


@pytest.fixture(scope="module")
def printed(tmp_path_factory, photo_stock) -> dict[str, list[object]]:
    """Every command's output in a journal that lives a day; the counts are invented."""
    from densitycam.simulate.photo_file import write_photo
    from densitycam.simulate.scene import Scene
    from densitycam.simulate.slide import SlideScene, write_slide

    folder = tmp_path_factory.mktemp("json")
    photos = folder / "photos"
    (photos / "slim").mkdir(parents=True)
    (photos / "bare-card").mkdir()
    (photos / "elsewhere").mkdir()
    for name in ("day1", "day2", "day3", "day4", "no-card"):
        shutil.copy(photo_stock[name], photos / "slim")
    shutil.copy(photo_stock["day1"], photos / "slim" / "day1-copy.jpg")
    shutil.copy(photo_stock["bare"], photos / "bare-card")
    shutil.copy(photo_stock["no-card"], photos / "bare-card" / "none.jpg")
    write_slide(SlideScene(), folder / "slide.jpg")
    bare = Scene(seed=14, vessel=None, size_px=(1000, 750))
    write_photo(bare, folder / "bare-2.jpg")
    write_photo(replace(bare, seed=15, print_name="laser"), folder / "stray.jpg")
    write_photo(Scene(seed=13, cells_per_ml=0.0, size_px=(1000, 750)), folder / "water.jpg")
    shutil.copy(folder / "stray.jpg", photos / "elsewhere")
    day4 = photos / "slim" / "day4.jpg"
    slim = ("--vessel", "slim")
    found: dict[str, list[object]] = defaultdict(list)

    def do(command: str, *words: object, exit_code: int = 0, journal: str = "one") -> None:
        result = CliRunner().invoke(
            main,
            ["--journal", str(folder / f"{journal}.sqlite"), *command.split(),
             *(str(word) for word in words), "--json"],
        )  # fmt: skip
        assert result.exit_code == exit_code, (command, result.output)
        # "NaN" and "Infinity" are no JSON, though Python would read them.
        found[command].append(json.loads(result.stdout, parse_constant=pytest.fail))

    do("card")
    do("card", "--paper", "letter")
    do("vessel", "slim", "--species", "nannochloropsis", "--volume-ml", 500, "--path-mm", 20,
       "--shape", "flat")  # fmt: skip
    do("vessel", "empty jar", "--species", "tetraselmis", "--volume-ml", 900, "--path-mm", 82)
    do("vessel", "slim")
    do("vessel")
    do("tags")
    do("tags", "--pdf", folder / "tags.pdf")
    do("card register", photo_stock["bare"], folder / "bare-2.jpg", folder / "stray.jpg")
    do("blank", folder / "water.jpg", *slim)
    do("log inoculation", *slim, "--when", "2026-03-31 20:00", "--source", "bag")
    for day in (1, 2, 3, 4):
        do("snap", photo_stock[f"day{day}"], *slim)
    do("snap", day4, "--species", "nannochloropsis", "--path-mm", 20, "--shape", "flat")
    do("count", *slim, "--unit", "group", "--cells", "31,36,29,33", "--dilution", 5,
       "--dead", 4, "--reading", 1)  # fmt: skip
    do("count", *slim, "--cells", "0", "--squares", 1)
    for accept in ((), ("--accept",)):
        do("count", *slim, "--photo", folder / "slide.jpg", "--unit", "group", *accept)
    do("calibrate", *slim)
    do("recalibrate", *slim)
    do("today", "--when", "2026-04-04 12:00")
    do("today")
    now = datetime.now()
    do("batch", photos, exit_code=1)
    do("today", "--when", "2026-04-04 12:00")
    do("split", *slim, "--kept-ml", 125, "--when", "2026-04-04 20:00")
    do("split", *slim, "--kept-ml", 125, "--when", "2026-04-04 20:00", "--bottle-ml", 200)
    do("log undo")
    do("log undo")
    do("bottle add", *slim, "--ml", 200, "--when", now - timedelta(days=1))
    do("bottle add", "--species", "tetraselmis", "--ml", 300, "--cells-per-ml", 8e5)
    do("bottle use", 2, "--ml", 50)
    do("log undo")
    do("feed", "--tank-l", 100, "--target", 5e4, "--bottle", 2)
    do("feed", "--tank-l", 100, "--target", 5e4, "--cells-per-ml", 8e5)
    do("bottle discard", 2)
    do("bottle list", "--all")
    do("today")
    do("log top-up", *slim, "--ml", 60)
    do("log top-up", *slim, "--ml", 60, "--total-ml", 500)
    do("log loss", *slim, "--ml", 20, "--evaporated")
    do("log dose", *slim, "--ml", 0.5)
    do("log note", "smells fresh", *slim)
    do("log end", *slim, "--reason", "given up")
    do("log list")
    do("log undo")
    do("settings")
    do("settings", "--write")
    do("backup", folder / "copy.sqlite")
    do("export", folder / "tables")
    do("export", folder / "journal.json")
    do("import", folder / "tables", journal="other")
    do("import", folder / "journal.json", journal="other")
    return found


@pytest.mark.parametrize("command", OUTPUTS)
def test_a_command_prints_what_is_documented(printed, command):
    schema = {**json_schema(), "$ref": f"#/$defs/command%20{command.replace(' ', '%20')}"}
    judge = jsonschema.Draft202012Validator(schema)
    assert printed[command], "the journal's day above leaves this command out"
    for value in printed[command]:
        wrong = jsonschema.exceptions.best_match(judge.iter_errors(value))
        assert wrong is None, f"{wrong.json_path}: {wrong.message}"


def test_every_documented_record_was_seen(printed):
    """A record that no output above holds would be documented and never checked."""
    shapes = set()

    def look(value: object) -> None:
        if isinstance(value, dict):
            shapes.add(frozenset(value))
            value = list(value.values())
        if isinstance(value, list):
            for one in value:
                look(one)

    look(list(printed.values()))
    unseen = {r for r in RECORDS if frozenset(n for n, _, _ in record_fields(r)) not in shapes}
    # Parts that others are made of; what only a doubtful slide, a wrong tag or date shows.
    assert unseen <= {
        "inoculation", "end", "top-up", "loss", "dose", "note", "split", "merged",
        "doubtful slide", "misdated photo", "harvest choice", "harvest round",
    }  # fmt: skip


def test_what_a_culture_that_levels_off_adds_is_documented():
    """The day above is too short for it; any numbers do."""
    one = harvest_round(
        kept_share=0.25, interval_days=7.0, rate_per_day=0.5, ceiling_cells_per_ml=1e6,
        working_volume_ml=900.0,
    )  # fmt: skip
    choice = plain(HarvestChoice(one, one, (one, one), "Keep a quarter.", ()))
    judge = jsonschema.Draft202012Validator({**json_schema(), "$ref": "#/$defs/harvest%20choice"})
    assert judge.is_valid(choice)
    assert not judge.is_valid({**choice, "most": None})


def test_the_schema_refuses_a_field_too_many_or_too_few_and_another_type(printed):
    judge = jsonschema.Draft202012Validator({**json_schema(), "$ref": "#/$defs/command%20snap"})
    good = printed["snap"][0]
    assert judge.is_valid(good)
    assert not judge.is_valid({**good, "more": 1})
    assert not judge.is_valid({k: v for k, v in good.items() if k != "growth"})
    assert not judge.is_valid({**good, "dilution": "1"})
    assert not judge.is_valid({**good, "taken_at": "2026-04-01T08:30:00"})

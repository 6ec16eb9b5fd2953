"""The guide walked as it is written: every command line works, every table is the code's."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from guide_pictures import GOOD, JAR, SHOTS

from densitycam.calibration.species import SpeciesFacts, species_folder
from densitycam.cli.batch import CSV_COLUMNS
from densitycam.cli.main import main
from densitycam.counting.chambers import CHAMBERS
from densitycam.culture.settings import read_settings
from densitycam.journal.exchange import KEYS
from densitycam.journal.folder_tables import TABLES
from densitycam.report.guide import TOPICS, topic_markdown
from densitycam.simulate.photo_file import write_photo
from densitycam.simulate.slide import SlideScene, write_slide

FENCED = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)

#: In the order in which they are walked, in one folder and one journal.
WALKED = ("begin", "count", "feed", "day", "files", "shell")


def lines_of(topic: str) -> list[str]:
    """Return a topic's command lines."""
    blocks = [body for kind, body in FENCED.findall(topic_markdown(topic)) if kind == "sh"]
    lines = [line for block in blocks for line in block.splitlines()]
    assert all(line.startswith("densitycam ") for line in lines), lines
    return lines


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    """A keeper's folder on a day, with the photos that the guide names. All simulated."""
    folder = tmp_path_factory.mktemp("shelf")
    now = datetime.now().replace(microsecond=0)
    bare = replace(GOOD, vessel=None, taken_at=now - timedelta(hours=3))
    for n in (1, 2, 3):
        write_photo(replace(bare, seed=20 + n, yaw_deg=2.0 * n - 4.0), folder / f"bare-{n}.jpg")
    for n in (1, 2):
        water = replace(GOOD, seed=30 + n, cells_per_ml=0.0, x_mm=2.0 * n - 3.0)
        write_photo(replace(water, taken_at=now - timedelta(hours=2)), folder / f"water-{n}.jpg")
    write_photo(replace(GOOD, taken_at=now - timedelta(hours=1)), folder / "photo.jpg")
    write_slide(SlideScene(), folder / "slide.jpg")
    (folder / "photos" / "left jar").mkdir(parents=True)
    for day in (1, 2):
        write_photo(
            replace(
                GOOD, seed=50 + day, cells_per_ml=4e5 / 1.6**day, taken_at=now - timedelta(day)
            ),
            folder / "photos" / "left jar" / f"{day}.jpg",
        )
    shutil.copy(folder / "photo.jpg", folder / "photos" / "left jar")
    return folder


@pytest.fixture(scope="module")
def walked(shelf):
    """Run every line of the guide in order; give what each said."""
    patch = pytest.MonkeyPatch()
    patch.chdir(shelf)
    patch.setenv("DENSITYCAM_JOURNAL", str(shelf / "journal.sqlite"))
    patch.setenv("PATH", str(Path(sys.executable).parent), prepend=":")
    patch.setenv("PYTHONWARNINGS", "error")  # in workers and pipes too
    said: dict[str, list[tuple[str, int, str]]] = {}
    today = f"{datetime.now():%Y-%m-%d}"
    for topic in WALKED:
        said[topic] = []
        for line in lines_of(topic):
            dated = line.replace("2026-05-09", today)  # else a slow clock makes it a day to come
            if re.search(r"[|>]", dated.partition("#")[0]):
                done = subprocess.run(
                    ["bash", "-o", "pipefail", "-c", dated], capture_output=True, text=True
                )
                code, output = done.returncode, done.stdout + done.stderr
            else:
                words = shlex.split(dated, comments=True)[1:]
                result = CliRunner().invoke(main, words, prog_name="densitycam")
                code, output = result.exit_code, result.output
            said[topic].append((line, code, output))
    patch.undo()
    return said


@pytest.mark.parametrize("topic", TOPICS)
def test_a_topic_is_read_at_80_columns(topic, run):
    assert [line for line in run("help", topic).output.splitlines() if len(line) > 80] == []


@pytest.mark.parametrize("topic", WALKED)
def test_every_line_of_the_guide_works(walked, topic):
    assert walked[topic]
    for line, code, output in walked[topic]:
        # A reader that stops early may end the writer with 1: see the topic shell.
        assert code == 0 or (code == 1 and "| head" in line), f"{line}\n{output}"
        assert "Traceback" not in output, line
        wide = [row for row in output.splitlines() if len(row) > 80 and "/" not in row]
        assert wide == [] or "--json" in line, (line, wide)


def test_the_answers_that_the_first_steps_show_are_those_that_come(walked):
    shown = [body for kind, body in FENCED.findall(topic_markdown("begin")) if not kind]
    said = "".join(output for _, _, output in walked["begin"])
    assert len(shown) == 2
    for line in "".join(shown).splitlines():
        assert f"\n{line}\n" in said, f"{line}\n{said}"


def test_the_walk_leaves_what_the_guide_names(walked, shelf):
    names = {
        "card.pdf", "seen.png", "fit.png", "drift.png", "1.pdf", "growth.csv", "growth.png",
        "tags.pdf", "cultures.html", "tables", "today.json", "journal-2026-05-09.sqlite",
    }  # fmt: skip
    today = f"{datetime.now():%Y-%m-%d}"
    left = {path.name.replace(today, "2026-05-09") for path in shelf.iterdir()}
    assert names - left == set()


@pytest.mark.parametrize("name", SHOTS)
def test_the_shots_are_what_the_guide_says_of_them(name, tmp_path, run):
    write_photo(SHOTS[name], tmp_path / "shot.jpg")
    words = ("--species", "tetraselmis", "--path-mm", JAR.path_mm)
    run("snap", tmp_path / "shot.jpg", *words, exit_code=0 if name == "good" else 1)


def table_under(topic: str, heading: str) -> list[list[str]]:
    """Return the rows of the first table that follows a heading, its own heading left out."""
    text = topic_markdown(topic)
    text = text[text.index(f"\n## {heading}\n") :]
    rows = re.search(r"((?:^\|.*\n)+)", text, re.MULTILINE)[1].splitlines()
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows[2:]]


def test_the_table_of_chambers_is_the_codes():
    found = {
        (name, unit): (float(depth.removesuffix(" mm")), float(area.removesuffix(" mm2")),
                       float(factor.replace(",", "")))
        for name, depth, unit, area, factor in table_under("count", "Chambers")
    }  # fmt: skip
    expected = {
        (chamber.id, unit.id): (chamber.depth_mm, unit.area_mm2, 1 / chamber.volume_ml(unit.id))
        for chamber in CHAMBERS.values()
        for unit in chamber.units
    }
    assert found.keys() == expected.keys()
    for key, numbers in found.items():
        assert numbers == pytest.approx(expected[key], rel=1e-12, abs=0), key


def test_the_tables_of_a_folder_are_those_that_batch_reads():
    found: dict[str, dict[str, bool]] = {}
    for file, column, _ in table_under("files", "The tables of a photo folder"):
        found.setdefault(file, {})[column.strip("()")] = column.startswith("(")
    needed = {
        file: {column: usual is not None for column, usual in columns.items()}
        for file, columns in TABLES.items()
    }
    assert found == needed


def test_the_columns_of_the_table_are_those_that_batch_writes():
    rows = table_under("files", "The table that batch writes")
    assert tuple(row[0] for row in rows) == CSV_COLUMNS


def test_the_journals_tables_are_named():
    assert {row[0] for row in table_under("files", "The journal")} == set(KEYS)


def test_a_species_facts_are_named():
    names = {n for row in table_under("files", "A species") for n in row[0].split(", ")}
    assert names | {"id", "sources"} == set(SpeciesFacts.__dataclass_fields__)
    start = set(re.findall(r"`(\w+)`", topic_markdown("files").partition("`start.json`")[2]))
    text = (Path(species_folder()) / "chlorella" / "start.json").read_text(encoding="utf-8")
    numbers = set(re.findall(r'"(\w+)": [\d.]+', text))
    assert numbers
    assert numbers <= start


def test_the_settings_shown_can_be_read():
    text = topic_markdown("files").partition("## The settings")[2]
    shown = FENCED.search(text)[2]
    settings = read_settings(shown, species=["tetraselmis"], vessels=["left jar"])
    assert settings.sections["vessel left jar"] == {"max_days_without_split": 8.0}
    assert settings.sections["species tetraselmis"] == {"harvest_low": 8e5}

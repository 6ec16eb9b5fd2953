"""Files that a keeper writes or carries over: what is right comes back, all else is refused."""

from __future__ import annotations

import csv
import io
import json
import random
import tempfile
from datetime import datetime
from pathlib import Path

import pytest
from fuzz_targets import TARGETS, accepted
from hypothesis import example, given, settings
from hypothesis import strategies as st
from kept_journal import JAR
from tried import tried

from densitycam.calibration.model import calibration_from_json, calibration_to_json
from densitycam.calibration.species import load_species
from densitycam.cli.count import _from_csv
from densitycam.counting.tally import Tally
from densitycam.culture.settings import (
    _RULE_FIELDS,
    FACTS_NUMBERS,
    LARGEST,
    plain_number,
    read_settings,
    settings_text,
    thresholds,
)
from densitycam.errors import DensitycamError
from densitycam.journal.exchange import (
    merge,
    read_export,
    read_journal,
    write_folder,
    write_json,
)
from densitycam.journal.folder_tables import read_folder_tables
from densitycam.journal.logbook import InoculationRecord, NoteRecord, TopUpRecord
from densitycam.journal.store import Journal
from densitycam.json_text import read_json
from densitycam.vessel.record import VesselRecord

#: Any letters but NUL, which no table holds, and halves of some, which no file does.
TEXT = st.text(st.characters(exclude_categories=("Cs",), exclude_characters=("\0",)), max_size=30)
NAME = TEXT.filter(lambda text: text.strip())
MOMENT = st.datetimes(datetime(2000, 1, 1), datetime(2026, 12, 31)).map(
    lambda when: when.replace(microsecond=0)
)
VOLUME = st.floats(1e-3, 1e6)


@st.composite
def vessels(draw):
    shape = draw(st.sampled_from(("cylinder", "flat", "bag")))
    path = draw(st.floats(0.1, 1e3))
    width = None if shape == "bag" else draw(st.none() | st.floats(path * 1.001, 1e4))
    species = draw(st.sampled_from(("isochrysis", "tetraselmis")))
    return VesselRecord(draw(NAME), species, draw(VOLUME), path, shape, width)


@settings(max_examples=12)
@given(st.lists(vessels(), max_size=4, unique_by=lambda v: v.name), st.data())
def test_an_export_brings_back_every_name_and_number_to_the_last_bit(kept, data):
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        with Journal.copy_in_memory(folder / "none.sqlite") as journal:
            for vessel in kept:
                journal.add_vessel(vessel)
                at = data.draw(st.lists(MOMENT, min_size=3, max_size=3, unique=True))
                source, cells = data.draw(TEXT), data.draw(st.none() | st.floats(1e-3, 1e12))
                journal.add_to_log(InoculationRecord(vessel.name, at[0], source, cells))
                journal.add_to_log(NoteRecord(vessel.name, at[1], data.draw(TEXT)))
                journal.add_to_log(TopUpRecord(vessel.name, at[2], data.draw(VOLUME)))
            words = data.draw(st.none() | TEXT)
            export = read_journal(journal, words)
            write_json(export, folder / "a.json")
            write_folder(export, folder / "tables", journal)
            dump = list(journal.connection.iterdump())
        for place in (folder / "a.json", folder / "tables"):
            with Journal.copy_in_memory(folder / "none.sqlite") as other:
                read = read_export(place)
                assert read.settings == words
                merge(other, read)
                assert list(other.connection.iterdump()) == dump
                assert not merge(other, read).added  # a second time there is nothing new
                assert {v.name for v in other.vessels()} == {v.name for v in kept}


@settings(max_examples=25)
@given(st.lists(vessels(), min_size=1, max_size=4, unique_by=lambda v: v.name.strip()))
def test_a_table_of_vessels_is_read_as_a_spreadsheet_wrote_it(kept):
    stream = io.StringIO(newline="")
    rows = csv.writer(stream)
    rows.writerow(["name", "species", "working_volume_ml", "path_mm", "shape", "width_mm"])
    for v in kept:
        width = "" if v.width_mm is None else repr(v.width_mm)
        rows.writerow(
            [v.name, v.species, repr(v.working_volume_ml), repr(v.path_mm), v.shape, width]
        )
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (folder / "vessels.csv").write_bytes(stream.getvalue().encode())
        with Journal.copy_in_memory(folder / "none.sqlite") as journal:
            told = read_folder_tables(folder, journal)
            assert told.vessels == len(kept)
            found = {v.name: v for v in journal.vessels()}
            for v in kept:
                same = found[v.name.strip()]
                assert (same.working_volume_ml, same.path_mm) == (v.working_volume_ml, v.path_mm)
                assert (same.shape, same.width_mm) == (v.shape, v.width_mm)
            assert read_folder_tables(folder, journal).vessels == 0


@given(
    st.lists(
        st.tuples(TEXT, st.integers(0, 5000), st.integers(0, 9)),
        min_size=1,
        max_size=8,
    )
)
def test_a_table_of_squares_is_read_filling_by_filling(rows):
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(["Filling", " cells", "dead"])
    sides: dict[str, list[int]] = {}
    for filling, cells, dead in rows:
        name = " ".join(filling.split()).strip('"')
        writer.writerow([name, cells, dead])
        sides.setdefault(name.strip(), []).append(cells)
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "squares.csv"
        path.write_text(stream.getvalue(), encoding="utf-8")
        tally = _from_csv(Tally(()), path)
    assert [list(f.counts) for f in tally.fillings] == list(sides.values())
    assert tally.dead == sum(dead for _, _, dead in rows)


def _range(name: str) -> tuple[float, float]:
    if name in _RULE_FIELDS:
        about = _RULE_FIELDS[name].metadata
        return float(about["least"]), float(about["most"])
    return LARGEST[name] * 1e-6, LARGEST[name]


@st.composite
def own_numbers(draw):
    names = draw(
        st.lists(st.sampled_from((*_RULE_FIELDS, *FACTS_NUMBERS)), max_size=6, unique=True)
    )
    return {name: draw(st.floats(*_range(name))) for name in names}


@given(own_numbers(), own_numbers(), NAME.filter(lambda n: not set("[]#\n\r") & set(n)))
def test_settings_are_what_was_written(of_all, of_vessel, name):
    name = " ".join(name.split())
    sections = {"[all]": of_all, f"[vessel {name}]": of_vessel}
    text = "\n".join(
        f"{title}  # why\n" + "\n".join(f" {n} = {v!r} # here" for n, v in numbers.items())
        for title, numbers in sections.items()
    )
    read = read_settings(text, vessels=[name])
    assert {k: dict(v) for k, v in read.sections.items()} == {
        "all": of_all,
        f"vessel {name}".lower(): of_vessel,
    }


@given(st.text(max_size=60) | st.text("[all]\n harvest_low=#1e69.-", max_size=60))
@example("[vessel ]")
@example("[all]\nharvest_low = nan")
def test_any_settings_are_in_range_or_refused_with_their_line(text):
    read = tried(read_settings, text, "my.ini", refusal=DensitycamError)
    if isinstance(read, DensitycamError):
        assert read.problem.startswith("my.ini, line ")
        assert read.advice
    else:
        for numbers in read.sections.values():
            for name, value in numbers.items():
                least, most = _range(name)
                assert least * 1e-9 <= value <= most


def test_settings_that_set_nothing_set_nothing():
    facts = load_species("isochrysis")
    read = read_settings(settings_text([facts]), species=["isochrysis"])
    assert all(not numbers for numbers in read.sections.values())
    assert thresholds(read, facts) == thresholds(read_settings(""), facts)


@given(st.floats(1e-12, 1e12))
def test_a_number_in_the_settings_reads_back_within_its_six_figures(value):
    assert float(plain_number(value)) == pytest.approx(value, rel=5.1e-6)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**25), 10**25) | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner),
    max_leaves=8,
)


@given(JSON)
def test_json_is_read_as_it_stands_but_for_numbers_that_nothing_holds(value):
    text = json.dumps(value)
    read = tried(read_json, text, refusal=ValueError)
    large = "more than 18 digits" in str(read) and isinstance(read, ValueError)
    assert large or json.dumps(read) == text


@given(JSON)
def test_no_other_json_is_taken_for_a_calibration(value):
    told = tried(calibration_from_json, json.dumps(value), refusal=DensitycamError)
    assert isinstance(told, DensitycamError)
    assert "cannot be read" in told.problem


@pytest.mark.parametrize("name", [n for n in TARGETS if n != "photo"])
def test_spoilt_files_are_refused_or_of_use(name, tmp_path):
    """A short piece of tests/benchmarks/fuzz.py, always the same."""
    target = TARGETS[name]
    run, seeds = target.begin(tmp_path), target.seeds()
    taken = [accepted(run, seed) for seed in seeds]
    assert all(taken)
    said = {False: 0, True: 0}
    for number in range(80):
        chance = random.Random(f"{name} {number}")
        said[accepted(run, target.mutate(chance.choice(seeds), chance))] += 1
    assert said[False] > 20  # it does spoil them


def test_spoilt_photos_are_refused_or_read(tmp_path):
    target = TARGETS["photo"]
    run, seeds = target.begin(tmp_path), target.seeds()
    assert [accepted(run, seed) for seed in seeds].count(True) == 1  # the sample alone
    for number in range(120):
        chance = random.Random(f"photo {number}")
        accepted(run, target.mutate(chance.choice(seeds[:-2]), chance))


def test_a_calibration_comes_back_and_its_text_with_it():
    for text in TARGETS["calibration"].seeds():
        read = calibration_from_json(text.decode())
        assert calibration_to_json(read) == text.decode()
        assert read.path_mm in (None, pytest.approx(JAR.path_mm))

"""The journal gives back what was kept, all or nothing, and refuses files that are not its own."""

from __future__ import annotations

import math
import os
import sqlite3
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from densitycam.calibration.estimate import Estimate
from densitycam.counting.slide import SlideCount
from densitycam.errors import DensitycamError
from densitycam.journal.encode import estimate_from_json, plain, reading_from_json, to_json
from densitycam.journal.place import journal_path
from densitycam.journal.schema import APPLICATION_ID, SCHEMA_VERSION
from densitycam.journal.store import CalibrationRecord, Journal, PhotoRecord, SplitRecord
from densitycam.vessel.reading import BarRow, Outline, Reading
from densitycam.vessel.record import VesselRecord

NAN = math.nan
RACK = VesselRecord("rack 3", "nannochloropsis", 950.0, 88.5, "cylinder")
READING = Reading(
    path_mm=83.7,
    contrast_t=(0.31, 0.42, NAN),
    contrast_t_se=(0.011, 0.013, NAN),
    mean_t=(0.35, 0.47, 0.02),
    mean_t_se=(0.01, 0.012, 0.004),
    veil=(0.011, 0.017, 0.001),
    attenuation=(1.171, 0.868, NAN),
    attenuation_se=(0.03, 0.031, math.inf),
    absorbance=(1.05, 0.755, 3.9),
    absorbance_se=(0.02, 0.02, 0.3),
    blank_se=0.03,
    usable=(True, True, False),
    greenness=0.0352,
    turbidity_per_mm=0.01037,
    dilution=2.5,
    outline=Outline(101.0, 189.5, 41.25, 185.0),
    rows=(BarRow(25.0, (0.3, 0.4, NAN), (0.34, 0.46, 0.02), (0.01, 0.02, 0.0)),),
    flags=("settled",),
)
ESTIMATE = Estimate("more-than", NAN, 4.1e7, math.inf, NAN, "nannochloropsis-2", 2, False, ("x",))
PHOTO = PhotoRecord(
    vessel="rack 3",
    sha256="ab" * 32,
    file_name="day 7.jpg",
    taken_at=datetime(2026, 5, 9, 7, 41, 13),
    time_source="exif",
    path_mm=88.5,
    shape="cylinder",
    dilution=2.5,
    own_optics=False,
    status="measured",
    flag=None,
    message=None,
    reading=READING,
    estimate=None,
    software_version="0.1.0",
)
COUNT = SlideCount("improved-neubauer", "large", 0, 4.0, 1.0, 0.02, 0.0, 0.0, 9410.0, math.inf)


@pytest.fixture
def journal(tmp_path: Path):
    with Journal(tmp_path / "deep" / "journal.sqlite") as opened:
        opened.add_vessel(RACK)
        yield opened


def _same(a: object, b: object) -> bool:
    return repr(a) == repr(b)  # nan is not equal to nan, its text is


def test_a_reading_with_nan_and_inf_survives_json():
    text = to_json(READING)
    assert "NaN" not in text
    assert "Infinity" not in text  # both are outside JSON (RFC 8259, section 6)
    assert _same(reading_from_json(text), READING)
    assert _same(estimate_from_json(to_json(ESTIMATE)), ESTIMATE)


def test_numpy_numbers_become_plain_ones():
    np = pytest.importorskip("numpy")
    value = {"a": np.float64(0.25), "b": np.bool_(True), "c": np.arange(2), "d": np.float32("nan")}
    assert plain(value) == {"a": 0.25, "b": True, "c": [0, 1], "d": None}
    assert type(plain(np.float64(0.25))) is float


def test_infinity_is_null_for_other_programs_and_text_for_our_own():
    assert plain(ESTIMATE)["high"] is None
    assert plain(ESTIMATE, keep_infinite=True)["high"] == "inf"


def test_a_photo_comes_back_as_it_was_kept(journal: Journal):
    kept = journal.put_photo(PHOTO)
    assert kept.id > 0
    assert _same(replace(kept, id=0), PHOTO)
    assert _same(journal.find_photo(PHOTO.sha256, "rack 3"), kept)
    assert _same(journal.photo(kept.id), kept)
    assert journal.find_photo("cd" * 32, "rack 3") is None


def test_the_same_photo_again_replaces_and_keeps_its_number(journal: Journal):
    first = journal.put_photo(PHOTO)
    second = journal.put_photo(replace(PHOTO, file_name="renamed.jpg", dilution=1.0))
    assert (second.id, second.file_name, second.dilution) == (first.id, "renamed.jpg", 1.0)
    assert len(journal.photos("rack 3")) == 1


def test_photos_stand_in_order_of_capture_with_undated_ones_last(journal: Journal):
    refused = replace(
        PHOTO,
        sha256="0" * 64,
        taken_at=None,
        time_source=None,
        status="refused",
        flag="no-card",
        message="no card",
        reading=None,
    )
    journal.put_photo(refused)
    journal.put_photo(PHOTO)
    journal.put_photo(replace(PHOTO, sha256="1" * 64, taken_at=datetime(2026, 5, 2, 23, 0)))
    assert [p.sha256[:1] for p in journal.photos("rack 3")] == ["1", "a", "0"]


def test_estimates_are_replaced_all_together(journal: Journal):
    kept = journal.put_photo(PHOTO)
    journal.set_estimates([(kept.id, ESTIMATE)])
    assert _same(journal.photo(kept.id).estimate, ESTIMATE)


def test_a_measured_photo_without_a_reading_is_refused_by_the_schema(journal: Journal):
    with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
        journal.put_photo(replace(PHOTO, reading=None))
    assert journal.photos("rack 3") == ()


def test_a_count_of_zero_is_kept(journal: Journal):
    slide = journal.add_slide(
        "rack 3", COUNT, counted_at=datetime(2026, 5, 9, 9), photo_sha256=PHOTO.sha256
    )
    assert journal.slides(vessel="rack 3") == (slide,)
    assert journal.slides(species="nannochloropsis") == (slide,)
    assert journal.slides(species="tetraselmis") == ()


def test_a_split_of_the_same_time_is_corrected_not_doubled(journal: Journal):
    at = datetime(2026, 5, 10, 18)
    journal.add_split(SplitRecord("rack 3", at, 300.0, 950.0))
    journal.add_split(SplitRecord("rack 3", at, 250.0, 950.0))
    assert journal.splits("rack 3") == (SplitRecord("rack 3", at, 250.0, 950.0),)


def test_every_calibration_is_kept_and_the_newest_that_applies_is_used(journal: Journal):
    journal.add_vessel(replace(RACK, name="rack 4"))
    at = datetime(2026, 5, 10, 18)
    for name, vessel in (("own", "rack 3"), ("other", "rack 4"), ("all", None), ("not", "rack 4")):
        journal.add_calibration(
            CalibrationRecord(0, name, RACK.species, vessel, 3, "p", "batch", at, "{}")
        )
    assert [c.calibration_id for c in journal.calibrations(RACK.species)] == [
        "own",
        "other",
        "all",
        "not",
    ]
    latest = journal.latest_calibration(RACK)
    assert latest is not None
    assert latest.calibration_id == "all"
    assert journal.latest_calibration(replace(RACK, species="tetraselmis")) is None


def test_a_vessel_is_described_anew_under_its_name(journal: Journal):
    journal.put_photo(PHOTO)
    journal.add_vessel(replace(RACK, path_mm=20.0, shape="flat"))
    assert journal.vessel("rack 3").path_mm == 20.0
    assert len(journal.vessels()) == 1
    assert len(journal.photos("rack 3")) == 1


@pytest.mark.parametrize("name", ["rakc 3", "RACK 3", "rack3"])
def test_a_wrong_vessel_name_brings_near_matches(journal: Journal, name: str):
    with pytest.raises(DensitycamError, match=r"no vessel named .* Did you mean rack 3\?"):
        journal.vessel(name)
    with pytest.raises(DensitycamError, match="Did you mean rack 3"):
        journal.put_photo(replace(PHOTO, vessel=name))


def test_a_far_name_lists_what_there_is(journal: Journal):
    with pytest.raises(DensitycamError, match="The journal knows rack 3"):
        journal.vessel("zzzz")


def test_a_failed_change_leaves_nothing(journal: Journal):
    def keep_then_stumble() -> None:
        with journal.transaction():
            journal.put_photo(PHOTO)
            raise KeyError("stumbled")

    with pytest.raises(KeyError, match="stumbled"):
        keep_then_stumble()
    assert journal.photos("rack 3") == ()
    journal.put_photo(PHOTO)  # and the journal still works
    assert len(journal.photos("rack 3")) == 1


def test_between_changes_the_journal_is_one_file(tmp_path: Path):
    with Journal(tmp_path / "j.sqlite") as journal:
        journal.add_vessel(RACK)
        journal.put_photo(PHOTO)
        assert [p.name for p in tmp_path.iterdir()] == ["j.sqlite"]


def test_a_copy_in_memory_knows_all_and_writes_nothing(tmp_path: Path):
    path = tmp_path / "j.sqlite"
    with Journal(path) as journal:
        journal.add_vessel(RACK)
    before = path.read_bytes()
    with Journal.copy_in_memory(path) as copy:
        copy.put_photo(PHOTO)
        assert len(copy.photos("rack 3")) == 1
    assert path.read_bytes() == before
    with Journal.copy_in_memory(tmp_path / "none.sqlite") as copy:
        assert copy.vessels() == ()
    assert not (tmp_path / "none.sqlite").exists()


def test_a_copy_that_fails_leaves_no_database_open(tmp_path: Path, monkeypatch):
    def gone(*_) -> None:
        raise FileNotFoundError

    connect, made = sqlite3.connect, []

    def kept(*args, **kwargs) -> sqlite3.Connection:
        made.append(connect(*args, **kwargs))
        return made[-1]

    Journal(tmp_path / "j.sqlite").close()
    monkeypatch.setattr(sqlite3, "connect", kept)
    monkeypatch.setattr("densitycam.journal.store.check_whole", gone)
    with pytest.raises(FileNotFoundError):
        Journal.copy_in_memory(tmp_path / "j.sqlite")
    assert len(made) == 2  # the file and the copy
    for database in made:
        with pytest.raises(sqlite3.ProgrammingError, match="closed database"):
            database.execute("SELECT 1")


def test_a_newer_journal_names_both_versions_and_stays_untouched(tmp_path: Path):
    path = tmp_path / "j.sqlite"
    Journal(path).close()
    with sqlite3.connect(path) as db:
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 6}")
    db.close()
    before = path.read_bytes()
    match = rf"version {SCHEMA_VERSION + 6}, .* up to {SCHEMA_VERSION}\. Upgrade densitycam"
    for open_it in (Journal, Journal.copy_in_memory):
        with pytest.raises(DensitycamError, match=match):
            open_it(path)
    assert path.read_bytes() == before


def test_another_programs_database_is_refused_and_stays_untouched(tmp_path: Path):
    path = tmp_path / "bookmarks.sqlite"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE bookmarks (url TEXT)")
    db.close()
    before = path.read_bytes()
    with pytest.raises(DensitycamError, match="of another program"):
        Journal(path)
    assert path.read_bytes() == before


def test_a_file_that_is_no_database_is_refused_and_stays_untouched(tmp_path: Path):
    path = tmp_path / "notes.txt"
    path.write_text("keep me, I am a shopping list " * 20)
    for open_it in (Journal, Journal.copy_in_memory):
        with pytest.raises(DensitycamError, match=r"notes\.txt .*not a database"):
            open_it(path)
    assert path.read_text().startswith("keep me")


def test_a_damaged_journal_is_named(tmp_path: Path):
    path = tmp_path / "j.sqlite"
    Journal(path).close()
    path.write_bytes(path.read_bytes()[:50])
    with pytest.raises(DensitycamError, match="is damaged"):
        Journal(path)


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path):
    (tmp_path / "file").write_text("")
    with pytest.raises(DensitycamError, match="cannot be opened or written"):
        Journal(tmp_path / "file" / "j.sqlite")
    with pytest.raises(DensitycamError, match="is a folder"):
        Journal(tmp_path)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="needs a plain user")
def test_a_read_only_folder_is_named(tmp_path: Path):
    tmp_path.chmod(0o500)
    with pytest.raises(DensitycamError, match="cannot be opened or written"):
        Journal(tmp_path / "j.sqlite")


def test_a_journal_held_by_another_program_says_so(journal: Journal, tmp_path: Path):
    other = sqlite3.connect(tmp_path / "deep" / "journal.sqlite", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    journal._db.execute("PRAGMA busy_timeout = 50")
    try:
        with pytest.raises(DensitycamError, match="held by another program"):
            journal.put_photo(PHOTO)
    finally:
        other.close()
    assert len(journal.photos("rack 3")) == 0


def test_the_file_is_marked_as_ours(tmp_path: Path):
    Journal(tmp_path / "j.sqlite").close()
    # SQLite file format, section 1.3: application id is the big-endian word at offset 68.
    assert int.from_bytes((tmp_path / "j.sqlite").read_bytes()[68:72], "big") == APPLICATION_ID


@pytest.mark.parametrize(
    ("environ", "platform", "expected"),
    [
        ({"HOME": "/h"}, "linux", "/h/.local/share/densitycam/journal.sqlite"),
        ({"HOME": "/h", "XDG_DATA_HOME": "/d"}, "linux", "/d/densitycam/journal.sqlite"),
        (
            {"HOME": "/h", "XDG_DATA_HOME": "d"},
            "linux",
            "/h/.local/share/densitycam/journal.sqlite",
        ),
        ({"HOME": "/h"}, "darwin", "/h/Library/Application Support/densitycam/journal.sqlite"),
        ({"HOME": "/h", "LOCALAPPDATA": "/l"}, "win32", "/l/densitycam/journal.sqlite"),
        ({"HOME": "/h", "DENSITYCAM_JOURNAL": "/x/y.db"}, "linux", "/x/y.db"),
    ],
)
def test_the_usual_place(environ: dict[str, str], platform: str, expected: str):
    assert journal_path(environ=environ, platform=platform).as_posix() == expected
    assert journal_path("/o.db", environ=environ, platform=platform).as_posix() == "/o.db"


def test_a_vessel_with_photos_cannot_vanish_from_under_them(journal: Journal):
    journal.put_photo(PHOTO)
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        journal._db.execute("DELETE FROM vessels")


def test_an_empty_file_becomes_a_journal(tmp_path: Path):
    (tmp_path / "j.sqlite").write_bytes(b"")  # what a kill in the very first write leaves
    with Journal(tmp_path / "j.sqlite") as journal:
        assert journal.vessels() == ()


def test_programs_that_open_a_new_journal_at_once_do_not_collide(tmp_path: Path):
    from concurrent.futures import ThreadPoolExecutor

    def visit(n: int) -> int:
        with Journal(tmp_path / "j.sqlite") as journal:
            journal.add_vessel(replace(RACK, name=f"rack {n}"))
            return len(journal.vessels())

    with ThreadPoolExecutor(8) as pool:
        seen = list(pool.map(visit, range(16)))
    assert max(seen) == 16

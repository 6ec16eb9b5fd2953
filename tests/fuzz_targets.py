"""What a fuzz run feeds with spoilt files: the readers of photos and of a keeper's other files.

Each target takes the bytes of one file, hands them to what the command itself calls, and uses what
was accepted as the next command would. Only a clean refusal may come of a bad file.
"""

from __future__ import annotations

import hashlib
import json
import random
import struct
import warnings
import weakref
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from hostile_photos import chunk, saved, with_app1

from densitycam.errors import DensitycamError

ROOT = Path(__file__).resolve().parents[1]
WHEN = datetime(2026, 5, 20, 8)

#: What a mutated file may hold in place of a number or a word.
NASTY = (
    None, True, False, "", " ", "nan", "inf", "-inf", "1e400", "-1", "0", "٣", "\0", "\ud800",
    "a" * 300, 0, -1, 1, 2**31, 2**63, -(2**63) - 1, 2**64, 10**400, 1.5, -0.0, 1e308, 1e-308,
    5e-324,
    float("nan"), float("inf"), float("-inf"), [], {}, [[]], [None], {"": None}, {"value": None},
)  # fmt: skip
WORDS = (
    b"", b"nan", b"inf", b"1e400", b"-1", b"0", b"1e-320", b"\xd9\xa3", b"\0", b"\xff", b'"', b",",
    b";", b"\r", b"\r\n", b"\n\n", b"\xef\xbb\xbf", b"9" * 30, b"9" * 5000, b"[" * 3000,
    b"0x10", b"1_0", b"2026-02-30", b"9999-12-31 23:59:60", b"0001-01-01", b"1:0", b"../..",
    b"\xed\xa0\x80", b"24:00",
)  # fmt: skip


@dataclass(frozen=True)
class Target:
    """One reader under test.

    Parameters
    ----------
    seeds : callable
        Returns good files, and some that are nearly good.
    begin : callable
        Takes a folder of its own and returns what takes a file's bytes and tells whether it was
        accepted; it raises DensitycamError, or returns False, where it was refused.
    mutate : callable
        Spoils a file with a given `random.Random`.
    longest : int
        Longest file that is tried [bytes].
    """

    seeds: Callable[[], list[bytes]]
    begin: Callable[[Path], Callable[[bytes], bool]]
    mutate: Callable[[bytes, random.Random], bytes]
    longest: int = 1 << 16


def accepted(run: Callable[[bytes], bool], data: bytes) -> bool:
    """Tell whether a file was accepted; what is neither that nor a clean refusal raises."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", RuntimeWarning)  # a number that became nan unseen
            return run(data)
    except DensitycamError as refusal:
        if not (refusal.problem.strip() and refusal.advice.strip()):
            raise AssertionError(f"a refusal without advice: {refusal}") from refusal
        return False


# Photos


@cache
def photo_seeds() -> list[bytes]:
    """Return small files of every format, a sample that is read, and one that is too small."""
    import numpy as np
    from PIL import Image, ImageCms, PngImagePlugin

    noise = np.random.default_rng(5).integers(0, 255, (48, 64, 3), np.uint8)
    small = Image.fromarray(noise)
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "maker"
    exif.get_ifd(0x8769)[0x9003] = "2026:03:08 08:11:00"

    notes = PngImagePlugin.PngInfo()
    notes.add_itxt("Comment", "words", zip=True)
    seeds = [
        saved(small, "JPEG", exif=exif, icc_profile=profile),
        saved(small, "JPEG", progressive=True, subsampling=0),
        saved(small.convert("CMYK"), "JPEG"),
        saved(small, "MPO", save_all=True, append_images=[small]),
        saved(small, "PNG", pnginfo=notes, icc_profile=profile),
        saved(small, "PNG", save_all=True, append_images=[small.rotate(9)]),
        saved(small.convert("P"), "PNG", exif=exif),
        saved(small.convert("RGBA"), "PNG"),
        saved(small, "GIF"),
        saved(small, "GIF", save_all=True, append_images=[small.rotate(9)]),
        saved(small, "TIFF", exif=exif),
        saved(small, "TIFF", compression="tiff_lzw", icc_profile=profile),
        saved(small, "TIFF", compression="tiff_adobe_deflate"),
        saved(small, "WEBP", exif=exif, icc_profile=profile),
        saved(small, "WEBP", lossless=True),
        saved(small, "WEBP", save_all=True, append_images=[small.rotate(9)]),
        png_of_16_bits(noise),
        saved(small, "HEIC", exif=exif.tobytes(), quality=60),
    ]
    with Image.open(ROOT / "samples" / "window-bottle" / "2026-03-08_0811.jpg") as sample:
        for width in (600, 240):
            shrunk = sample.resize((width, width * 4 // 3), Image.Resampling.LANCZOS)
            seeds.append(saved(shrunk, "JPEG", quality=70, exif=sample.getexif()))
    return seeds


def png_of_16_bits(noise: Any) -> bytes:
    """Return a colour picture as a PNG of 16 bits a channel (PNG, 3rd edition, 11.2.1)."""
    height, width = noise.shape[:2]
    rows = noise.astype(">u2") * 257
    raw = b"".join(b"\0" + row.tobytes() for row in rows)
    header = struct.pack(">IIBBBBB", width, height, 16, 2, 0, 0, 0)
    return b"".join((
        b"\x89PNG\r\n\x1a\n", chunk(b"IHDR", header), chunk(b"IDAT", zlib.compress(raw)),
        chunk(b"IEND", b""),
    ))  # fmt: skip


def begin_photo(folder: Path) -> Callable[[bytes], bool]:
    """Read as `snap`, `batch` and the page do."""
    from densitycam.journal.scoring import measure, optics_for
    from densitycam.photo.decode import exif_time
    from densitycam.vessel.record import VesselRecord

    vessel = VesselRecord("bottle", "tetraselmis", 400.0, 60.0, "cylinder")
    optics = optics_for(vessel)
    path = folder / "photo.jpg"

    def run(data: bytes) -> bool:
        path.write_bytes(data)
        exif_time(path)
        record, _ = measure(
            path, vessel, optics, sha256=hashlib.sha256(data).hexdigest(), prints=()
        )
        if record.status == "refused":
            assert record.flag
            assert record.message
        return record.status == "measured"

    return run


def spoil_photo(data: bytes, chance: random.Random) -> bytes:
    """Spoil bytes, and sometimes mend a PNG's checksums so that the spoilt chunk is looked at."""
    spoilt = spoil_bytes(data, chance)
    if spoilt[:8] == b"\x89PNG\r\n\x1a\n" and chance.random() < 0.8:
        spoilt = with_checksums(spoilt)
    if spoilt[:2] == b"\xff\xd8" and chance.random() < 0.05:
        spoilt = with_app1(spoilt, bytes(chance.randrange(256) for _ in range(40)))
    return spoilt


def with_checksums(data: bytes) -> bytes:
    """Return a PNG whose chunks carry the checksums of what they hold."""
    out, place = [data[:8]], 8
    while place + 12 <= len(data):
        (length,) = struct.unpack(">I", data[place : place + 4])
        body = data[place + 4 : place + 8 + length]
        out += [data[place : place + 8 + length], struct.pack(">I", zlib.crc32(body))]
        place += 12 + length
    return b"".join([*out, data[place:]])


def spoil_bytes(data: bytes, chance: random.Random) -> bytes:
    """Flip, cut, repeat and overwrite, a few times."""
    spoilt = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 6))):
        size = len(spoilt)
        # The headers stand at the begin: half of the time there.
        at = chance.randrange(size + 1 if chance.random() < 0.5 else min(size, 200) + 1)
        kind = chance.randrange(6)
        if kind == 0 and size:
            spoilt[min(at, size - 1)] ^= 1 << chance.randrange(8)
        elif kind == 1 and size:
            spoilt[min(at, size - 1)] = chance.choice((0, 1, 0x7F, 0x80, 0xFF))
        elif kind == 2:
            del spoilt[at:]
        elif kind == 3:
            del spoilt[at : at + chance.randrange(1, 64)]
        elif kind == 4:
            width = chance.choice((2, 4))
            value = chance.choice((0, 1, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF, size))
            order = chance.choice(("big", "little"))
            spoilt[at : at + width] = (value % (1 << 8 * width)).to_bytes(width, order)  # type: ignore[arg-type]
        else:
            spoilt[at:at] = spoilt[at : at + chance.randrange(1, 64)]
    return bytes(spoilt)


# Text files


def spoil_text(data: bytes, chance: random.Random) -> bytes:
    """Change words and lines; sometimes bytes."""
    if chance.random() < 0.2:
        return spoil_bytes(data, chance)
    lines = data.split(b"\n")
    for _ in range(chance.choice((1, 1, 2, 4))):
        at = chance.randrange(len(lines))
        kind = chance.randrange(5)
        if kind == 0:
            lines[at:at] = [lines[chance.randrange(len(lines))]]
        elif kind == 1:
            lines[at:at] = [chance.choice(WORDS)]
        elif kind == 2 and len(lines) > 1:
            del lines[at]
        else:
            sign = chance.choice((b",", b"=", b" ", b'"'))
            words = lines[at].split(sign)
            words[chance.randrange(len(words))] = chance.choice(WORDS)
            lines[at] = sign.join(words)
    return b"\n".join(lines)


def spoil_json(data: bytes, chance: random.Random) -> bytes:
    """Change a value, a key or a list of a JSON text; sometimes its bytes."""
    if chance.random() < 0.15:
        return spoil_text(data, chance)
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        return spoil_text(data, chance)
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        value = _spoilt(value, chance)
    return json.dumps(value).encode()


def _spoilt(value: Any, chance: random.Random) -> Any:
    if isinstance(value, (dict, list)) and value and chance.random() < 0.93:
        key = (
            chance.choice(list(value)) if isinstance(value, dict) else chance.randrange(len(value))
        )
        kind = chance.random()
        if kind < 0.05:
            del value[key]
        elif kind < 0.1 and isinstance(value, list):
            value.append(json.loads(json.dumps(value[key])))
        elif kind < 0.1:
            value[chance.choice(("id", "value", "", str(key) + "_"))] = value[key]
        else:
            value[key] = _spoilt(value[key], chance)
        return value
    if isinstance(value, str) and value[:1] in "{[" and chance.random() < 0.9:
        try:  # a journal keeps readings as JSON in a text
            return json.dumps(_spoilt(json.loads(value), chance))
        except ValueError:
            pass
    if isinstance(value, (int, float)) and not isinstance(value, bool) and chance.random() < 0.4:
        near = value if abs(value) < 1e300 else 1  # also for nan
        return chance.choice((-near, near + 1, near * 1e6, near * 1e-6, int(near)))
    if isinstance(value, str) and chance.random() < 0.3:
        return chance.choice((value + "x", value[:-1], value.upper(), value * 2))
    return json.loads(json.dumps(chance.choice(NASTY)))  # a list of its own


@cache
def kept_export() -> dict[str, Any]:
    """Return the export of a small invented journal, every table with a row in it."""
    import tempfile

    from kept_journal import JAR, at, fill

    from densitycam.card.layout import card_layout
    from densitycam.card.profile import nominal_profile
    from densitycam.counting.tally import Filling, Tally, judge_tally
    from densitycam.journal.bottle_records import BottleRecord
    from densitycam.journal.exchange import read_journal, write_json
    from densitycam.journal.logbook import (
        DoseRecord,
        EndRecord,
        InoculationRecord,
        LossRecord,
        NoteRecord,
        TopUpRecord,
    )
    from densitycam.journal.store import BlankRecord, Journal, PrintRecord, SplitRecord
    from densitycam.vessel.blank import assumed_blank

    with tempfile.TemporaryDirectory() as scratch, Journal(Path(scratch) / "a.sqlite") as journal:
        fill(journal)
        tally = Tally((Filling((24, 31, 27), 3.0),), dilution_steps=(10.0,), dead=2)
        journal.add_slide(
            "jar",
            judge_tally(tally).slide,
            counted_at=at(9.5),
            tally=tally,
            photo_sha256=f"{9:064d}",
        )
        journal.give_tags(["jar"])
        journal.put_print(PrintRecord(nominal_profile(card_layout("a4")), ("0" * 64,), at(0), "0"))
        journal.add_blank(BlankRecord("jar", assumed_blank(60.0), at(0)))
        journal.add_split(SplitRecord("jar", at(6.2), 125.0, 500.0))
        for record in (
            InoculationRecord("jar", at(-1), "slant", 4e5), EndRecord("jar", at(40), "milky"),
            TopUpRecord("jar", at(3.3), 20.0, 500.0), LossRecord("jar", at(3.2), 20.0, True),
            DoseRecord("jar", at(6.3), 0.3, 0.3, 375.0), NoteRecord("jar", at(2), "lamp moved"),
        ):  # fmt: skip
            journal.add_to_log(record)
        bottle = journal.add_bottle(
            BottleRecord("isochrysis", at(6.3), 300.0, 2e6, 1.8e6, 2.2e6, JAR.name)
        )
        journal.take_from_bottle(bottle.number, done_at=at(8), ml=50.0)
        first = journal.photos("jar")[0]
        journal.connection.execute(
            "INSERT INTO photo_copies (photo_id, vessel_id, sha256, file_name) "
            "VALUES (?, 1, ?, 'b')",
            (first.id, "e" * 64),
        )
        # Few rows, so that a mutation often meets what matters.
        journal.connection.execute("DELETE FROM photos WHERE id > 4 AND id NOT IN (5, 6, 8, 9, 10)")
        write_json(read_journal(journal, "[all]\nharvest_low = 6e5\n"), Path(scratch) / "a.json")
        return json.loads((Path(scratch) / "a.json").read_text())


def export_seeds() -> list[bytes]:
    """Return that export, and one that holds next to nothing."""
    whole = kept_export()
    few = {**whole, "tables": {"vessels": whole["tables"]["vessels"]}, "settings": None}
    return [json.dumps(whole).encode(), json.dumps(few).encode()]


def use_journal(journal: Any) -> None:
    """Read all that a journal holds, and ask what to do, as the next commands will."""
    from densitycam.culture.settings import Settings
    from densitycam.journal.morning import cold_bottles, morning
    from densitycam.report.today_text import bottles_text, today_text

    for vessel in journal.vessels():
        journal.photos(vessel.name)
        journal.blank(vessel.name)
        journal.calibrations(vessel.species)
        journal.log(vessel=vessel.name)
    journal.slides()
    journal.tags()
    journal.prints_in_use()
    journal.bottles(in_hand=False)
    for at in (datetime(2026, 5, 6, 12), datetime(2026, 5, 13, 12)):
        today_text(morning(journal, Settings(), at))
        bottles_text(cold_bottles(journal, Settings(), at))


def begin_import(folder: Path) -> Callable[[bytes], bool]:
    """Import a JSON export into an empty journal, then into one that holds it."""
    place = folder / "export.json"

    def run(data: bytes) -> bool:
        place.write_bytes(data)
        return _imported(place)

    return run


def _imported(place: Path) -> bool:
    from densitycam.journal.exchange import merge, read_export, read_journal
    from densitycam.journal.store import Journal

    export = read_export(place)
    with Journal.copy_in_memory(place.with_name("none.sqlite")) as journal:
        merge(journal, export)
        use_journal(journal)
        held = read_journal(journal).tables
        again = merge(journal, export)
        assert not again.added, again
        assert read_journal(journal).tables == held
    return True


#: Parts the tables of a folder in one file of bytes.
_PART = b"\n%% "


def folder_seeds() -> list[bytes]:
    """Return that export as a folder of tables, put into one file."""
    import tempfile

    from densitycam.journal.exchange import merge, read_export, read_journal, write_folder
    from densitycam.journal.store import Journal

    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch) / "a.json"
        place.write_bytes(export_seeds()[0])
        with Journal(Path(scratch) / "a.sqlite") as journal:
            merge(journal, read_export(place))
            tables = Path(scratch) / "tables"
            write_folder(read_journal(journal, "[all]\n"), tables, journal)
        parts = [f.name.encode() + b"\n" + f.read_bytes() for f in sorted(tables.iterdir())]
        return [_PART.join(parts)]


def begin_folder(folder: Path) -> Callable[[bytes], bool]:
    """Import a folder of tables whose checksums are right."""
    from densitycam.journal.exchange import CONTENTS

    place = folder / "tables"
    place.mkdir()

    def run(data: bytes) -> bool:
        for old in place.iterdir():
            old.unlink()
        head: Any = None
        told = {}
        for part in data.split(_PART)[:30]:
            name, _, content = part.partition(b"\n")
            plain = "".join(c for c in name.decode("latin-1") if c.isalnum() or c in "._")[:40]
            if plain == CONTENTS:
                head = content
            elif plain.strip("."):
                (place / plain).write_bytes(content)
                told[plain] = hashlib.sha256(content).hexdigest()
        try:
            told_head = json.loads(head)
            for name, about in told_head["files"].items():
                about["sha256"] = told.get(name, about["sha256"])
            head = json.dumps(told_head).encode()
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            pass
        if head is not None:
            (place / CONTENTS).write_bytes(head)
        return _imported(place)

    return run


def calibration_seeds() -> list[bytes]:
    """Return a species' starting calibration, and one of six slides."""
    from densitycam.calibration.model import calibration_to_json, start_calibration

    rows = kept_export()["tables"]["calibrations"]
    return [calibration_to_json(start_calibration("tetraselmis")).encode()] + [
        str(row["calibration"]).encode() for row in rows
    ]


def begin_calibration(folder: Path) -> Callable[[bytes], bool]:
    """Read a calibration and ask it for densities, limits and signs."""
    from kept_journal import density, reading

    from densitycam.calibration.model import (
        calibration_from_json,
        calibration_to_json,
        detection_limit,
        estimate,
        predictive_band,
        species_signs,
    )

    def run(data: bytes) -> bool:
        calibration = calibration_from_json(data.decode("utf-8", "replace"))
        text = calibration_to_json(calibration)
        assert calibration_to_json(calibration_from_json(text)) == text
        for day in (0, 3, 5):
            answer = estimate(reading(day), calibration)
            if answer.status == "measured":
                assert 0 < answer.low <= answer.cells_per_ml <= answer.high
            species_signs(reading(day), calibration, foretold=(1e6, 0.2))
        detection_limit(calibration, attenuation=0.05, path_mm=60.0)
        if calibration.points:
            predictive_band(calibration, [density(day) for day in range(4)])
        return True

    del folder
    return run


def start_seeds() -> list[bytes]:
    """Return the optics of the species that ship."""
    return [f.read_bytes() for f in sorted((ROOT / "calibration").glob("*/start.json"))[:3]]


def begin_start(folder: Path) -> Callable[[bytes], bool]:
    """Read a species' starting calibration and ask it for a density."""
    from kept_journal import reading

    from densitycam.calibration import model

    (folder / "odd").mkdir()
    place = folder / "odd" / "start.json"

    def run(data: bytes) -> bool:
        place.write_bytes(data)
        usual, model.species_folder = model.species_folder, lambda: folder
        try:
            calibration = model.start_calibration("odd")
        finally:
            model.species_folder = usual
        answer = model.estimate(reading(3), calibration)
        assert 0 < answer.low < answer.cells_per_ml < answer.high
        return True

    return run


def species_seeds() -> list[bytes]:
    """Return the facts that ship."""
    return [f.read_bytes() for f in sorted((ROOT / "calibration").glob("*/species.json"))[:3]]


def begin_species(folder: Path) -> Callable[[bytes], bool]:
    """Read a species' facts as every command does."""
    from densitycam.calibration.species import IN_ORDER, load_species
    from densitycam.culture.settings import Settings, settings_text, thresholds

    (folder / "odd").mkdir()
    place = folder / "odd" / "species.json"

    def run(data: bytes) -> bool:
        place.write_bytes(data)
        facts = load_species("odd", folder)
        assert all(0 < getattr(facts, low) < getattr(facts, high) for low, high in IN_ORDER)
        thresholds(Settings(), facts)
        settings_text([facts])
        return True

    return run


_SETTINGS = b"""# Thresholds
[all]
harvest_low = 6e5   # cells/mL
stale_days = 3

[species isochrysis]
harvest_high = 5e6
[vessel jar]
salinity_g_per_kg = 30
"""


def settings_seeds() -> list[bytes]:
    """Return a short file, and the one that `settings --write` writes with every line set."""
    from densitycam.calibration.species import load_species
    from densitycam.culture.settings import settings_text

    whole = settings_text([load_species("isochrysis")])
    lines = [
        line.removeprefix("# ") if " = " in line and line.startswith("# ") else line
        for line in whole.split("\n")
    ]
    return [_SETTINGS, whole.encode(), "\n".join(lines).encode()]


def begin_settings(folder: Path) -> Callable[[bytes], bool]:
    """Read settings and work out what holds for a vessel."""
    from densitycam.calibration.species import load_species
    from densitycam.culture.settings import thresholds
    from densitycam.journal.settings_file import load_settings
    from densitycam.journal.store import Journal

    facts, place = load_species("isochrysis"), folder / "journal.settings.ini"
    journal = Journal.copy_in_memory(folder / "none.sqlite")
    from kept_journal import JAR

    journal.add_vessel(JAR)

    def run(data: bytes) -> bool:
        place.write_bytes(data)
        settings = load_settings(place, journal)
        for threshold in thresholds(settings, facts, JAR):
            assert threshold.value == threshold.value
            assert abs(threshold.value) < 1e12
        return True

    weakref.finalize(run, journal.close)  # with the last that can run it
    return run


def count_seeds() -> list[bytes]:
    """Return tables of squares as a keeper types them."""
    return [
        b"cells\n24\n31\n27\n",
        b"\xef\xbb\xbffilling,cells,dead\r\na,24,1\r\na,31,0\r\nb,22,2\r\nb,30,0\r\n",
        b'cells , "filling"\n12,"one, two"\n 14 ,"one, two"\n',
    ]


def begin_count(folder: Path) -> Callable[[bytes], bool]:
    """Run `densitycam count --csv` itself, on a journal that is put back now and then."""
    import shutil

    from click.testing import CliRunner
    from kept_journal import JAR

    from densitycam.cli.main import main
    from densitycam.journal.store import Journal

    place, kept, used = folder / "squares.csv", folder / "kept.sqlite", folder / "used.sqlite"
    with Journal(kept) as journal:
        journal.add_vessel(JAR)
    line = ["--journal", str(used), "count", "--vessel", "jar", "--csv", str(place)]
    runs = 0

    def run(data: bytes) -> bool:
        nonlocal runs
        if runs % 100 == 0:
            shutil.copy(kept, used)
        runs += 1
        place.write_bytes(data)
        done = CliRunner().invoke(main, line)
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        if done.exit_code == 0:
            assert "cells/mL" in done.output
            return True
        assert done.exit_code in (1, 2), done.output
        said = done.output.strip().splitlines()
        assert said, "a refusal without a word"
        assert "Error: " in done.output, done.output
        return False

    return run


def tables_seeds() -> list[bytes]:
    """Return the three tables of a photo folder; the first line names the table."""
    return [
        b"vessels\nname,species,working_volume_ml,path_mm,shape,width_mm\n"
        b"jar,isochrysis,500,60,flat,70\nbag,tetraselmis,2000,80,bag,\n",
        b"slides\nvessel,when,photo,chamber,unit,cells,squares,dilution,fixative_fraction\n"
        b"jar,2026-05-09 07:41,,improved-neubauer,large,412,4,10,0.02\n",
        b"splits\nvessel,when,kept_ml,total_ml\n"
        b"jar,2026-05-09,125,500\njar,2026-05-16 08:00,100,500\n",
    ]


def begin_tables(folder: Path) -> Callable[[bytes], bool]:
    """Read one of vessels.csv, slides.csv and splits.csv as `batch` does."""
    from kept_journal import JAR

    from densitycam.journal.folder_tables import TABLES, read_folder_tables
    from densitycam.journal.store import Journal

    def run(data: bytes) -> bool:
        name, _, content = data.partition(b"\n")
        table = f"{name.decode('latin-1')}.csv"
        for old in TABLES:
            (folder / old).unlink(missing_ok=True)
        (folder / (table if table in TABLES else "vessels.csv")).write_bytes(content)
        with Journal.copy_in_memory(folder / "none.sqlite") as journal:
            journal.add_vessel(JAR)
            read_folder_tables(folder, journal)
            again = read_folder_tables(folder, journal)
            assert (again.vessels, again.slides, again.splits) == (0, 0, 0)
            use_journal(journal)
        return True

    return run


TARGETS = {
    "photo": Target(photo_seeds, begin_photo, spoil_photo, 1 << 17),
    "calibration": Target(calibration_seeds, begin_calibration, spoil_json),
    "start": Target(start_seeds, begin_start, spoil_json),
    "species": Target(species_seeds, begin_species, spoil_json),
    "settings": Target(settings_seeds, begin_settings, spoil_text),
    "count": Target(count_seeds, begin_count, spoil_text),
    "tables": Target(tables_seeds, begin_tables, spoil_text),
    "import": Target(export_seeds, begin_import, spoil_json, 1 << 18),
    "import-folder": Target(folder_seeds, begin_folder, spoil_text, 1 << 18),
}

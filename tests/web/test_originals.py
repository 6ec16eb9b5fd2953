"""Originals are kept byte for byte, whole or not at all, under no name but our own."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import re
from datetime import datetime

import pillow_heif
import pytest
from PIL import Image

from densitycam.errors import DensitycamError
from densitycam.journal.scoring import PHOTO_SUFFIXES
from densitycam.journal.store import PhotoRecord
from densitycam.photo.decode import capture_time_from_name, exif_time
from densitycam.web import originals
from densitycam.web.originals import drop_halves, keep_original, original_of

NOW = datetime(2026, 5, 9, 7, 41, 12, 345678)

#: Names that browsers and attackers send.
NAMES = ["../../etc/passwd", "..\\..\\boot.ini", "/etc/cron.d/x", "C:\\x.jpg", "a\0b.jpg", "", ".",
         "..", "con.jpg", "x" * 5000 + ".jpg", "<script>alert(1)</script>.jpg", "\u202egpj.exe",
         "-rf.jpg", "a/b/c.jpg", ".htaccess", "%2e%2e%2fx.jpg", "\ud800.jpg"]  # fmt: skip


def picture(kind: str = "JPEG", shade: int = 90, **how) -> bytes:
    stream = io.BytesIO()
    image = Image.new("RGB", (40, 30), (shade, 20, 20))
    if kind == "HEIF":
        pillow_heif.from_pillow(image).save(stream, **how)
    else:
        image.save(stream, kind, **how)
    return stream.getvalue()


def exif(when: str) -> Image.Exif:
    said = Image.Exif()
    said[0x0132] = when  # DateTime (Exif 2.32)
    return said


def keep(folder, data, name="image.jpg", taken_at=exif_time):
    return keep_original(folder, io.BytesIO(data), name, NOW, taken_at)


def files(folder):
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def record(sha256: str, file_name: str) -> PhotoRecord:
    return PhotoRecord(
        vessel="slim", sha256=sha256, file_name=file_name, taken_at=NOW, time_source="name",
        path_mm=20.0, shape="flat", dilution=1.0, own_optics=False, status="refused",
        flag="no-card", message="x", reading=None, estimate=None, software_version="0",
    )  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_no_sent_name_reaches_the_disk(tmp_path, name):
    folder = tmp_path / "home" / "photos"
    kept = keep(folder, picture(), name)
    assert kept.path.read_bytes() == picture()
    (only,) = files(tmp_path)
    assert re.fullmatch(r"home/photos/2026-05/2026-05-09_074112_[0-9a-f]{12}\.jpg", only, re.ASCII)
    assert kept.time_source == "arrival"
    assert kept.sha256 == hashlib.sha256(picture()).hexdigest()


@pytest.mark.parametrize(
    ("data", "name", "expected", "source"),
    [
        (picture(exif=exif("2026:03:02 08:15:59")), "20250101.jpg", "2026-03-02_081559", "exif"),
        (picture("HEIF", exif=exif("2026:03:02 08:15:59").tobytes()), "x", "2026-03-02_081559",
         "exif"),
        (picture(), "IMG_20260302_081530.jpg", "2026-03-02_081530", "name"),
        (picture(), "PXL 2026-03-02 at 08.15.jpg", "2026-03-02_120000", "name"),
        (picture(), "../2026-03-02.jpg", "2026-03-02_120000", "name"),
        (picture(exif=exif("1970:01:01 00:00:00")), "x.jpg", "2026-05-09_074112", "arrival"),
        (picture(), "20991231_101010.jpg", "2026-05-09_074112", "arrival"),
    ],
)  # fmt: skip
def test_the_time_is_the_photos_own_else_the_names_else_that_of_arrival(
    tmp_path, data, name, expected, source
):
    kept = keep(tmp_path, data, name)
    assert kept.time_source == source
    assert kept.path.name.startswith(f"{expected}_")
    assert kept.path.parent.name == expected[:7]


def test_the_same_time_is_found_in_our_name_whatever_the_hash(tmp_path):
    # The hash follows the time: its digits must never be taken for seconds, or spoil the time.
    begins = set()
    for shade in range(120):
        kept = keep(tmp_path, picture(shade=shade))
        begins.add(kept.path.stem.split("_")[2][:2].isdecimal())
        assert capture_time_from_name(kept.path) == (NOW.replace(microsecond=0), "name")
    assert begins == {True, False}


@pytest.mark.parametrize(
    ("kind", "suffix"),
    [("JPEG", ".jpg"), ("PNG", ".png"), ("TIFF", ".tif"), ("WEBP", ".webp"), ("HEIF", ".heic")],
)
def test_the_kind_is_told_by_content_not_by_name(tmp_path, kind, suffix):
    assert suffix in PHOTO_SUFFIXES
    assert keep(tmp_path, picture(kind), "x.exe").path.suffix == suffix


@pytest.mark.parametrize(
    "data",
    [b"<html>", b"%!PS-Adobe-3.0 EPSF-3.0\n", b"PK\3\4", b"\x7fELF", b"#!/bin/sh\n", b"\xff\xd8",
     picture("GIF"), picture("BMP"), picture("JPEG2000"), b"\0\0\0\x20ftypisom", b"RIFF1234WAVE",
     b"MZ", b"\0"],
)  # fmt: skip
def test_what_is_no_photo_is_not_kept(tmp_path, data):
    with pytest.raises(DensitycamError, match="not a photo of a kind that is read"):
        keep(tmp_path, data, "photo.jpg")
    assert files(tmp_path) == []


def test_nothing_at_all_is_not_kept(tmp_path):
    with pytest.raises(DensitycamError, match="is empty"):
        keep(tmp_path, b"")
    assert files(tmp_path) == []


def test_what_is_too_large_is_not_kept(tmp_path, monkeypatch):
    monkeypatch.setattr(originals, "LARGEST_PHOTO", 100_000)
    assert keep(tmp_path, picture() + bytes(100_000 - len(picture()))).path.exists()
    with pytest.raises(DensitycamError, match=r"more than 0\.1 MB"):
        keep(tmp_path, picture() + bytes(100_001))
    assert len(files(tmp_path)) == 1


def test_the_same_bytes_twice_are_one_file(tmp_path):
    first = keep(tmp_path, picture(), "IMG_20260302_081530.jpg")
    again = keep(tmp_path, picture(), "another.jpg")
    assert (again.path, again.taken_at) == (first.path, first.taken_at)
    assert keep(tmp_path, picture(shade=140)).path != first.path
    assert len(files(tmp_path)) == 2


@pytest.mark.parametrize("where", ["write", "fsync", "replace"])
def test_a_full_disk_leaves_nothing_half_written(tmp_path, monkeypatch, where):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    if where == "write":

        class Full(io.BufferedWriter):
            write = full

        real = os.fdopen
        monkeypatch.setattr(os, "fdopen", lambda handle, mode: Full(real(handle, "wb", 0)))
    else:
        monkeypatch.setattr(os, where, full)
    with pytest.raises(DensitycamError, match=r"No space left.*Make room"):
        keep(tmp_path / "photos", picture())
    assert files(tmp_path) == []


def test_a_sender_that_breaks_off_leaves_nothing(tmp_path):
    class Broken(io.BytesIO):
        def read(self, size=-1):
            if self.tell():
                raise OSError("the line is dead")
            return super().read(500)

    with pytest.raises(DensitycamError, match="the line is dead"):
        keep_original(tmp_path, Broken(picture()), "x", NOW, exif_time)
    assert files(tmp_path) == []


def test_an_original_is_found_again_by_name_and_by_hash(tmp_path):
    kept = keep(tmp_path, picture())
    assert original_of(tmp_path, record(kept.sha256, kept.path.name)) == kept.path
    # Scored by another way before, under another name.
    assert original_of(tmp_path, record(kept.sha256, "IMG_1.jpg")) == kept.path
    assert original_of(tmp_path, record("0" * 64, kept.path.name)) is None
    assert original_of(tmp_path / "none", record(kept.sha256, kept.path.name)) is None


def test_an_original_that_was_changed_is_not_taken_for_it(tmp_path):
    kept = keep(tmp_path, picture())
    assert original_of(tmp_path, record(kept.sha256, kept.path.name)) == kept.path
    kept.path.write_bytes(picture()[:-1] + b"x")
    os.utime(kept.path, ns=(1, 1))
    assert original_of(tmp_path, record(kept.sha256, kept.path.name)) is None


@pytest.mark.parametrize("name", ["../../secret.txt", "/etc/passwd", "..", "*", "[a-z]*", ""])
def test_a_records_name_never_leads_out_of_the_folder(tmp_path, name):
    (tmp_path / "secret.txt").write_bytes(picture())
    sha = hashlib.sha256(picture()).hexdigest()
    assert original_of(tmp_path / "photos" / "2026-05", record(sha, name)) is None
    for odd in (f"*{sha[1:]}", f"**{sha[2:]}", f"../{sha[3:]}"):
        assert original_of(tmp_path / "photos", record(odd, name)) is None


def test_what_a_killed_run_left_is_dropped_after_a_day(tmp_path):
    for name, age in (("old", 90_000), ("new", 60)):
        (tmp_path / f".{name}.part").write_bytes(b"half")
        when = datetime.now().timestamp() - age
        os.utime(tmp_path / f".{name}.part", (when, when))
    keep(tmp_path, picture())
    drop_halves(tmp_path)
    assert [f for f in files(tmp_path) if f.endswith(".part")] == [".new.part"]
    drop_halves(tmp_path / "none")

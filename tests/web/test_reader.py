"""Photos are read in processes of their own: what hangs, eats or dies costs itself alone."""

from __future__ import annotations

import io
import os
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import reader_jobs
from hostile_photos import BOMBS
from patience import patience
from PIL import Image
from werkzeug.exceptions import ServiceUnavailable

from densitycam.errors import DensitycamError
from densitycam.journal.scoring import ReadingJob, content_hash, optics_for
from densitycam.vessel.record import VesselRecord
from densitycam.web.reader import MEMORY, Reader

SLIM = VesselRecord("slim", "nannochloropsis", 500.0, 20.0, "flat")

needs_limits = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="a process's memory is bounded on Linux only"
)


@pytest.fixture(scope="module")
def reader():
    made = Reader(1)
    yield made
    made.close()


@pytest.fixture
def file(tmp_path, photo) -> Path:
    """The photo with a position, a thumbnail and a comment in it, as a phone writes them."""
    path = tmp_path / "phone.jpg"
    image = Image.open(io.BytesIO(photo))
    exif = image.getexif()
    gps = exif.get_ifd(0x8825)  # GPSInfo (Exif 2.32)
    gps[1], gps[2] = "N", (48.0, 8.0, 14.0)
    exif[0x010F] = "SECRET-MAKER"
    image.save(path, exif=exif, quality=95, comment=b"SECRET-COMMENT")
    return path


def ended(process: int) -> bool:
    """Whether a child of ours is gone within ten seconds."""
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        try:
            os.kill(process, 0)  # asks only
        except ProcessLookupError:
            return True
        time.sleep(0.02)
    return False


def job(path: Path) -> ReadingJob:
    return ReadingJob(path, SLIM, optics_for(SLIM), content_hash(path), ())


def test_a_photo_is_read(reader, file):
    record = reader.read(job(file))
    assert record.status == "measured"
    assert record.reading is not None
    assert reader.taken_at(file) == datetime(2026, 4, 1, 8, 30)
    assert reader.tags(file) == ()


@pytest.mark.parametrize(("what", "longest"), [("tile", 288), ("plain", 1600), ("marked", 1600)])
def test_pictures_carry_nothing_but_the_picture(reader, file, what, longest):
    whole = file.read_bytes()
    assert b"SECRET-MAKER" in whole
    assert b"SECRET-COMMENT" in whole
    data = getattr(reader, what)(job(file) if what == "marked" else file)
    with Image.open(io.BytesIO(data)) as shown:
        assert shown.format == "JPEG"
        assert max(shown.size) == min(longest, 1000)
        assert dict(shown.getexif()) == {}
        assert set(shown.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert b"SECRET" not in data
    assert b"Exif" not in data


def test_what_was_measured_is_drawn_on_the_marked_picture_only(reader, file):
    plain, marked = (
        np.asarray(Image.open(io.BytesIO(data))).astype(int)
        for data in (reader.plain(file), reader.marked(job(file)))
    )
    changed = (np.abs(plain - marked).max(axis=2) > 60).mean()
    assert 0.002 < changed < 0.1  # frames, not another picture


def test_a_photo_that_cannot_be_measured_is_shown_as_it_is(reader, tmp_path):
    noise = np.random.default_rng(7).integers(0, 255, (300, 400, 3), np.uint8)
    Image.fromarray(noise).save(tmp_path / "a.jpg")
    assert reader.read(job(tmp_path / "a.jpg")).status == "refused"
    assert reader.marked(job(tmp_path / "a.jpg")) == reader.plain(tmp_path / "a.jpg")


@pytest.mark.parametrize("misdeed", ["hang", "hang_in_c"])
def test_a_job_that_hangs_is_ended_and_the_next_one_done(tmp_path, misdeed):
    begun = Reader(1)
    limit_s = patience(lambda: begun.do(reader_jobs.own_id, tmp_path), least=4)
    begun.close()
    reader = Reader(1, limit_s=limit_s)
    try:
        first = reader.do(reader_jobs.own_id, tmp_path)
        with pytest.raises(DensitycamError, match=f"longer than {limit_s} s"):
            reader.do(getattr(reader_jobs, misdeed), tmp_path)
        assert ended(first)
        assert reader.do(reader_jobs.own_id, tmp_path) != first
    finally:
        reader.close()


@needs_limits
def test_a_job_that_eats_memory_is_refused_it(reader, tmp_path):
    assert reader.do(reader_jobs.memory_limit, tmp_path) == MEMORY
    with pytest.raises(DensitycamError, match="more memory than it may"):
        reader.do(reader_jobs.eat_memory, tmp_path)
    assert reader.do(reader_jobs.own_id, tmp_path)


@needs_limits
def test_a_photo_that_takes_too_much_memory_says_so(tmp_path, photo):
    (tmp_path / "a.jpg").write_bytes(photo)
    reader = Reader(1, memory=400_000_000)
    large = Image.open(io.BytesIO(photo)).resize((9000, 9000))
    large.save(tmp_path / "large.png", compress_level=1)
    try:
        said = reader.read(job(tmp_path / "large.png"))
        assert isinstance(said, str)
        assert "memory" in said
    finally:
        reader.close()


def test_a_job_that_kills_its_process_is_named_and_the_next_one_done(reader, tmp_path):
    with pytest.raises(DensitycamError, match="ended the process that read it"):
        reader.do(reader_jobs.die, tmp_path)
    assert reader.do(reader_jobs.own_id, tmp_path)


@pytest.mark.parametrize("name", BOMBS)
def test_a_bomb_harms_nobody(reader, tmp_path, name):
    path = tmp_path / f"{name}.jpg"
    path.write_bytes(BOMBS[name]())
    before = reader.do(reader_jobs.own_id, path)
    record = reader.read(job(path))
    assert record.status == "refused"
    if "exif" not in name:
        assert record.flag == "unreadable"
        for picture in (reader.tile, reader.plain):
            with pytest.raises(DensitycamError):
                picture(path)
    assert reader.taken_at(path) is None
    assert reader.do(reader_jobs.own_id, path) == before  # not even its process


def test_too_many_jobs_are_told_to_come_again(tmp_path):
    reader = Reader(1, most_jobs=3)
    mark = tmp_path / "go"
    try:
        with ThreadPoolExecutor(3) as pool:
            waiting = [pool.submit(reader.do, reader_jobs.wait_for, mark) for _ in range(3)]
            while reader._free.acquire(blocking=False):
                reader._free.release()
                time.sleep(0.01)
            with pytest.raises(ServiceUnavailable, match="Try again in a minute") as caught:
                reader.do(reader_jobs.own_id, mark)
            assert caught.value.retry_after == 60
            mark.touch()
            assert [w.result() for w in waiting] == ["go"] * 3
        assert reader.do(reader_jobs.own_id, mark)
    finally:
        reader.close()


def test_closing_ends_what_is_under_way(tmp_path):
    reader = Reader(1)
    started = reader.do(reader_jobs.own_id, tmp_path)
    with ThreadPoolExecutor(1) as pool:
        hanging = pool.submit(reader.do, reader_jobs.hang, tmp_path)
        time.sleep(0.3)
        closing = threading.Thread(target=reader.close)
        closing.start()
        with pytest.raises(DensitycamError, match="ending"):
            hanging.result(timeout=30)
        closing.join(30)
        assert not closing.is_alive()
    assert ended(started)

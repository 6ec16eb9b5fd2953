"""A photo sent by the page: kept as it came, read, shown, and never under a name that was sent."""

from __future__ import annotations

import hashlib
import io
import os
import signal
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import reader_jobs
from another_photo import write_another
from hostile_photos import BOMBS
from PIL import Image
from web_server import make_place, serving

from densitycam.journal.store import Journal
from densitycam.web.reader import Reader

#: What is sent for a name in a form or an address, to be found nowhere but escaped.
NASTY = [
    '<script>alert("x")</script>',
    '"><img src=x onerror=alert(1)>',
    "../../../../etc/passwd",
    "..%2f..%2f..%2fetc%2fpasswd",
    "{{ 7*191 }}{% raw %}",
    "'; DROP TABLE vessels; --",
    "\u202eevil\u0007",
    "evil\u0000",
    "a\r\nSet-Cookie: x=y",
]


def kept(page) -> list[Path]:
    return sorted(p for p in page.place.photos_folder.rglob("*") if p.is_file())


def photos(page):
    with Journal(page.place.journal_path) as journal:
        return journal.photos("slim")


def test_a_photo_is_kept_as_it_came_read_and_shown(page, photo):
    visitor = page.visitor()
    answer = visitor.snap("slim", photo)
    assert answer.status == 303
    (record,) = photos(page)
    assert record.status == "measured"
    (file,) = kept(page)
    assert file.read_bytes() == photo
    assert file.name == record.file_name
    assert file.name == f"2026-04-01_083000_{hashlib.sha256(photo).hexdigest()[:12]}.jpg"
    shown = visitor.get(answer.headers["Location"])
    assert shown.status == 200
    assert "cells/mL" in shown.text
    for what in ("tile", "seen"):
        picture = visitor.get(f"/photo/{what}?number={record.id}")
        assert picture.status == 200
        assert picture.headers["Content-Type"] == "image/jpeg"
        assert "private" in picture.headers["Cache-Control"]
        assert Image.open(io.BytesIO(picture.body)).size[0] > 100


def test_what_the_page_kept_is_found_by_the_command_line(page, photo, run):
    page.visitor().snap("slim", photo)
    folder, journal = page.place.photos_folder, ["--journal", page.place.journal_path]
    assert "slim" in run(*journal, "batch", folder).output
    assert len(photos(page)) == 1
    out = page.place.journal_path.with_name("slim.html")
    run(*journal, "report", "slim", "--out", out, "--photos", folder)
    assert "data:image/jpeg" in out.read_text()


def test_the_same_photo_twice_counts_once(page, photo):
    visitor = page.visitor()
    first, again = visitor.snap("slim", photo), visitor.snap("slim", photo, "other.jpg")
    assert first.headers["Location"] == again.headers["Location"]
    assert len(photos(page)) == len(kept(page)) == 1


def test_a_name_that_was_sent_is_nowhere(page, photo, tmp_path):
    visitor = page.visitor()
    (tmp_path / "one").write_bytes(photo)
    for n, name in enumerate(NASTY):
        write_another(tmp_path / "one", tmp_path / "another", number=20 * (n + 1))
        sent = name.replace('"', "%22").replace("\r\n", "%0D%0A")
        answer = visitor.snap("slim", (tmp_path / "another").read_bytes(), sent)
        assert answer.status == 303
        assert "x" not in visitor.cookies
        shown = visitor.get(answer.headers["Location"]).text
        assert "alert" not in shown
        assert "etc/passwd" not in shown
    assert len(kept(page)) == len(NASTY)
    assert {p.parent for p in kept(page)} == {page.place.photos_folder / "2026-04"}
    assert set(tmp_path.rglob("*.jpg")) == set(kept(page))


@pytest.mark.parametrize("name", NASTY)
def test_a_nasty_text_is_escaped_wherever_it_is_shown(page, name):
    visitor = page.visitor()
    token = visitor.token("/snap")
    fields = {"species": "isochrysis", "volume_ml": "500", "path_mm": "60", "shape": "cylinder"}
    visitor.post("/vessel/new", {"name": name, **fields}, token=token)  # kept or refused
    visitor.post("/note", {"vessel": "slim", "text": name}, token=token)
    visitor.post("/inoculation", {"vessel": "slim", "source": name}, token=token)
    with Journal(page.place.journal_path) as journal:
        names = [v.name for v in journal.vessels()]
        assert (journal.log(vessel="slim") == ()) == ("\0" in name)  # which alone is not kept
    paths = ["/", "/start", "/snap", "/bottles", "/more", "/vessel/new", "/nowhere"]
    from urllib.parse import quote

    of = ["/vessel", "/log", "/count", "/calibration", "/vessel/change", "/snap"]
    paths += [f"{path}?vessel={quote(v)}" for path in of for v in {*names, name}]
    for path in paths:
        answer = visitor.get(path)
        assert answer.status in (200, 302, 400, 404), path
        for raw in ("<script>alert", "<img src=x", "1337"):
            assert raw not in answer.text, path
    assert "x" not in visitor.cookies


#: Addresses that would lead elsewhere if a name in them were taken for a file's.
ELSEWHERE = ["/static/../pages.py", "/static/%2e%2e/pages.py",
    "/static/..%2fpages.py", "/static//etc/passwd", "/static/%2fetc%2fpasswd",
    "/static/..\\pages.py", "/photo?number=../../etc/passwd", "/photo/tile?number=1%20OR%201",
    "/photo/seen?number=-1", "/photo?number=99999999999999999999", "/photo?number=%00",
    "/photo?number=%D9%A1", "/photo/tile/../../../etc/passwd",
    "//etc/passwd", "/card.pdf?paper=../../etc/passwd", "/home/journal.sqlite",
    "/journal.page-keys.json", "/photos/"]  # fmt: skip


def test_no_address_leads_to_a_file(page, photo):
    visitor = page.visitor()
    visitor.snap("slim", photo)
    for path in ELSEWHERE:
        answer = visitor.get(path)
        assert answer.status in (308, 400, 404), path
        for told in (b"root:", b"SQLite", b"Blueprint", b"signing_key", b"Traceback"):
            assert told not in answer.body, path


def test_bombs_are_answered_with_words(page):
    visitor = page.visitor()
    for name, make in BOMBS.items():
        answer = visitor.snap("slim", make(), "photo.jpg")
        assert answer.status in (303, 400), name
        if answer.status == 303:
            answer = visitor.get(answer.headers["Location"])
        assert answer.status in (200, 400), name
        assert "not measured" in answer.text or "did not work" in answer.text, name
        assert visitor.get("/").status == 200
    assert {p.status for p in photos(page)} == {"refused"}


def test_a_reader_that_dies_is_started_anew(journal_path, photo):
    with serving(make_place(journal_path)) as page:
        visitor = page.visitor()
        process = page.place.reader.do(reader_jobs.own_id, journal_path)
        os.kill(process, signal.SIGKILL)
        assert visitor.snap("slim", photo).status == 303
        assert [p.status for p in photos(page)] == ["measured"]


def test_while_photos_hang_pages_are_served_and_more_photos_told_to_wait(journal_path, photo):
    reader = Reader(1, most_jobs=2)
    with ThreadPoolExecutor(2) as pool, serving(make_place(journal_path, reader=reader)) as page:
        visitor = page.visitor()
        mark = journal_path.with_name("go")
        for _ in range(2):
            pool.submit(reader.do, reader_jobs.wait_for, mark)
        while reader._free.acquire(blocking=False):
            reader._free.release()
            time.sleep(0.01)
        answer = visitor.snap("slim", photo)
        assert answer.status == 503
        assert "Try again in a minute" in answer.text
        assert answer.headers["Retry-After"] == "60"
        assert kept(page) == []
        assert visitor.get("/").status == 200
        mark.touch()
        while not reader._free.acquire(blocking=False):
            time.sleep(0.01)
        reader._free.release()
        assert visitor.snap("slim", photo).status == 303


def test_many_photos_at_once_are_all_kept(page, photo, tmp_path):
    (tmp_path / "one.jpg").write_bytes(photo)
    sent = []
    for n in range(12):
        write_another(tmp_path / "one.jpg", tmp_path / f"{n}.jpg", number=20 * (n + 1))
        sent.append((tmp_path / f"{n}.jpg").read_bytes())
    with ThreadPoolExecutor(12) as pool:
        answers = list(pool.map(lambda data: page.visitor().snap("slim", data), sent))
    assert [a.status for a in answers] == [303] * 12
    assert {p.sha256 for p in photos(page)} == {hashlib.sha256(d).hexdigest() for d in sent}
    assert sorted(p.read_bytes() for p in kept(page)) == sorted(sent)

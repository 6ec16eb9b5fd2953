"""`densitycam report`: one page that needs nothing but itself, with pictures that tell no place."""

from __future__ import annotations

import base64
import io
import math
import re
from datetime import timedelta
from html.parser import HTMLParser

import pytest
from PIL import Image
from seen_photos import BEGIN, photo, refused

from densitycam.journal.bottle_records import BottleRecord
from densitycam.journal.logbook import DoseRecord, EndRecord, NoteRecord
from densitycam.journal.scoring import content_hash
from densitycam.journal.store import Journal, SplitRecord
from densitycam.vessel.record import VesselRecord

ODD = 'jar <b>&amp; "co"'
VOID = {"meta", "img", "br", "input", "link"}


class Page(HTMLParser):
    """Reads a page strictly: every element closed in its turn, every id once."""

    def __init__(self, text):
        super().__init__()
        self.open, self.ids, self.attributes, self.words = [], [], [], []
        self.feed(text)
        assert self.open == []
        assert len(self.ids) == len(set(self.ids))

    def handle_starttag(self, tag, attrs):
        self.attributes += [(tag, name, value) for name, value in attrs]
        self.ids += [value for name, value in attrs if name == "id"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


@pytest.fixture
def journal(tmp_path, monkeypatch):
    monkeypatch.setenv("DENSITYCAM_JOURNAL", str(tmp_path / "journal.sqlite"))
    (tmp_path / "journal.settings.ini").write_text("[all]\nharvest_low = 2e5\nharvest_high = 2e7\n")
    with Journal(tmp_path / "journal.sqlite") as opened:
        for name, first in ((ODD, 2e5), ("thin", 2e4)):
            opened.add_vessel(VesselRecord(name, "tetraselmis", 900.0, 60.0))
            for day in range(6):
                opened.put_photo(photo(day, first * math.exp(0.4 * day), vessel=name))
        yield opened


@pytest.fixture
def page(run, tmp_path):
    def write(*words, name="all", days=5.2):
        out = tmp_path / "page.html"
        when = f"{BEGIN + timedelta(days=days):%Y-%m-%d %H:%M}"
        run("report", name, "--out", out, "--when", when, *words)
        text = out.read_text(encoding="utf-8")
        return Page(text), text

    return write


def test_it_holds_what_was_done_and_what_to_do(page, journal):
    journal.add_split(SplitRecord("thin", BEGIN + timedelta(days=3.3), 225.0, 900.0))
    journal.add_to_log(DoseRecord("thin", BEGIN + timedelta(days=3.4), 0.4, 0.4))
    journal.add_to_log(NoteRecord("thin", BEGIN + timedelta(days=4), "new lamp <b>"))
    journal.add_bottle(BottleRecord("tetraselmis", BEGIN, 250.0, 1e6, vessel="thin"))
    journal.put_photo(refused(5.1, vessel="thin"))
    read, _ = page()
    for words in (
        ODD, "thin", "Harvest now.", "Split plan", "Step by step", "Decisions, 6 photos",
        "225 mL of 900 mL (25 %)", "note: new lamp <b>", "0.4 mL of each part", "In the cold",
        "Bottle 1", "250 mL", "was not measured: Too soft.", "As of 6 Mar 2026 12:48", "With care",
        "for people to eat",
    ):  # fmt: skip
        assert words in read.text, words
    assert read.text.index(f"{ODD} ") < read.text.index("thin ")  # the urgent one first


def test_it_asks_nothing_of_anyone_else(page, journal):
    read, text = page()
    addresses = [v for _, name, v in read.attributes if name in ("src", "href", "srcset", "action")]
    assert addresses
    assert all(a.startswith(("data:image/jpeg;base64,", "#")) for a in addresses)
    assert "://" not in text
    assert "url(" not in text
    assert "@import" not in text
    assert "<script" not in text
    policy = next(v for t, n, v in read.attributes if n == "content" and "default-src" in v)
    assert "default-src 'none'" in policy
    # Where the page leads within itself there is something.
    assert {a[1:] for a in addresses if a.startswith("#")} <= set(read.ids)


def test_it_can_be_read_without_seeing_it(page, journal):
    read, _ = page()
    assert ("html", "lang", "en") in read.attributes
    for name in ("aria-labelledby",):
        for target in [v for _, n, v in read.attributes if n == name]:
            assert set(target.split()) <= set(read.ids)
    pictures = [t for t, n, _ in read.attributes if t == "img" and n == "src"]
    assert len(pictures) == sum(t == "img" and n == "alt" for t, n, _ in read.attributes)


def test_nothing_later_than_the_moment_is_in_it(page, journal):
    journal.add_split(SplitRecord("thin", BEGIN + timedelta(days=4.3), 225.0, 900.0))
    read, _ = page(days=3.2)
    assert "Decisions, 4 photos" in read.text
    assert "225 mL of 900 mL" not in read.text


def test_one_vessel_alone(page, journal):
    read, text = page(name="thin")
    assert ODD not in read.text
    assert "<title>thin, 2026-03-06" in text


def test_a_culture_that_ended(page, journal):
    journal.add_to_log(EndRecord("thin", BEGIN + timedelta(days=5.1), "cleaned"))
    read, _ = page()
    assert "The culture was ended: cleaned." in read.text


def test_pictures_are_small_and_tell_neither_place_nor_time(page, journal, tmp_path):
    folder = tmp_path / "photos" / "deep"
    folder.mkdir(parents=True)
    exif = Image.Exif()
    exif[0x0110] = "a phone"
    exif[0x8825] = {1: "N", 2: (52.0, 30.0, 0.0)}  # a position
    noise = Image.effect_noise((1200, 900), 60)
    green = Image.merge(
        "RGB", (noise.point(lambda v: v // 2), noise, noise.point(lambda v: v // 4))
    )
    green.save(folder / "0306.jpg", exif=exif, quality=90)
    (folder / "0305.jpg").write_bytes(b"another of that name")
    sha = content_hash(folder / "0306.jpg")
    kept = journal.photos("thin")[-1]
    journal.put_photo(photo(5.15, 1.5e5, vessel="thin", sha256=sha, file_name="0306.jpg"))
    assert kept.file_name == "0306.jpg"  # two of one name: told apart by what is in them
    read, text = page("--photos", tmp_path / "photos")
    (address,) = re.findall(r'src="data:image/jpeg;base64,([^"]+)"', text)
    picture = Image.open(io.BytesIO(base64.b64decode(address)))
    assert max(picture.size) <= 288
    assert len(picture.getexif()) == 0
    assert b"phone" not in base64.b64decode(address)
    assert "were not found in photos" in read.text


def test_what_cannot_be_written_is_refused(run, journal, tmp_path):
    assert "must end in .html" in run("report", "all", "--out", "a.pdf", exit_code=2).output
    missing = tmp_path / "none" / "a.html"
    assert "there is no folder" in run("report", "all", "--out", missing, exit_code=1).output
    out = tmp_path / "a.html"
    assert "Did you mean thin" in run("report", "thim", "--out", out, exit_code=1).output
    gone = run("report", "all", "--out", out, "--photos", tmp_path / "gone", exit_code=1)
    assert "There is no folder" in gone.output
    assert not out.exists()

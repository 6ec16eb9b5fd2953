"""Every page of densitycam serve, from the first visit to a calibration, by its forms alone."""

from __future__ import annotations

import io
import re
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from flask import Flask
from page_client import Phone
from PIL import Image
from snapped import GROWTH, JAR, write_stock

from densitycam.journal.store import Journal, SplitRecord
from densitycam.report.today_text import do_words
from densitycam.web.app import create_app
from densitycam.web.place import Place
from densitycam.web.reader import Reader

NAME = "left <b>jar</b> & \"co\" 'x'"


@pytest.fixture(scope="session")
def stock(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return write_stock(tmp_path_factory.mktemp("stock"))


@pytest.fixture(scope="session")
def reader() -> Iterator[Reader]:
    reader = Reader(1)
    yield reader
    reader.close()


@pytest.fixture
def app(tmp_path: Path, reader: Reader) -> Flask:
    return create_app(
        Place(
            journal_path=tmp_path / "journal.sqlite",
            photos_folder=tmp_path / "photos",
            signing_key="k" * 40,
            secret=None,
            hosts=("localhost",),
            reader=reader,
        )
    )


@pytest.fixture
def phone(app: Flask) -> Phone:
    return Phone(app.test_client())


@pytest.fixture
def jar(phone: Phone) -> str:
    phone.send("/vessel/new", name=NAME, **JAR)
    return NAME


@pytest.fixture
def grown(phone: Phone, jar: str, stock: dict[str, Path]) -> str:
    """Four days of photos."""
    for days in (3, 2, 1, 0):
        phone.send("/snap", vessel=jar, photo=stock[f"day{days}"])
    return jar


def journal(app: Flask) -> Journal:
    return Journal(app.config["PLACE"].journal_path)


def density(words: str) -> float:
    """Return the first density of a page [cells/mL]."""
    return float(re.search(r"([\d.]+) million cells/mL", words)[1]) * 1e6


def test_a_first_visit_leads_to_a_first_reading(phone, app, stock):
    begun = phone.open("/")
    assert "Print the card" in begun
    assert "Describe a vessel" in begun
    described = phone.send("/vessel/new", page="/vessel/new", name=NAME, **JAR)
    assert f"{NAME} is described." in described
    assert "Take the photo" in described
    answered = phone.send("/snap", page="/snap", vessel=NAME, photo=stock["day3"])
    assert "starting calibration, not yet checked by a count" in answered
    # The starting calibration is right within its own wide interval, a factor of some five.
    assert GROWTH[3] / 3 < density(answered) < GROWTH[3] * 3
    with journal(app) as kept:
        (photo,) = kept.photos(NAME)
        assert photo.status == "measured"
        assert photo.time_source == "exif"
    assert NAME in phone.open("/")


def test_the_page_says_what_the_command_line_says(phone, app, grown, run):
    from densitycam.cli.options import now
    from densitycam.culture.settings import Settings
    from densitycam.journal.morning import morning

    with journal(app) as kept:
        (line,) = morning(kept, Settings(), now())
        shown = do_words(line)
        (_, _, _, newest) = kept.photos(grown)
    today = phone.open("/")
    assert shown[:1].upper() + shown[1:] in today
    text = run("today", "--journal", app.config["PLACE"].journal_path).output
    assert shown in text
    value = newest.estimate.cells_per_ml
    assert density(phone.open("/photo", number=newest.id)) == pytest.approx(value, rel=0.05)


def test_the_original_is_kept_byte_for_byte_and_shown_without_its_metadata(phone, app, jar, stock):
    phone.send("/snap", vessel=jar, photo=stock["day1"])
    folder = app.config["PLACE"].photos_folder
    (original,) = [p for p in folder.rglob("*") if p.is_file()]
    assert original.read_bytes() == stock["day1"].read_bytes()
    for where in ("/photo/seen", "/photo/tile"):
        answer = phone.client.get(where, query_string={"number": 1})
        assert answer.mimetype == "image/jpeg"
        with Image.open(io.BytesIO(answer.data)) as shown:
            assert not shown.getexif()
            assert "icc_profile" not in shown.info
            assert max(shown.size) <= 1600


def test_a_photo_without_a_time_is_told_to_be_of_its_arrival(phone, jar, stock, tmp_path):
    bare = tmp_path / "image.jpg"
    with Image.open(stock["day1"]) as image:
        image.save(bare, quality=92)  # without its EXIF block
    said = phone.send("/snap", vessel=jar, photo=bare)
    assert "It tells no time of its own: when it arrived is taken for it." in said
    assert "the file's name was taken" not in said


def test_the_same_photo_again_counts_once(phone, app, jar, stock):
    first = phone.send("/snap", vessel=jar, photo=stock["day1"])
    again = phone.send("/snap", vessel=jar, photo=stock["day1"])
    assert "kept already" not in first
    assert "This very photo is kept already: it counts once." in again
    with journal(app) as kept:
        assert len(kept.photos(jar)) == 1


def test_a_photo_without_the_card_says_why_and_how_to_retake_it(phone, app, jar, stock):
    refused = phone.send("/snap", vessel=jar, photo=stock["no-card"])
    assert "Not measured: no card found" in refused
    assert "Retake from so near that the whole card fills most of the picture" in refused
    assert "Take it again" in refused
    with journal(app) as kept:
        assert [p.status for p in kept.photos(jar)] == ["refused"]
    assert phone.client.get("/photo/seen?number=1").mimetype == "image/jpeg"


def test_a_dense_culture_leads_to_a_sample_and_the_answer_is_of_the_culture(phone, jar, stock):
    dense = phone.send("/snap", vessel=jar, photo=stock["dense"])
    assert "more than" in dense
    assert "Draw a sample into a narrow flat bottle" in dense
    # Day 0's photo, told to be of the culture diluted tenfold, is a culture ten times as dense.
    plain = density(phone.send("/snap", vessel=jar, photo=stock["day0"]))
    tenfold = phone.send("/snap", vessel=jar, photo=stock["day0"], dilution="10")
    assert density(tenfold) == pytest.approx(10 * plain, rel=0.1)


def test_what_is_no_photo_leaves_nothing(phone, app, jar, tmp_path):
    note = tmp_path / "notes.jpg"
    note.write_text("no picture at all")
    assert "not a photo" in phone.send("/snap", 400, vessel=jar, photo=note)
    assert "No photo came along" in phone.send("/snap", 400, vessel=jar)
    with journal(app) as kept:
        assert kept.photos(jar) == ()
    assert not [p for p in app.config["PLACE"].photos_folder.rglob("*") if p.is_file()]


def test_a_split_is_logged_with_one_tap_and_taken_back_with_another(phone, app, grown):
    offered = phone.client.get("/vessel", query_string={"vessel": grown}).text
    assert "Split done?" in offered
    fields = dict(re.findall(r'name="(kept_ml|total_ml)"[^>]*value="(\d+)"', offered))
    assert fields == {"kept_ml": "225", "total_ml": "900"}
    done = phone.send("/split", vessel=grown, **fields, bottle_ml="500")
    assert "split: kept 225 mL of 900 mL (25 %)" in done
    assert "Bottle 1: 500 mL at" in done
    assert "Reckoned from the photo before the new water" in done
    assert "Bottle 1: Nannochloropsis from left <b>jar</b>" in phone.open("/bottles")
    page = phone.client.get("/more")
    assert page.status_code == 200
    # The button that came with it takes back both, once.
    with journal(app) as kept:
        (split,) = kept.splits(grown)
        assert split == SplitRecord(grown, split.done_at, 225.0, 900.0)
        entry = kept.last_entry(grown)
    back = phone.send("/undo", vessel=grown, entry=str(entry), entries="2")
    assert "Taken back: Bottle 1, 500 mL" in back
    assert "split: kept 225 mL" in back
    assert "was taken back already" in phone.send(
        "/undo", 400, vessel=grown, entry=str(entry), entries="2"
    )
    with journal(app) as kept:
        assert kept.splits(grown) == ()
        assert kept.bottles() == ()


def test_an_undo_does_not_take_back_what_another_phone_logged_since(phone, app, jar):
    phone.send("/note", vessel=jar, text="lamp moved")
    with journal(app) as kept:
        entry = kept.last_entry(jar)
    phone.send("/note", vessel=jar, text="lamp moved back", when="2026-03-01T08:00")
    said = phone.send("/undo", 400, vessel=jar, entry=str(entry), entries="1")
    assert "Something else was logged of it since" in said
    with journal(app) as kept:
        assert len(kept.log(vessel=jar)) == 2


@pytest.mark.parametrize(
    ("where", "fields", "says"),
    [
        ("/dose", {"ml_each": "0,35", "new_water_ml": "675"}, "nutrient: 0.35 mL of each part"),
        ("/top-up", {"ml": "60"}, "topped up with 60 mL"),
        ("/loss", {"ml": "30"}, "30 mL of culture lost"),
        ("/loss", {"ml": "45", "evaporated": "yes"}, "45 mL evaporated"),
        ("/note", {"text": "<script>alert(1)</script>"}, "note: <script>alert(1)</script>"),
        ("/inoculation", {"source": "slant 3", "cells_per_ml": "4e5"}, "inoculated from slant 3"),
        ("/end", {"reason": "turned milky"}, "culture ended: turned milky"),
    ],
)
def test_work_is_logged_said_and_listed(phone, app, jar, where, fields, says):
    assert says in phone.send(where, vessel=jar, **fields)
    html = phone.client.get("/vessel", query_string={"vessel": jar}).text
    assert "<script>alert" not in html
    assert "<b>jar" not in html
    with journal(app) as kept:
        assert len(kept.log(vessel=jar)) == 1


@pytest.mark.parametrize(
    ("where", "fields", "says"),
    [
        ("/split", {"kept_ml": "900"}, "must be below the total of 900 mL"),
        ("/split", {"kept_ml": ""}, "Culture kept back [mL]: a number is needed"),
        ("/split", {"kept_ml": "225", "bottle_ml": "700"}, "more than the harvest"),
        ("/dose", {"ml_each": "nan"}, "must be a number above 0"),
        ("/dose", {"ml_each": "-1"}, "must be a number above 0"),
        ("/dose", {"ml_each": "1e400"}, "must be a number above 0"),
        ("/top-up", {"ml": "900"}, "must be below the 900 mL"),
        ("/loss", {"ml": "900"}, "must be below the 900 mL"),
        ("/note", {"text": " "}, "A note needs words"),
        ("/note", {"text": "x" * 501}, "500 are kept at most"),
        ("/note", {"text": "x\0y"}, "holds a sign that no table can hold"),
        ("/note", {"text": "x", "when": "2099-01-01T08:00"}, "cannot be: today is"),
        ("/note", {"text": "x", "when": "yesterday"}, "is not a time"),
        ("/undo", {}, "nothing to take back"),
    ],
)
def test_what_cannot_be_is_refused_in_words_and_changes_nothing(
    phone, app, jar, where, fields, says
):
    said = phone.send(where, 400, vessel=jar, **fields)
    assert says in said
    assert "Nothing was changed" in said
    with journal(app) as kept:
        assert kept.log(vessel=jar) == ()
        assert kept.splits(jar) == ()


@pytest.mark.parametrize(
    "where",
    [
        "/vessel?vessel=nobody", "/vessel", "/photo?number=99", "/photo?number=1e3", "/photo",
        "/photo?number=9999999999999999999999", "/photo/seen?number=7", "/photo/tile?number=-1",
        "/count?vessel=..%2F..%2Fetc", "/card.pdf?paper=../x", "/nowhere", "/log?vessel=%00",
    ],
)  # fmt: skip
def test_what_is_not_there_is_said(phone, jar, where):
    answer = phone.client.get(where)
    assert answer.status_code == 404
    assert "That did not work" in answer.text


def test_a_slide_is_counted_square_by_square_tested_and_calibrates(phone, app, grown):
    field = "improved-neubauer/group"
    begin = phone.open("/count", vessel=grown)
    assert "improved Neubauer: group, 0.04 mm2" in begin
    with journal(app) as kept:
        newest = kept.photos(grown)[-1]
    # The truth, in squares of 0.04 mm2 x 0.1 mm (4 nL), the sample diluted 1:2.
    expected = round(GROWTH[0] * 4e-6 / 2)
    counts = [expected + off for off in (3, -5, 1, 4, -2, 0, 2, -4, -1, 3)]
    address = {
        "vessel": grown, "field": field, "dilution": "2", "fixative": "", "reading": newest.id,
        "cells": "",
    }  # fmt: skip
    for n, cells in enumerate(counts):
        answer = phone.client.get(
            "/count/squares", query_string={**address, "step": "next", "n": cells}
        )
        assert answer.status_code == 303  # the step is done once, however often it is reloaded
        address["cells"] = ",".join(str(c) for c in counts[: n + 1])
        shown = phone.open("/count/squares", **address)
        assert f"{sum(counts[: n + 1])} cells in {n + 1} square" in shown
    back = phone.client.get("/count/squares", query_string={**address, "step": "back"})
    assert back.location.endswith("&cells=" + ",".join(str(c) for c in counts[:-1]))
    fresh = phone.client.get("/count/squares", query_string={**address, "step": "fresh"})
    assert fresh.location.endswith(f"{counts[-1]}/")
    reviewed = phone.open("/count/review", **address)
    assert f"from {sum(counts)} cells" in reviewed
    kept_words = phone.send("/count", **address)
    assert "the count agrees" in kept_words
    assert "There are slides that it does not know yet" in kept_words
    with journal(app) as kept:
        (slide,) = kept.slides(vessel=grown)
        assert slide.count.cells == sum(counts)
        assert slide.count.cells_per_ml == pytest.approx(GROWTH[0], rel=0.02)
    done = phone.send("/calibrate", vessel=grown)
    assert "Calibrated with 1 slide; used from now on" in done
    # One slide sets the gain: the photo it was paired with now says what was counted.
    assert density(phone.open("/photo", number=newest.id)) == pytest.approx(GROWTH[0], rel=0.1)
    plot = phone.client.get("/calibration.svg", query_string={"vessel": grown})
    assert plot.mimetype == "image/svg+xml"
    assert b"</svg>" in plot.data


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"cells": "1,x"}, "not numbers"),
        ({"cells": ",".join("1" * 401)}, "More than 400 squares"),
        ({"dilution": "0.5"}, "dilution"),
        ({"fixative": "200"}, "Fixative must be 0 to 100 %"),
        ({"step": "next", "n": "5001"}, "not a number of cells from 0 to 5000"),
        ({"step": "next", "n": ""}, "not a number of cells"),
        ({"field": "nochamber/x"}, "chamber"),
    ],
)
def test_a_count_that_cannot_be_is_refused(phone, jar, given, says):
    assert says in phone.open("/count/squares", 400, vessel=jar, **given)


def test_a_count_without_a_square_or_with_another_vessels_photo_is_not_kept(
    phone, app, grown, stock
):
    phone.send("/vessel/new", name="other", **JAR)
    assert "Nothing was counted" in phone.send("/count", 400, vessel="other", cells="")
    said = phone.send("/count", 400, vessel="other", cells="24,31", reading="1")
    assert f"Reading 1 is of {NAME}, not of other" in said
    with journal(app) as kept:
        assert kept.slides() == ()


def test_a_print_and_a_clean_vessel_are_measured(phone, app, jar, stock):
    two = [(io.BytesIO(stock[f"bare{n}"].read_bytes()), "b.jpg") for n in (0, 1)]
    done = phone.send("/print", photos=two)
    assert "Print registered from 2 photos of the bare card" in done
    assert "something stands before the card" in phone.send("/print", 400, photos=stock["day1"])
    water = [(io.BytesIO(stock[f"water{n}"].read_bytes()), "w.jpg") for n in (0, 1)]
    blank = phone.send("/blank", vessel=jar, photos=water)
    assert "it is told from clean water" in blank
    with journal(app) as kept:
        assert len(kept.prints_in_use()) == 1
        assert kept.blank(jar).blank.photos == 2


def test_a_vessel_can_be_mended_and_none_is_described_twice(phone, app, jar):
    assert "already" in phone.send("/vessel/new", 400, name=jar, **JAR)
    assert "needs a name" in phone.send("/vessel/new", 400, name="  ", **JAR)
    assert "cannot be printed" in phone.send("/vessel/new", 400, name="a\x07b", **JAR)
    assert "Outer width must be above" in phone.send(
        "/vessel/new", 400, name="n", **{**JAR, "shape": "cylinder", "width_mm": "10"}
    )
    phone.send("/vessel/change", vessel=jar, **{**JAR, "volume_ml": "1200"})
    with journal(app) as kept:
        (vessel,) = kept.vessels()
        assert vessel.working_volume_ml == 1200.0


def test_a_bottle_is_used_up(phone, app, grown):
    phone.send("/split", vessel=grown, kept_ml="225", bottle_ml="300")
    assert "100 mL used; 200 mL left" in phone.send("/bottle", number="1", ml="100", kind="used")
    assert "it is empty now" in phone.send("/bottle", number="1", kind="discarded")
    with journal(app) as kept:
        assert kept.bottles() == ()


def test_the_card_comes_as_a_pdf_of_its_size(phone):
    for paper, box in (("a4", b"841.8"), ("letter", b"792 612")):
        answer = phone.client.get("/card.pdf", query_string={"paper": paper})
        assert answer.mimetype == "application/pdf"
        assert box in answer.data


def test_an_ended_culture_offers_no_split(phone, grown):
    phone.send("/end", vessel=grown, reason="given up")
    shown = phone.open("/vessel", vessel=grown)
    assert "The culture was ended: given up." in shown
    assert "Split done?" not in shown


def test_a_photo_of_another_day_says_so(phone, app, grown):
    shown = phone.open("/photo", number=1)
    assert "not the newest photo: what it advises is of its day" in shown
    with journal(app) as kept:
        old = replace(
            kept.photos(grown)[0], sha256="0" * 64, capture=None, pixels=None, id=0,
            taken_at=datetime.now().replace(microsecond=0) - timedelta(days=30),
        )  # fmt: skip
        record, _ = kept.add_photo(old)
    assert "The photo's file is not kept here" in phone.open("/photo", number=record.id)


def test_the_guide_is_on_the_page_with_its_pictures(phone):
    assert "Cautions: mains, fixative" in phone.open("/help")
    assert "Mains power beside salt water kills" in phone.open("/help/care")
    assert (
        '<a href="/help/json">What --json prints, field by field</a>'
        in phone.client.get("/help").text
    )
    shown = phone.client.get("/help/page").text
    assert "<title>With the phone in your hand" in shown
    (address,) = re.findall(r'src="(/help/picture/[^"]+)"', shown)
    assert phone.client.get(address).mimetype == "image/jpeg"
    for wrong in ("/help/nothing", "/help/picture/..%2Fflags.py", "/help/picture/none.png"):
        assert phone.client.get(wrong).status_code == 404


def test_a_computers_clock_behind_the_journal_is_said(phone: Phone, app: Flask, jar: str):
    assert "ahead of this computer" not in phone.open("/")
    with journal(app) as kept:
        kept.add_split(SplitRecord(jar, datetime.now() + timedelta(hours=5), 100.0, 500.0))
    assert "5 hours ahead of this computer's clock" in phone.open("/")
    assert "ahead of this computer's clock" in phone.send("/note", vessel=jar, text="hm")
    at = f"{datetime.now():%Y-%m-%dT%H:%M}"
    said = phone.send("/note", vessel=jar, text="of a time that was given", when=at)
    assert "ahead of this computer" not in said


def test_a_journal_held_by_another_program_is_said(phone, app, jar, monkeypatch):
    monkeypatch.setattr("densitycam.journal.schema._BUSY_TIMEOUT_S", 0.05)
    place = app.config["PLACE"]
    other = sqlite3.connect(place.journal_path, isolation_level=None)
    try:
        other.execute("BEGIN EXCLUSIVE")
        assert "held by another program" in phone.open("/", 400)
        other.execute("ROLLBACK")
        assert NAME in phone.open("/")
        # In the middle of a page, where it was open already.
        monkeypatch.setattr(Journal, "vessels", locked)
        assert "held by another program" in phone.open("/", 503)
    finally:
        other.close()


def locked(_journal: Journal) -> None:
    """Read as SQLite does while another program writes."""
    raise sqlite3.OperationalError("database is locked")

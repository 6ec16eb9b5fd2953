"""Bytes that are no letters, as an old disk or a memory card gives them to names of files."""

from __future__ import annotations

import json
import os
import shutil
import sys

import pytest

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="other systems' file names are letters"
)


def test_a_photo_with_such_a_name_is_kept_measured_or_refused(run, slim, photo_stock, tmp_path):
    good, bad = (tmp_path / os.fsdecode(name) for name in (b"a\xff.jpg", b"b\xff.jpg"))
    shutil.copy(photo_stock["day2"], good)
    bad.write_bytes(b"no picture")
    assert (
        json.loads(run("snap", good, "--vessel", slim, "--json").output)["photo"] == "a\ufffd.jpg"
    )
    run("snap", bad, "--vessel", slim, exit_code=1)
    assert "Holds" in run("export", tmp_path / "all.json").output
    photos = json.loads((tmp_path / "all.json").read_text())["tables"]["photos"]
    assert [(p["file_name"], p["status"]) for p in photos] == [
        ("a\ufffd.jpg", "measured"), ("b\ufffd.jpg", "refused"),
    ]  # fmt: skip


@pytest.mark.parametrize("line", [
    ("vessel", "jar\udcff", "--species", "isochrysis", "--volume-ml", "500", "--path-mm", "60"),
    ("log", "note", "lamp\udcff", "--vessel", "slim"),
])  # fmt: skip
def test_a_name_or_note_of_such_bytes_is_refused_and_nothing_kept(run, slim, line):
    said = run(*line, exit_code=1).output
    assert "bytes that are no letters" in said
    assert run("log", "list").output == "Nothing was logged yet.\n"
    assert "jar" not in run("vessel").output

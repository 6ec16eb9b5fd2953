"""The card command writes what it is asked for and refuses what it cannot."""

from __future__ import annotations

import json


def test_json_lists_the_sheet(run):
    layout = json.loads(run("card", "--paper", "letter", "--json").output)
    # ANSI/ASME Y14.1 Letter, landscape.
    assert "279.4" in json.dumps(layout)
    assert layout["paper"] == "letter"


def test_pdf_and_png_are_written(run, tmp_path):
    pdf, png = tmp_path / "c.pdf", tmp_path / "c.png"
    said = run("card", "--pdf", pdf, "--png", png, "--px-per-mm", "2").output
    assert pdf.read_bytes().startswith(b"%PDF-")
    header = png.read_bytes()[:24]
    assert header.startswith(b"\x89PNG")
    # PNG specification, 11.2.2 IHDR: width and height. A4 lies 297 x 210 mm (ISO 216).
    size = int.from_bytes(header[16:20], "big"), int.from_bytes(header[20:24], "big")
    assert size == (594, 420)
    assert f"Wrote {pdf}." in said


def test_what_cannot_be_done_is_said(run, tmp_path):
    assert "Say what to make" in run("card", exit_code=2).output
    assert "Invalid value for '--paper'" in run("card", "--paper", "a3", exit_code=2).output
    assert "Invalid value for '--px-per-mm'" in run("card", "--px-per-mm", "-1", exit_code=2).output
    result = run("card", "--pdf", tmp_path / "none" / "c.pdf", exit_code=1)
    assert result.output.startswith("Error: Cannot write")
    assert result.output.count("\n") == 1

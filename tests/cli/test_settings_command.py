"""`densitycam settings`: every number shown, the file written, a mistake in it refused."""

from __future__ import annotations

import json

from densitycam.culture.readiness import RULE


def test_the_file_is_written_once_beside_the_journal(run, slim, tmp_path):
    path = tmp_path / "journal.settings.ini"
    assert f"it would be {path}" in " ".join(run("settings").output.split())
    assert "Nothing is set in it yet" in run("settings", "--write").output
    assert "[species nannochloropsis]" in path.read_text()
    assert f"already: {path}" in run("settings", "--write", exit_code=1).output


def test_every_number_in_force_is_shown_with_unit_and_source(run, slim, tmp_path):
    (tmp_path / "journal.settings.ini").write_text("[vessel slim]\nharvest_low = 2.5e7\n")
    text = run("settings", "--vessel", "slim").output
    assert "harvest_low = 2.5e7 cells/mL" in text
    assert "line 2, [vessel slim]" in " ".join(text.split())
    assert "kept_share = 0.25 share" in text
    assert max(map(len, text.splitlines()[1:])) <= 80
    (numbers,) = json.loads(run("settings", "--json").output)["vessels"].values()
    by_name = {n["name"]: n for n in numbers}
    assert by_name["harvest_low"]["value"] == 2.5e7
    assert by_name["usual_days"]["value"] == RULE.usual_days


def test_what_is_set_decides_in_snap(run, slim, photo_stock, tmp_path):
    photo = photo_stock["day2"]  # 12.5 million cells/mL

    def snap():
        return json.loads(run("snap", photo, "--vessel", slim, "--json").output)["advice"]

    assert snap()["action"] == "wait"
    (tmp_path / "journal.settings.ini").write_text(
        "[species nannochloropsis]\nharvest_low = 2e6\nkept_share = 0.4\nlabel_ml_per_l = 0.5\n"
    )
    told = snap()
    assert told["action"] == "harvest"
    assert told["plan"]["keep_ml"] == 200.0
    assert told["plan"]["nutrient_ml_each"] == 0.5 * 0.3


def test_a_mistake_is_refused_in_one_sentence_with_its_line(run, slim, photo_stock, tmp_path):
    path = tmp_path / "journal.settings.ini"
    path.write_text("[all]\nkeptshare = 0.4\n")
    told = run("snap", photo_stock["day2"], "--vessel", slim, exit_code=1).output
    assert told == (
        "Error: journal.settings.ini, line 2: 'keptshare' is not known. Did you mean "
        "'kept_share'?\n"
    )
    path.write_text("[vessel slimm]\nkept_share = 0.4\n")
    assert "no vessel named 'slimm'. Did you mean 'slim'?" in run("settings", exit_code=1).output
    path.write_bytes(b"\xff\xfe[all]")
    assert "plain text (UTF-8)" in run("settings", exit_code=1).output

"""A slide count becomes cells/mL, is kept, and is paired with the photo it was taken with."""

from __future__ import annotations

import json

import pytest


def test_a_count_is_kept_with_its_interval(run, slim):
    # 187 cells in five 0.04 mm2 squares, 0.1 mm deep: 9.35e6/mL (a university's counting note, read
    # in excerpt; checked by the chamber's geometry: 187 / 5 x 2.5e5).
    result = run("count", "--vessel", "slim", "--cells", "187", "--squares", "5", "--unit",
                 "group", "--json")  # fmt: skip
    count = json.loads(result.output)["count"]
    assert count["cells_per_ml"] == pytest.approx(9.35e6, rel=1e-12, abs=0)
    assert 0 < count["low"] < 9.35e6 < count["high"]
    assert "1 slide count (0 paired" in run("vessel", "slim").output


def test_a_count_of_zero_is_kept_and_reads_less_than(run, slim):
    result = run("count", "--vessel", "slim", "--cells", "0", "--squares", "9")
    assert "less than" in result.output
    assert "1 slide count" in run("vessel", "slim").output
    # Garwood's upper limit of zero is 3.6889 (Garwood 1936), in nine squares of 1e-4 mL, widened.
    found = json.loads(
        run("count", "--vessel", "slim", "--cells", "0", "--squares", "9", "--json").output
    )
    assert found["count"]["cells_per_ml"] == 0
    assert found["count"]["relative_sd"] is None
    assert 3.6889 / 9e-4 < found["count"]["high"] < 1.15 * 3.6889 / 9e-4


def test_squares_listed_one_by_one_are_summed_and_tested_for_clumps(run, slim):
    # Index of dispersion 32.6 on 4 degrees of freedom: clumped (computed; chi-square limit 11.1).
    result = run("count", "--vessel", "slim", "--cells", "12,41,9,33,20")
    assert "from 115 cells" in result.output
    assert "Spread        Cells are clumped" in result.output
    assert "start over" in " ".join(result.output.split())


def test_sides_chain_live_cells_and_how_many_more(run, slim):
    words = ("count", "--vessel", "slim", "--cells", "23,31,27,25,30/29,33,25,28,24", "--unit",
             "group", "--dilution", "1:10x1+4", "--dead", "11", "--fixative", "0.02")  # fmt: skip
    found = json.loads(run(*words, "--json").output)
    # 275 cells in ten 0.04 mm2 squares of 4 nL, thinned 50 times, 2 % fixative.
    assert found["count"]["cells_per_ml"] == pytest.approx(275 / 10 * 2.5e5 * 50 * 1.02, rel=1e-12)
    assert found["tally"]["dilution_steps"] == [10.0, 5.0]
    assert [f["counts"] for f in found["tally"]["fillings"]] == [
        [23, 31, 27, 25, 30],
        [29, 33, 25, 28, 24],
    ]
    assert found["live"][0] == pytest.approx(0.96, rel=1e-9)
    assert found["spread"]["verdict"] == "random"
    said = " ".join(run(*words).output.split())
    assert "Live 96 % (95 %: 93 to 98 %)" in said
    assert "The fillings agree." in said
    assert f"Count {found['more']['cells']} more cells" in said
    assert f"Precision +/-{100 * found['half_width']:.2g} %" in said
    looser = run(*words, "--within", "30").output
    assert "within +/-30 % already" in " ".join(looser.split())


def test_a_chamber_of_ones_own(run, slim):
    found = json.loads(
        run("count", "--vessel", "slim", "--cells", "41", "--squares", "8", "--chamber",
            "own:1x0.37", "--json").output
    )  # fmt: skip
    assert found["count"]["cells_per_ml"] == pytest.approx(41 / (8 * 0.37e-3), rel=1e-12)
    again = run("count", "--vessel", "slim", "--cells", "20", "--squares", "5", "--chamber",
                "thoma").output  # fmt: skip
    assert "1.0 million cells/mL" in again  # the chamber's largest squares: 0.04 mm2


def test_a_table_of_squares(run, slim, tmp_path):
    table = tmp_path / "slide.csv"
    table.write_text("filling,cells,dead\nA,24,1\nA,31,0\nB,27,2\nB,22,0\n")
    found = json.loads(run("count", "--vessel", "slim", "--csv", table, "--json").output)
    assert [f["counts"] for f in found["tally"]["fillings"]] == [[24, 31], [27, 22]]
    assert found["tally"]["dead"] == 3
    assert found["count"]["cells"] == 104
    for text, expected in (
        ("n\n3\n", "no column called cells"),
        ("cells\n3\nx\n", "line 3: cells must be a whole number, not 'x'"),
        ("cells\n", "has no squares"),
        ("cells,dead\n3,-1\n", "line 2: dead must be"),
        ("cells\n3\n\nx\n", "line 4: cells must be"),
        ("cells,filling\n3,A\n4," + "A" * 140_000 + "\n", "line 3: cannot be read (field larger"),
        ("cells,filling\n3,A\0\n", "slide.csv is not a text file. Save it as CSV"),
    ):
        table.write_text(text)
        wrong = run("count", "--vessel", "slim", "--csv", table, exit_code=1)
        assert expected in " ".join(wrong.output.split())
    assert "1 slide count" in run("vessel", "slim").output


def test_asked_square_by_square_with_undo_and_running_precision(run, slim):
    typed = ["24", "310", "u", "31", "x", "27", "n", "22", "30", "25", "f", "4", ""]
    result = run("count", "--vessel", "slim", typed=typed)
    said = " ".join(result.output.split())
    assert "count those that touch the top or the left line" in said
    assert "Took back 310 cells of square 2." in said
    assert "'x' is neither a number of cells nor one of u, n, f, q." in said
    assert "24 cells in 1 square, +/-43 %. Count" in said
    assert "Filling 2, square 3" in said
    assert "from 159 cells" in said
    assert "Live 97 %" in said
    kept = json.loads(run("count", "--vessel", "slim", "--json", "--cells",
                          "24,31,27/22,30,25", "--dead", "4").output)  # fmt: skip
    assert "from 159 cells" in said
    assert kept["count"]["cells"] == 159


def test_leaving_the_prompt_keeps_nothing(run, slim):
    assert "Nothing was kept." in run("count", "--vessel", "slim", typed=["24", "q"]).output
    assert "Nothing was kept." in run("count", "--vessel", "slim", typed=["u", "f"]).output
    broken = run("count", "--vessel", "slim", typed=["24"], exit_code=2)
    assert "broken off, nothing was kept" in " ".join(broken.output.split())
    assert "0 slide counts" in run("vessel", "slim").output


def test_a_count_pairs_with_a_photo_and_tests_the_calibration(run, slim, photo_stock):
    snapped = run("count", "--vessel", "slim", "--cells", "61", "--squares", "5", "--unit", "group",
                  "--dilution", "5", "--reading", photo_stock["day2"])  # fmt: skip
    assert "with reading 1, day2.jpg" in snapped.output
    assert "the photo said" in snapped.output
    assert "1 reading" in run("vessel", "slim").output
    again = run("count", "--vessel", "slim", "--cells", "4000", "--squares", "5", "--unit", "group",
                "--dilution", "5", "--reading", "latest")  # fmt: skip
    assert "the count does not agree" in " ".join(again.output.split())
    assert "2 slide counts (2 paired" in run("vessel", "slim").output


@pytest.mark.parametrize(
    ("words", "exit_code", "expected"),
    [
        (("--cells", "-3", "--squares", "4"), 2, "a count cannot be negative: -3"),
        (("--cells", "3.5", "--squares", "4"), 2, "'3.5' is not a whole number"),
        (("--cells", "3", "--squares", "-4"), 2, "Invalid value for '--squares'"),
        (("--cells", "3"), 2, "Say in how many squares"),
        (("--cells", "3,4", "--squares", "5"), 2, "lists 2 squares, --squares says 5"),
        (
            ("--cells", "3", "--squares", "99"),
            2,
            "One improved Neubauer slide has 18 large squares",
        ),
        (("--cells", "3", "--squares", "4", "--dilution", "0.5"), 2, "Invalid value for '--dilut"),
        (("--cells", "3", "--squares", "4", "--fixative", "-1"), 2, "Invalid value for '--fixat"),
        (("--cells", "3", "--squares", "4", "--chamber", "neubaur"), 1, "Did you mean neubauer"),
        (("--cells", "3", "--squares", "4", "--unit", "larg"), 1, "Did you mean large"),
        (("--cells", "3", "--squares", "4", "--reading", "latest"), 1, "slim has no reading yet"),
        (("--cells", "3", "--squares", "4", "--reading", "soon"), 2, "neither latest, nor a numb"),
        (("--cells", "3", "--squares", "4", "--reading", "77"), 1, "There is no reading 77"),
        (("--cells", "3", "--squares", "4", "--reading", "/no/such.jpg"), 1, "There is no file"),
        (("--cells", "3", "--squares", "4", "--when", "tomorrow"), 2, "'tomorrow' is not a time"),
        (("--cells", "3,4", "--csv", "a.csv"), 2, "--csv"),
        (("--csv", "/no/such.csv"), 1, "There is no file"),
        (("--csv", "a.csv", "--squares", "4"), 2, "--squares goes with --cells"),
        (("--photo", "a.jpg", "--squares", "4"), 2, "--squares goes with --cells"),
        (("--squares", "4"), 2, "--squares goes with --cells"),
        (("--cells", ""), 2, "'' is not a whole number"),
        (("--cells", "3,4", "--dilution", "ten"), 2, "'ten' is not a dilution"),
        (("--cells", "3,4", "--dead", "8"), 2, "8 dead of 7 cells cannot be"),
        (("--cells", "3,4/5", "--within", "0"), 2, "Invalid value for '--within'"),
        (("--cells", "3,4/5"), 2, "Say in how many squares"),
        (("--cells", "3,4", "--chamber", "own:0x1"), 1, "depth in mm of 0"),
    ],
)
def test_bad_input_is_named_and_nothing_is_kept(run, slim, words, exit_code, expected):
    result = run("count", "--vessel", "slim", *words, exit_code=exit_code)
    assert expected in " ".join(result.output.split())
    assert "0 slide counts" in run("vessel", "slim").output


def test_a_wrong_vessel_brings_near_matches(run, slim):
    result = run("count", "--vessel", "slum", "--cells", "3", "--squares", "4", exit_code=1)
    assert "no vessel named 'slum'. Did you mean slim?" in result.output


def test_a_photo_that_was_refused_cannot_be_paired(run, slim, photo_stock):
    result = run("count", "--vessel", "slim", "--cells", "50", "--squares", "4", "--reading",
                 photo_stock["no-card"], exit_code=1)  # fmt: skip
    assert "no-card.jpg has no reading to pair with" in result.output
    assert "0 slide counts" in run("vessel", "slim").output


def test_a_reading_of_another_vessel_cannot_be_paired(run, slim, photo_stock):
    run("vessel", "jar", "--species", "chlorella", "--volume-ml", "9", "--path-mm", "9")
    run("snap", photo_stock["day2"], "--vessel", "slim")
    result = run("count", "--vessel", "jar", "--cells", "5", "--squares", "4", "--reading", "1",
                 exit_code=1)  # fmt: skip
    assert "Reading 1 is of slim, not of jar" in result.output

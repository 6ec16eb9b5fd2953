"""A split is logged with its kept share."""

from __future__ import annotations

import json


def test_a_split_is_logged_and_corrected(run, slim):
    words = ("split", "--vessel", "slim", "--when", "2026-04-02 18:00", "--kept-ml")
    assert "kept 125 of 500 mL (25%)" in run(*words, "125").output
    found = json.loads(run(*words, "100", "--total-ml", "400", "--json").output)
    assert found == {
        "vessel": "slim",
        "done_at": "2026-04-02 18:00:00",
        "kept_ml": 100.0,
        "total_ml": 400.0,
    }
    assert "1 split" in run("vessel", "slim").output.splitlines()[1]


def test_more_kept_than_there_is_is_refused(run, slim):
    result = run("split", "--vessel", "slim", "--kept-ml", "500", exit_code=2)
    assert "--kept-ml must be below the total of 500 mL, not 500" in result.output
    assert (
        "Invalid value" in run("split", "--vessel", "slim", "--kept-ml", "-5", exit_code=2).output
    )
    assert "0 splits" in run("vessel", "slim").output

"""The walk through a slide, square by square, without a terminal."""

from __future__ import annotations

import pytest

from densitycam.cli.count_walk import walk
from densitycam.counting.tally import Tally

PLAIN = Tally(())
WHOLE = Tally((), chamber="palmer-maloney", unit="whole")


def walked(*typed: str, tally: Tally = PLAIN):
    words, said = list(typed), []
    counted = walk(lambda prompt: words.pop(0), said.append, tally, half_width=0.1)
    assert words == []
    return counted, said[3:]  # after the three rules


def test_sides_dead_cells_and_clumps():
    counted, said = walked("23", "31", "n", "27", "f", "3", "1")
    assert [f.counts for f in counted.fillings] == [(23, 31), (27,)]
    assert [f.squares for f in counted.fillings] == [2.0, 1.0]
    assert (counted.dead, counted.clumps) == (3, 1)
    assert said[0].startswith("  23 cells in 1 square, +/-")


def test_what_was_not_looked_for_stays_open_and_what_was_said_is_not_asked():
    counted, _ = walked("5", "f", "", "")
    assert (counted.dead, counted.clumps) == (None, None)
    counted, said = walked("5", "f", "9", "2", tally=Tally((), clumps=0))
    assert (counted.dead, counted.clumps) == (2, 0)
    assert "'9' is not a number from 0 to 5." in said


def test_undo_reaches_back_into_the_side_before():
    counted, said = walked("23", "31", "n", "u", "u", "u", "7", "f", "", "")
    assert [f.counts for f in counted.fillings] == [(7,)]
    assert "Took back 31 cells of square 2." in said
    assert "There is nothing to take back." in said


def test_a_slip_of_the_finger_is_noticed_at_once():
    # 310 in place of 31: index of dispersion 245 against a chi-square limit of 5.02 (computed).
    _, said = walked("24", "310", "u", "31", "q")
    assert "if the last number was a slip, u takes it back" in said[1]
    assert "+/-260 %" in said[1]
    assert "slip" not in said[3]


def test_a_square_that_the_chamber_does_not_have_is_not_taken():
    # One round field, both sides of a slide: the third cannot be.
    counted, said = walked("120", "131", "99", "f", "", "", tally=WHOLE)
    assert counted.fillings[0].counts == (120, 131)
    assert any(line.startswith("Not taken: one Palmer-Maloney slide has 2") for line in said)


@pytest.mark.parametrize("typed", [("q",), ("12", "q"), ("f",), ("n", "f")])
def test_leaving_or_finishing_without_a_square_gives_nothing(typed):
    assert walked(*typed)[0] is None


def test_zero_is_a_count():
    counted, said = walked("0", "0", "f", "", "")
    assert counted.fillings[0].counts == (0, 0)
    assert "  0 cells in 2 squares" in said


def test_dead_cells_said_beforehand_do_not_stand_in_the_way_of_the_first_square():
    # Four dead of the first square's three cannot be, of all fourteen they can.
    counted, said = walked("3", "11", "u", "u", "3", "11", "f", "", tally=Tally((), dead=4))
    assert counted.fillings[0].counts == (3, 11)
    assert counted.dead == 4
    assert not any(line.startswith("Not taken") for line in said)


def test_more_dead_than_cells_is_asked_again():
    counted, said = walked("3", "f", "2", "", tally=Tally((), dead=4))
    assert "4 is not a number from 0 to 3." in said
    assert counted.dead == 2

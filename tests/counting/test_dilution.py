"""Dilution chains as users write them."""

from __future__ import annotations

import pytest

from densitycam.counting.dilution import chain_factor, describe_chain, parse_chain
from densitycam.errors import DensitycamError


@pytest.mark.parametrize(
    ("text", "steps"),
    [
        ("1", ()),
        ("10", (10.0,)),
        (" 1:10 ", (10.0,)),
        ("1+9", (10.0,)),
        ("1:10x1:5", (10.0, 5.0)),
        ("10, 2.5", (10.0, 2.5)),
        ("1:10 X 1+1", (10.0, 2.0)),
        ("1000000", (1e6,)),  # the furthest that is believed
    ],
)
def test_chains(text, steps):
    assert parse_chain(text) == steps


@pytest.mark.parametrize(
    "text", ["", "ten", "0.5", "1:0", "2:10", "10x", "1:", "1.2.3", "9e9", "-3", "1000001"]
)
def test_what_is_no_dilution_is_refused(text):
    with pytest.raises(DensitycamError, match=r"dilution"):
        parse_chain(text)


def test_a_chain_is_said_so_that_it_cannot_be_taken_the_other_way():
    assert chain_factor((10.0, 5.0)) == 50.0
    assert describe_chain(()) == "not diluted"
    assert describe_chain((10.0,)) == "1 mL made up to 10 mL"
    assert describe_chain((10.0, 5.0)) == (
        "1 mL made up to 10 mL, then 1 mL made up to 5 mL: 50 times in all"
    )

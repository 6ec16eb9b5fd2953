"""A blank must be clearer than every culture of its vessel; nothing of one that is not is kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from kept_journal import JAR, at, fill
from seen_photos import photo

from densitycam.errors import DensitycamError
from densitycam.journal.blanks import measure_blank
from densitycam.journal.store import Journal

#: The bars through clean glass and water: Fresnel losses alone, as `assumed_blank` has them.
CLEAR = (0.915, 0.915, 0.915)


def measured(transmittance: float):
    """Pretend to read a photo through which so much of bars and brightness comes."""
    seen = photo(0.0, 1e6, vessel="jar")
    through = (transmittance,) * 3
    return replace(seen, reading=replace(seen.reading, contrast_t=through, mean_t=through))


@pytest.mark.parametrize(("through", "refused"), [(0.9, False), (0.8, True)])
def test_a_culture_seen_through_better_than_its_blank_refuses_it(tmp_path: Path, through, refused):
    (tmp_path / "water.jpg").write_bytes(b"any")
    with Journal(tmp_path / "journal.sqlite") as journal:
        fill(journal)
        thin = replace(measured(1.0), sha256="c" * 64, file_name="thin.jpg", taken_at=at(3.5))
        reading = replace(thin.reading, contrast_t=CLEAR)
        journal.put_photo(replace(thin, reading=reading, shape="flat"))
        before = list(journal.connection.iterdump())

        def measure():
            return measure_blank(
                journal,
                JAR,
                [tmp_path / "water.jpg"],
                made_at=at(20),
                read=lambda _: measured(through),
            )

        if not refused:
            measure()
            assert journal.blank("jar") is not None
            return
        with pytest.raises(DensitycamError, match=r"no blank of jar.* in thin\.jpg"):
            measure()
        assert list(journal.connection.iterdump()) == before

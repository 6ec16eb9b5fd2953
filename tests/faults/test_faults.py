"""Nothing is lost, and it is said in words what to do: each fault a few times, with its figures.

`tests/benchmarks/faults.py` tries each many times, and prints the figures as a table.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

if not sys.platform.startswith("linux"):
    pytest.skip("these faults are brought about by means that Linux has", allow_module_level=True)

from listed import FAULTS, Fault


@pytest.fixture
def place() -> Iterator[Path]:
    """Return a folder that another user reaches too."""
    folder = Path(tempfile.mkdtemp(prefix="densitycam-fault-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


@pytest.fixture(autouse=True)
def no_journal_of_the_users(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let nothing but --journal say where a journal is."""
    monkeypatch.delenv("DENSITYCAM_JOURNAL", raising=False)


@pytest.mark.parametrize("fault", [f for f in FAULTS if f.few], ids=lambda f: f.name)
def test_nothing_is_lost_and_the_error_is_clear(fault: Fault, place: Path) -> None:
    found = fault.run(place, tries=fault.few, seed=7)
    assert found.examples == []
    assert (found.lost, found.damaged, found.halves, found.unclear) == (0, 0, 0, 0)
    assert found.tries >= fault.least, "fewer tries than were planned prove less"
    assert found.kept > 0, "where nothing is kept, nothing can be lost"
    assert os.geteuid() == os.getuid()


def test_the_faults_are_told_when_they_are_there(place: Path) -> None:
    """Figures that could not count would be 0 too."""
    from figures import Figures, Said, unclear
    from works import WORKS, Try, home_for

    work = next(w for w in WORKS if w.name == "split, bottled")
    one = Try(work, home_for(work, place / "home"))
    found = Figures()
    one.judge(Said(0, "kept"), found)  # it was never run
    assert found.lost == 2, "neither the rows nor the label are there"
    one.run()
    one.run()
    found = Figures()
    (place / "home" / ".label.pdf.0a.part").write_bytes(b"")
    (place / "home" / "label.pdf").write_bytes(b"%PDF-1.4")
    one.judge(Said(1, "Traceback"), found)
    assert (found.damaged, found.halves, found.unclear) == (1, 2, 1)
    assert unclear(Said(1, "Error: Disk full.\n")) != ""
    assert unclear(Said(1, "Error: Disk full. Make room.\n")) == ""

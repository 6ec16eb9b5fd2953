"""A page of its own for every test, a simulated photo of its vessel, and the command line."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from web_server import Served, make_place, serving

from densitycam.cli.main import main
from densitycam.journal.store import Journal
from densitycam.vessel.record import VesselRecord

TAKEN_AT = datetime(2026, 4, 1, 8, 30)


@pytest.fixture
def run() -> Callable[..., Result]:
    def invoke(*words: str | Path) -> Result:
        result = CliRunner().invoke(main, [str(w) for w in words], prog_name="densitycam")
        assert result.exit_code == 0, result.output
        return result

    return invoke


@pytest.fixture(scope="session")
def photo(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Return a photo of the vessel "slim", simulated, 20 million cells/mL, of 1 April 2026."""
    from densitycam.simulate.photo_file import write_photo
    from densitycam.simulate.scene import Scene

    path = tmp_path_factory.mktemp("stock") / "slim.jpg"
    write_photo(Scene(seed=1, cells_per_ml=2e7, taken_at=TAKEN_AT, size_px=(1000, 750)), path)
    return path.read_bytes()


@pytest.fixture
def journal_path(tmp_path: Path) -> Path:
    """Return the file of a journal that knows the vessel "slim"."""
    path = tmp_path / "home" / "journal.sqlite"
    with Journal(path) as journal:
        journal.add_vessel(VesselRecord("slim", "nannochloropsis", 500.0, 20.0, "flat"))
    return path


@pytest.fixture
def page(journal_path: Path) -> Iterator[Served]:
    """Serve the page as on this computer alone."""
    with serving(make_place(journal_path)) as served:
        yield served


@pytest.fixture
def lan_page(journal_path: Path) -> Iterator[Served]:
    """Serve the page with a secret, as on the home network."""
    with serving(make_place(journal_path, lan=True)) as served:
        yield served

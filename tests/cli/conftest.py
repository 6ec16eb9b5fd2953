"""A journal of its own for every test, and a few simulated photos made once a session."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from growth_series import GROWTH, START

from densitycam.cli.main import main


@pytest.fixture(scope="session")
def photo_stock(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Simulated photos in a flat bottle of 20 mm: day1 to day4, bare, no-card."""
    from densitycam.simulate.photo_file import write_photo
    from densitycam.simulate.scene import Scene

    folder = tmp_path_factory.mktemp("stock")
    size = (1000, 750)
    scenes = {
        f"day{day}": Scene(
            seed=day, cells_per_ml=density, taken_at=START + timedelta(days=day - 1), size_px=size
        )
        for day, density in GROWTH.items()
    }
    scenes["bare"] = Scene(seed=11, vessel=None, taken_at=START, size_px=size)
    scenes["no-card"] = Scene(
        seed=12, defect="no-card", taken_at=START + timedelta(days=1, hours=4), size_px=size
    )
    stock = {}
    for name, scene in scenes.items():
        stock[name] = folder / f"{name}.jpg"
        write_photo(scene, stock[name])
    return stock


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """Run the command line in this process, its journal in the test's own folder."""
    monkeypatch.setenv("DENSITYCAM_JOURNAL", str(tmp_path / "journal.sqlite"))

    def invoke(*words: str | Path, exit_code: int = 0, typed: Sequence[str] = ()) -> Result:
        result = CliRunner().invoke(
            main,
            [str(w) for w in words],
            prog_name="densitycam",
            input="".join(f"{line}\n" for line in typed),
        )
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == exit_code, result.output
        return result

    return invoke


@pytest.fixture
def slim(run: Callable[..., Result]) -> str:
    """Describe the vessel that stands in the simulated photos."""
    run("vessel", "slim", "--species", "nannochloropsis", "--volume-ml", "500", "--path-mm", "20",
        "--shape", "flat")  # fmt: skip
    return "slim"


@pytest.fixture
def photo_folder(tmp_path: Path, photo_stock: dict[str, Path]) -> Path:
    """Lay out a folder as a keeper would: photos by vessel, the three tables beside them."""
    folder = tmp_path / "photos"
    (folder / "slim").mkdir(parents=True)
    for name in ("day1", "day2", "day3", "day4"):
        shutil.copy(photo_stock[name], folder / "slim")
    (folder / "vessels.csv").write_text(
        "name,species,working_volume_ml,path_mm,shape\nslim,nannochloropsis,500,20,flat\n"
    )
    # Counts are the truth in whole cells: five 0.04 mm2 squares, 0.1 mm deep, diluted 1:5.
    rows = "".join(
        f"slim,2026-04-0{day} 09:00,slim/day{day}.jpg,improved-neubauer,group,"
        f"{round(GROWTH[day] * 5 * 4e-6 / 5)},5,5,\n"
        for day in (1, 3, 4)
    )
    (folder / "slides.csv").write_text(
        "vessel,when,photo,chamber,unit,cells,squares,dilution,fixative_fraction\n" + rows
    )
    (folder / "splits.csv").write_text(
        "vessel,when,kept_ml,total_ml\nslim,2026-03-31 20:00,125,500\n"
    )
    return folder

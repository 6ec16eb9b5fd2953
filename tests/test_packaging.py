"""The wheel: the whole package and the species' facts travel inside it, and nothing else does."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from email.parser import HeaderParser
from pathlib import Path

import pytest

import densitycam

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory):
    """Build the wheel and unpack it; a wheel is a zip file."""
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    done = subprocess.run(build, cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


def contents(folder: Path, *, skip: str = "__pycache__") -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and skip not in path.parts
    }


def test_wheel_holds_the_package_and_nothing_beside_it(unpacked):
    information = f"densitycam-{densitycam.__version__}.dist-info"
    assert {path.name for path in unpacked.iterdir()} == {"densitycam", information}
    packed = contents(unpacked / "densitycam")
    assert {n: b for n, b in packed.items() if not n.startswith("species_data/")} == contents(
        ROOT / "densitycam"
    )


def test_wheel_holds_every_species_as_it_stands_in_the_repository(unpacked):
    packed = contents(unpacked / "densitycam" / "species_data")
    assert sum(name.endswith("/species.json") for name in packed) >= 5
    assert packed == contents(ROOT / "calibration")


def test_unpacked_wheel_reads_its_own_species(unpacked, tmp_path):
    script = (
        "from densitycam.calibration.species import species_folder, species_ids;"
        "print(species_folder()); print(*species_ids())"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(unpacked)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    folder, ids = done.stdout.splitlines()
    assert Path(folder) == unpacked / "densitycam" / "species_data"
    in_repository = {path.parent.name for path in (ROOT / "calibration").glob("*/species.json")}
    assert set(ids.split()) == in_repository


def test_metadata_names_the_command_the_licence_and_the_python(unpacked):
    information = next(unpacked.glob("*.dist-info"))
    metadata = HeaderParser().parsestr((information / "METADATA").read_text(encoding="utf-8"))
    assert metadata["Requires-Python"] == ">=3.10"
    assert metadata["License-Expression"] == "MIT"
    assert metadata["Version"] == densitycam.__version__
    entry_points = (information / "entry_points.txt").read_text(encoding="utf-8")
    assert "densitycam = densitycam.cli.main:main" in entry_points
    assert (information / "licenses" / "LICENSE").is_file()

"""Every notebook runs from top to bottom, and prints what stands in its file.

    python tests/test_notebooks.py

writes them anew, with what they print and draw now: look at the pictures then.
"""

from __future__ import annotations

import base64
import io
import os
import re
import tempfile
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
import pytest
from nbclient import NotebookClient
from PIL import Image

FOLDER = Path(__file__).resolve().parents[1] / "notebooks"
BOOKS = sorted(FOLDER.glob("*.ipynb"))
NUMBER = re.compile(r"(?<![\w.])[+-]?\d+(?:\.\d+)?")


def run(path: Path) -> nbformat.NotebookNode:
    """Return the notebook with what its cells print and draw now, and nothing of this machine.

    The settings that somebody keeps for notebooks of their own do not count here.
    """
    book = nbformat.read(path, as_version=4)
    with tempfile.TemporaryDirectory() as empty:
        NotebookClient(
            book,
            timeout=300,
            kernel_name="python3",
            record_timing=False,
            coalesce_streams=True,
            resources={"metadata": {"path": str(path.parent)}},
        ).execute(env={**os.environ, "IPYTHONDIR": empty, "JUPYTER_CONFIG_DIR": empty})
    book.metadata = {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
    }
    for cell in book.cells:
        cell.metadata = {}
        for output in cell.get("outputs", []):
            if output.output_type == "display_data":
                output.metadata = {}
                output.data.pop("text/plain", None)
    return book


def outputs(book: nbformat.NotebookNode) -> list[Any]:
    return [output for cell in book.cells for output in cell.get("outputs", [])]


def printed(book: nbformat.NotebookNode) -> str:
    return "".join(output.text for output in outputs(book) if output.output_type == "stream")


def pictures(book: nbformat.NotebookNode) -> list[Image.Image]:
    found = [o.data["image/png"] for o in outputs(book) if o.output_type == "display_data"]
    return [Image.open(io.BytesIO(base64.b64decode(code))).convert("RGB") for code in found]


@pytest.fixture(scope="module", params=BOOKS, ids=lambda path: path.stem)
def kept_and_run(request):
    return nbformat.read(request.param, as_version=4), run(request.param)


def test_there_are_four():
    assert [path.name[0] for path in BOOKS] == ["1", "2", "3", "4"]


def test_nothing_warns_or_fails(kept_and_run):
    kinds = {(o.output_type, o.get("name", "")) for o in outputs(kept_and_run[1])}
    assert kinds == {("stream", "stdout"), ("display_data", "")}


def test_it_prints_what_stands_in_the_file(kept_and_run):
    kept, now = map(printed, kept_and_run)
    assert NUMBER.sub("#", now) == NUMBER.sub("#", kept)
    for was, found in zip(NUMBER.findall(kept), NUMBER.findall(now), strict=True):
        # Versions of the libraries may round the last figure the other way, no more.
        unit = 10.0 ** -len(was.partition(".")[2])
        assert float(found) == pytest.approx(float(was), abs=1.01 * unit, rel=0), (was, found)


def test_it_draws_as_many_pictures_and_none_is_blank(kept_and_run):
    kept, now = map(pictures, kept_and_run)
    assert len(now) == len(kept) > 1
    for was, found in zip(kept, now, strict=True):
        assert np.std(np.asarray(found)) > 10
        assert found.size == pytest.approx(was.size, rel=0.05)


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)
def test_the_file_holds_nothing_of_a_machine(path):
    text = path.read_text(encoding="utf-8")
    assert not re.search(r"/(home|root|tmp|Users)/|\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", text)
    assert len(text) < 700_000


if __name__ == "__main__":
    for book in BOOKS:
        nbformat.write(run(book), book)

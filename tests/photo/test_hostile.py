"""Photos made to fill the memory are refused by what they claim, before memory is taken."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from hostile_photos import BOMBS
from PIL import Image

from densitycam.errors import PhotoRefusedError
from densitycam.photo.decode import decode_photo

#: Far more than libraries take, far less than any bomb wants [bytes].
ROOM = 1_500_000_000

SCRIPT = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, ({room}, {room}))
from pathlib import Path
from densitycam.errors import PhotoRefusedError
from densitycam.photo.decode import decode_photo, exif_time
for name in sys.argv[1:]:
    print(Path(name).stem, exif_time(Path(name)), end=" ")
    try:
        print(decode_photo(name).rgb.shape)
    except PhotoRefusedError as refusal:
        print(refusal.flag, refusal)
"""


@pytest.fixture(scope="module")
def said_of_bombs(tmp_path_factory):
    pytest.importorskip("resource", reason="memory cannot be bounded on this system")
    folder = tmp_path_factory.mktemp("bombs")
    for name, make in BOMBS.items():
        (folder / name).write_bytes(make())
    env = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    run = subprocess.run(
        [sys.executable, "-c", SCRIPT.format(room=ROOM), *(str(folder / n) for n in BOMBS)],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, **env},
    )
    assert run.returncode == 0, run.stderr
    return dict(zip(BOMBS, run.stdout.splitlines(), strict=True))


@pytest.mark.parametrize("name", BOMBS)
def test_a_bomb_is_refused_within_little_memory(said_of_bombs, name):
    said = said_of_bombs[name]
    if "exif" in name:  # the block is as good as none, the pixels are fine
        assert said == f"{name} None (64, 64, 3)"
    else:
        assert said.startswith(f"{name} None unreadable ")
        assert ("million pixels" in said or "too many pixels" in said) == (
            name not in ("png-text", "png-profile")
        )


def test_a_canvas_is_judged_before_pillow_takes_memory_for_it(tmp_path, monkeypatch):
    # Of all that Pillow can do with the file only the refusal is left, whatever its version.
    path = tmp_path / "a.webp"
    large = BOMBS["webp"]()
    path.write_bytes(large)
    within = (13_000 - 1).to_bytes(3, "little")  # 169 million, which Pillow takes too
    with monkeypatch.context() as without:
        without.setattr(Image, "open", lambda *_, **__: pytest.fail("opened"))
        with pytest.raises(PhotoRefusedError, match="has 268 million pixels, more than 200"):
            decode_photo(path)
    path.write_bytes(large[:24] + within * 2 + large[30:])
    with pytest.raises(PhotoRefusedError, match="damaged"):  # its one frame has 8 x 8 pixels
        decode_photo(path)


def test_a_format_that_runs_a_program_is_not_opened(tmp_path):
    # Pillow hands PostScript to an interpreter, whatever the file's name ends in.
    Image.new("RGB", (40, 30), (90, 20, 20)).save(tmp_path / "a.jpg", "EPS")
    with pytest.raises(PhotoRefusedError, match="is not a picture"):
        decode_photo(tmp_path / "a.jpg")


@pytest.mark.parametrize("kind", ["BMP", "PPM", "TGA", "ICO", "PCX", "JPEG2000"])
def test_formats_that_no_phone_sends_are_not_opened(tmp_path, kind):
    Image.new("RGB", (40, 30), (90, 20, 20)).save(tmp_path / "a.png", kind)
    with pytest.raises(PhotoRefusedError, match="is not a picture"):
        decode_photo(tmp_path / "a.png")

"""Makes the guide's pictures anew: python tests/guide_pictures.py [FOLDER]; look at them then.

All photos are simulated, and their captions in the guide say so. `reading.jpg` and `page.jpg` are
made as DEVELOPERS.md says, `accuracy.png` by the benchmark.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from densitycam.simulate.photo_file import write_photo
from densitycam.simulate.scene import Glare, Scene
from densitycam.simulate.slide import SlideScene, write_slide
from densitycam.simulate.vessels import Vessel

ROOT = Path(__file__).resolve().parents[1]
GUIDE = ROOT / "densitycam" / "guide"

#: The guide's jar: 900 mL, 82 mm across inside; invented, as is its culture.
JAR = Vessel("jar-82", "cylinder", 82.0, 82.0, 190.0, 2.0, 172.0, 42.0, 0.5)
GOOD = Scene(
    seed=40, room_seed=4, species="tetraselmis", cells_per_ml=4e5, vessel=JAR,
    taken_at=datetime(2026, 5, 9, 7, 41),
)  # fmt: skip
#: A photo that is good, and five that are not: what the guide says of each.
SHOTS = {
    "good": GOOD,
    "card cut off": replace(GOOD, fill=1.25, shift=(1.0, 0.3)),
    "two vessels": replace(GOOD, x_mm=-48.0, second_x_mm=48.0),
    "blurred": replace(GOOD, blur_px=11.0),
    "lamp mirrored": replace(GOOD, glare=(Glare(0.0, 0.16, 2.5, 20.0, 160.0),)),
    "from the side": replace(GOOD, yaw_deg=38.0, fill=0.7),
}


def densitycam(*words: object, cwd: Path) -> None:
    """Run a command as a keeper does; one that ends with 1 has still written its picture."""
    subprocess.run(
        [sys.executable, "-m", "densitycam", *map(str, words)],
        cwd=cwd, check=False, stdout=subprocess.DEVNULL,
    )  # fmt: skip


def shrunk(
    source: Path, target: Path, width: int, *, mark: bool = False, **options: object
) -> None:
    """Save a picture at a width, and say on it that it is simulated where it does not say so."""
    with Image.open(source) as picture:
        small = picture.convert("RGB")
        small = small.resize((width, round(small.height * width / small.width)))
        if mark:
            words, font = "SIMULATED", ImageFont.load_default(14)
            draw = ImageDraw.Draw(small)
            draw.rectangle((width - 96, 6, width - 6, 28), fill="#444")
            draw.text((width - 90, 8), words, fill="white", font=font)
        if target.suffix == ".png":
            small = small.quantize(64)
        small.save(target, optimize=True, **options)


def contact_sheet(work: Path, target: Path) -> None:
    """Set the shots in two columns, each with its word under it."""
    width, height, strip = 400, 300, 26
    sheet = Image.new("RGB", (2 * width + 8, 3 * (height + strip)), "white")
    draw = ImageDraw.Draw(sheet)
    for place, (words, scene) in enumerate(SHOTS.items()):
        write_photo(replace(scene, size_px=(800, 600)), work / "shot.jpg")
        left, top = place % 2 * (width + 8), place // 2 * (height + strip)
        with Image.open(work / "shot.jpg") as shot:
            sheet.paste(shot.resize((width, height)), (left, top))
        draw.text(
            (left + 4, top + height + 3), words, fill="black", font=ImageFont.load_default(18)
        )
    sheet.save(target, quality=72, optimize=True)


def main(out: Path) -> None:
    """Make them all."""
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        densitycam("card", "--png", "card.png", "--px-per-mm", 6, cwd=work)
        shrunk(work / "card.png", out / "card.png", 900)
        contact_sheet(work, out / "shots.jpg")
        write_slide(SlideScene(), work / "slide.jpg")
        journal = ("--journal", work / "journal.sqlite")
        densitycam("vessel", "left jar", "--species", "isochrysis", "--volume-ml", 900,
                   "--path-mm", 82, *journal, cwd=work)  # fmt: skip
        densitycam("count", "--vessel", "left jar", "--photo", "slide.jpg", "--unit", "group",
                   "--picture", "seen.png", *journal, cwd=work)  # fmt: skip
        shrunk(work / "seen.png", out / "slide.jpg", 800, mark=True, quality=75)
        densitycam("batch", ROOT / "samples", "--chart", "growth.png", *journal, cwd=work)
        shrunk(work / "growth.png", out / "growth.png", 900, mark=True)
        densitycam("calibrate", "--vessel", "window-bottle", "--plot", "fit.png", *journal,
                   cwd=work)  # fmt: skip
        shrunk(work / "fit.png", out / "fit.png", 800, mark=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else GUIDE)

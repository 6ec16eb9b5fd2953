"""Measures counting of slide photos on simulated slides: run it by hand, no test depends on it.

    python tests/benchmarks/slides.py [SLIDES [FIRST_SEED]]

Slides are drawn by densitycam.simulate.slide, which shares no code with the finder. Thresholds
were tuned on seeds 0 to 79 and 10000; report figures on seeds from 20000 that were not reported on
before (20000 on, the default, and 71000 to 71079 were). No package that we looked at ships a
picture of a counting chamber, nor one of cells with a published count: those of scikit-image
(human_mitosis, cell, cells3d, kidney, skin, immunohistochemistry, protein_transport) come without
one, and have no ruling, so its pictures must all be refused. Seconds are of processor time, on one
core.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import linear_sum_assignment

from densitycam.counting.poisson import poisson_limits
from densitycam.counting.slide_photo import SlidePhoto, count_squares
from densitycam.errors import PhotoRefusedError
from densitycam.photo.decode import linear
from densitycam.simulate.slide import SlideScene, SlideTruth, random_slide, render_slide


@dataclass(frozen=True)
class Score:
    """One slide's figures; refused ones hold the flag and no more."""

    scene: SlideScene
    flag: str = ""
    squares: int = 0
    squares_true: int = 0
    misplaced: int = 0
    true: int = 0
    found: int = 0
    recalled: int = 0
    right: int = 0
    seen_true: int = 0
    seen_found: int = 0
    seconds: float = 0.0

    @property
    def inside(self) -> bool:
        """Whether the true count lies in the exact Poisson 95 % limits of the count."""
        low, high = poisson_limits(self.found)
        return low <= self.true <= high


def as_jpeg(rgb: np.ndarray, quality: int) -> np.ndarray:
    """Return the picture as it comes back from a JPEG."""
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def scored(scene: SlideScene) -> Score:
    """Draw a slide, count it and compare with what was drawn."""
    drawn, truth = render_slide(scene)
    rgb = as_jpeg(drawn, scene.jpeg_quality)
    start = time.process_time()
    try:
        photo = count_squares(linear(rgb), chamber=scene.ruling.partition("/")[0])
    except PhotoRefusedError as error:
        return Score(scene, flag=error.flag or "?", squares_true=len(truth.squares))
    seconds = time.process_time() - start
    true = found = matched = 0
    for square in photo.squares:
        away = [
            np.abs(np.array(square.corners_px) - known.corners_px).max() for known in truth.squares
        ]
        if away and min(away) < 4 * scene.px_per_um:
            known = truth.squares[int(np.argmin(away))]
            true, found, matched = true + known.cells, found + square.found, matched + 1
    recalled, right, seen_true, seen_found = matched_cells(scene, photo, truth)
    return Score(
        scene,
        squares=len(photo.squares),
        squares_true=len(truth.squares),
        misplaced=len(photo.squares) - matched,
        true=true,
        found=found,
        recalled=recalled,
        right=right,
        seen_true=seen_true,
        seen_found=seen_found,
        seconds=seconds,
    )


def matched_cells(
    scene: SlideScene, photo: SlidePhoto, truth: SlideTruth
) -> tuple[int, int, int, int]:
    """Return cells recalled, found ones that are right, true ones, found ones, in the squares."""
    cells = np.array([(c.x_px, c.y_px) for c in photo.cells]).reshape(-1, 2)

    def inside(points: np.ndarray) -> np.ndarray:
        within = np.zeros(len(points), bool)
        for square in photo.squares:
            outline = np.array(square.corners_px, np.float32)
            within |= np.array(
                [
                    cv2.pointPolygonTest(outline, (float(x), float(y)), False) >= 0
                    for x, y in points
                ],
                bool,
            )
        return within

    true_in, found_in = inside(truth.cells_px), inside(cells)
    if not len(cells) or not len(truth.cells_px):
        return 0, 0, int(true_in.sum()), int(found_in.sum())
    reach = 0.6 * scene.diameter_um * scene.px_per_um
    away = np.hypot(*(truth.cells_px[:, None] - cells[None]).transpose(2, 0, 1))
    i, j = linear_sum_assignment(np.minimum(away, reach))
    pairs = away[i, j] < reach
    hit, good = np.zeros(len(true_in), bool), np.zeros(len(found_in), bool)
    hit[i[pairs]], good[j[pairs]] = True, True
    return (
        int((hit & true_in).sum()),
        int((good & found_in).sum()),
        int(true_in.sum()),
        int(found_in.sum()),
    )


def spoilt_slides(rng: np.random.Generator) -> dict[str, SlideScene]:
    """Return one slide of each kind that must be refused."""
    good = random_slide(rng)
    strong = replace(good, px_per_um=max(good.px_per_um, 6.0 / good.diameter_um))
    crowd = replace(good, diameter_um=max(good.diameter_um, 7.0))
    crowd_area = 200.0**2 / (np.pi / 4 * crowd.diameter_um**2)
    turn = float(rng.uniform(0, 180))
    return {
        "no ruling": replace(good, line_contrast=0.0),
        "out of focus": replace(good, blur_um=float(rng.uniform(0.55, 0.9)) * good.diameter_um),
        "moved": replace(
            strong, motion_px=1.2 * strong.diameter_um * strong.px_per_um, motion_deg=turn
        ),
        "too far": replace(good, px_per_um=float(rng.uniform(2.0, 3.3)) / good.diameter_um),
        "crowded": replace(crowd, cells_per_square=0.45 * crowd_area),
    }


def pictures_without_slide() -> dict[str, str]:
    """Return what is said of each picture that scikit-image ships, by its name."""
    import skimage.data

    said = {}
    for file in sorted(Path(skimage.data.__file__).parent.iterdir()):
        if file.suffix in (".png", ".jpg"):
            picture = np.ascontiguousarray(cv2.imread(str(file))[..., ::-1])
            for chamber in ("improved-neubauer", "fuchs-rosenthal"):
                try:
                    count_squares(linear(picture), chamber=chamber)
                    said[f"{file.name} {chamber}"] = "counted"
                except PhotoRefusedError as error:
                    said[f"{file.name} {chamber}"] = error.flag or "?"
    return said


def report(scores: list[Score], title: str) -> None:
    """Print one group's figures."""
    kept = [s for s in scores if not s.flag]
    refused = [s for s in scores if s.flag]
    print(f"\n{title}: {len(scores)} slides, {len(refused)} refused", end="")
    if refused:
        print(f" ({', '.join(sorted(s.flag for s in refused))})", end="")
    print()
    if not kept:
        return
    true, found = sum(s.seen_true for s in kept), sum(s.seen_found for s in kept)
    recalls = [s.recalled / s.seen_true for s in kept if s.seen_true]
    precisions = [s.right / s.seen_found for s in kept if s.seen_found]
    errors = [s.found / s.true - 1 for s in kept if s.true]
    print(
        f"  squares found {sum(s.squares for s in kept)} of {sum(s.squares_true for s in kept)}, "
        f"misplaced {sum(s.misplaced for s in kept)}"
    )
    print(
        f"  recall {100 * sum(s.recalled for s in kept) / max(true, 1):.1f} % of {true} cells "
        f"(slides below 95 %: {sum(r < 0.95 for r in recalls)}, worst {100 * min(recalls):.0f} %)"
    )
    print(
        f"  precision {100 * sum(s.right for s in kept) / max(found, 1):.1f} % of {found} cells "
        f"(slides below 95 %: {sum(p < 0.95 for p in precisions)}, "
        f"worst {100 * min(precisions):.0f} %)"
    )
    print(
        f"  count within its Poisson 95 % limits: {sum(s.inside for s in kept)} of {len(kept)} "
        f"slides; error median {100 * np.median(errors):+.1f} %, "
        f"5 to 95 %: {100 * np.percentile(errors, 5):+.1f} to "
        f"{100 * np.percentile(errors, 95):+.1f} %"
    )
    print(f"  seconds a slide: median {np.median([s.seconds for s in kept]):.1f}")


def main(slides: int, first: int) -> None:
    """Draw, count and print."""
    cv2.setNumThreads(1)
    groups: dict[str, list[Score]] = {"10 to 60 cells a square": [], "60 to 200": []}
    for k in range(slides):
        rng = np.random.default_rng(first + k)
        scene = random_slide(rng)
        name = "10 to 60 cells a square"
        if k % 4 == 3:
            name = "60 to 200"
            scene = replace(scene, cells_per_square=float(rng.uniform(60, 200)))
        score = scored(scene)
        groups[name].append(score)
        bad = score.flag or score.misplaced or not score.inside or score.squares == 0
        low = score.seen_true and score.recalled < 0.95 * score.seen_true
        if bad or low or score.right < 0.95 * score.seen_found:
            print(
                f"seed {first + k} {scene.ruling} {scene.species} {scene.diameter_um:.1f} um "
                f"{scene.diameter_um * scene.px_per_um:.1f} px, {scene.cells_per_square:.0f}/sq, "
                f"blur {scene.blur_um:.2f}, focus {scene.focus:+.1f}, "
                f"line {scene.line_contrast:+.2f}: "
                f"{score.flag or 'counted'}; squares {score.squares} of {score.squares_true}, "
                f"misplaced {score.misplaced}; {score.found} for {score.true}; recall "
                f"{score.recalled}/{score.seen_true}, right {score.right}/{score.seen_found}",
                flush=True,
            )
    for title, scores in groups.items():
        report(scores, title)
    caught: dict[str, list[str]] = {}
    for k in range(max(1, slides // 8)):
        for kind, scene in spoilt_slides(np.random.default_rng(first + 500_000 + k)).items():
            score = scored(scene)
            caught.setdefault(kind, []).append(
                score.flag or f"counted {score.found} for {score.true}"
            )
    print("\nto be refused:")
    for kind, flags in caught.items():
        refused = sum(not flag.startswith("counted") for flag in flags)
        print(f"  {kind}: {refused} of {len(flags)} ({', '.join(sorted(set(flags)))})")
    said = pictures_without_slide()
    counted = [name for name, flag in said.items() if flag == "counted"]
    print(f"  pictures of other things: {len(said) - len(counted)} of {len(said)} {counted or ''}")
    large = replace(random_slide(np.random.default_rng(first)), size_px=(4000, 3000))
    large = replace(large, px_per_um=2 * large.px_per_um)
    print(f"\n12 MP: {scored(large).seconds:.1f} s")


if __name__ == "__main__":
    asked = [int(a) for a in sys.argv[1:]]
    main(*(asked + [60, 20_000][len(asked) :]))

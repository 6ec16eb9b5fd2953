"""Demo photos of a counting chamber through a microscope's eyepiece, with every cell known."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterator

Array = NDArray[np.float64]

__all__ = [
    "RULED",
    "SLIDE_CELLS",
    "CellLook",
    "SlideScene",
    "SlideTruth",
    "SquareTruth",
    "random_slide",
    "render_slide",
    "write_slide",
]

#: Light is drawn in red, green and blue only: a slide is judged by shapes, not by colours.
_RGB = 3

# All looks, shares and ranges in this file are invented, but for the rulings' geometry, which is
# published with the chambers (where double lines and strips lie: from memory).

#: A line as engraved: standard deviation of its groove [um].
_GROOVE_UM = 0.75


@dataclass(frozen=True)
class CellLook:
    """How one species' cells look in bright field. Invented around the species' sizes.

    Parameters
    ----------
    id : str
        Species id.
    diameter_um : tuple of float
        Smallest and largest mean diameter of a culture [um].
    spread : float
        Coefficient of variation of the diameter within a culture.
    stretch : float
        Largest ratio of length to width, >= 1.
    depth : tuple of float, length 3
        Optical depth through the middle of a cell of 6 um in red, green and blue.
    """

    id: str
    diameter_um: tuple[float, float]
    spread: float
    stretch: float
    depth: tuple[float, float, float]


#: Looks by species; sizes as in the species' tables (from memory there).
SLIDE_CELLS: dict[str, CellLook] = {
    look.id: look
    for look in (
        CellLook("nannochloropsis", (2.0, 4.0), 0.10, 1.10, (0.62, 0.30, 0.60)),
        CellLook("chlorella", (3.0, 8.0), 0.16, 1.05, (0.66, 0.26, 0.70)),
        CellLook("isochrysis", (4.0, 7.0), 0.11, 1.20, (0.34, 0.46, 0.85)),
        CellLook("rhodomonas", (6.0, 12.0), 0.12, 1.35, (0.26, 0.62, 0.46)),
        CellLook("tetraselmis", (9.0, 14.0), 0.10, 1.35, (0.50, 0.20, 0.55)),
        CellLook("dunaliella", (7.0, 11.0), 0.12, 1.25, (0.46, 0.20, 0.55)),
    )
}


@dataclass(frozen=True)
class _Lines:
    """Lines along one axis of a ruling that run over one stretch of the other [um]."""

    at: tuple[float, ...]
    start: float
    stop: float


@dataclass(frozen=True)
class _Ruling:
    """A ruling in its own frame: u to the right, v down [um].

    `across` are the lines of constant u, `down` those of constant v; `squares` gives (u0, v0, u1,
    v1) of every square to be counted.
    """

    across: tuple[_Lines, ...]
    down: tuple[_Lines, ...]
    squares: tuple[tuple[float, float, float, float], ...]
    size: tuple[float, float]


def _every(step: float, start: float, stop: float) -> list[float]:
    return [start + step * k for k in range(round((stop - start) / step) + 1)]


def _triple(at: float, gap: float) -> list[float]:
    return [at - gap, at, at + gap]


def _tiles(
    us: list[float], vs: list[float], width: float, height: float
) -> tuple[tuple[float, float, float, float], ...]:
    return tuple((u, v, u + width, v + height) for v in vs for u in us)


def _improved_neubauer(gap: float, *, corner: bool) -> _Ruling:
    # Nine squares of 1 mm; the middle one in 25 of 0.2 mm between triple lines, each in 16 of
    # 0.05 mm; those at the corners in 16 of 0.25 mm.
    outer = _every(250, 0, 1000) + _every(250, 2000, 3000)
    centre = _every(200, 1000, 2000)
    fine = [at for at in _every(50, 1000, 2000) if round(at) % 200]
    sides = [at + s for at in centre for s in (-gap, gap)]
    lines = (
        _Lines(tuple(outer), 0, 3000),
        _Lines(tuple(centre[1:-1]), 0, 3000),
        _Lines(tuple(sides), 1000 - gap, 2000 + gap),
        _Lines(tuple(fine), 1000, 2000),
    )
    starts = [0.0, 250.0, 500.0, 750.0, 2000.0, 2250.0, 2500.0, 2750.0]
    squares = (
        _tiles(starts, starts, 250, 250) if corner else _tiles(centre[:-1], centre[:-1], 200, 200)
    )
    return _Ruling(lines, lines, squares, (3000, 3000))


def _thoma(gap: float) -> _Ruling:
    # 20 x 20 small squares of 0.05 mm, every fifth row and column halved: groups of 0.2 mm.
    at = sorted({*_every(50, 0, 1000), *_every(250, 225, 975)})
    lines = (_Lines(tuple(at), 0, 1000),)
    starts = _every(250, 0, 750)
    return _Ruling(lines, lines, _tiles(starts, starts, 200, 200), (1000, 1000))


def _buerker(gap: float) -> _Ruling:
    # Squares of 0.2 mm parted by double lines 0.05 mm apart; a middle line every millimetre.
    at = [a + s for a in _every(250, 0, 3000) for s in (-25, 25)] + _every(1000, 0, 3000)
    lines = (_Lines(tuple(sorted(at)), -25, 3025),)
    starts = _every(250, 25, 2775)
    return _Ruling(lines, lines, _tiles(starts, starts, 200, 200), (3000, 3000))


def _fuchs_rosenthal(gap: float) -> _Ruling:
    # 16 squares of 1 mm between triple lines, each in 16 of 0.25 mm.
    at = [a for a in _every(250, 0, 4000) if round(a) % 1000]
    at += [x for a in _every(1000, 0, 4000) for x in _triple(a, gap)]
    lines = (_Lines(tuple(sorted(at)), -gap, 4000 + gap),)
    starts = _every(250, 0, 3750)
    return _Ruling(lines, lines, _tiles(starts, starts, 250, 250), (4000, 4000))


def _malassez(gap: float) -> _Ruling:
    # 100 rectangles of 0.25 x 0.20 mm.
    across, down = _every(250, 0, 2500), _every(200, 0, 2000)
    return _Ruling(
        (_Lines(tuple(across), 0, 2000),),
        (_Lines(tuple(down), 0, 2500),),
        _tiles(across[:-1], down[:-1], 250, 200),
        (2500, 2000),
    )


def _sedgewick_rafter(gap: float) -> _Ruling:
    at = _every(1000, 0, 20000)
    lines = (_Lines(tuple(at), 0, 20000),)
    return _Ruling(lines, lines, _tiles(at[:-1], at[:-1], 1000, 1000), (20000, 20000))


#: Rulings that can be drawn, by "chamber/squares".
RULED: dict[str, Callable[[float], _Ruling]] = {
    "improved-neubauer/group": lambda gap: _improved_neubauer(gap, corner=False),
    "improved-neubauer/sixteenth": lambda gap: _improved_neubauer(gap, corner=True),
    "thoma/group": _thoma,
    "buerker/group": _buerker,
    "fuchs-rosenthal/group": _fuchs_rosenthal,
    "malassez/rectangle": _malassez,
    "sedgewick-rafter/square": _sedgewick_rafter,
}


@dataclass(frozen=True)
class SlideScene:
    """One photo through the eyepiece.

    Parameters
    ----------
    seed : int
        Where the cells, the dirt and the noise come from.
    ruling : str
        Key of `RULED`.
    centre_um : tuple of float
        Point of the ruling in the middle of the picture [um].
    px_per_um : float
        Magnification [px/um].
    size_px : tuple of int
        Width and height [px].
    rotation_deg : float
        The ruling's turn in the picture, clockwise [deg].
    species : str
        Key of `SLIDE_CELLS`.
    diameter_um : float
        Mean cell diameter [um].
    cells_per_square : float
        Mean number of cells over one square.
    touching : float
        Share of the cells that lie against another one, 0 to 1.
    debris_per_mm2 : float
        Dirt, of all kinds together [1/mm2].
    focus : float
        Where the objective stands against the cells: 0 in focus, +1 bright middles, -1 dark.
    blur_um : float
        Blur of the whole picture, standard deviation [um].
    motion_px, motion_deg : float
        Length [px] and direction [deg] of a movement during the exposure.
    line_contrast : float
        Light lost (positive) or gained (negative, bright lines) in a line, share of the ground.
    triple_gap_um : float
        Between the lines of a triple line [um].
    vignette : float
        Light lost at the picture's corner, share.
    tilt : float
        Light lost from one side to the other, share.
    field : float
        Radius of the eyepiece's round field over half the picture's diagonal; above 1 unseen.
    chromatic : float
        Red seen larger than blue, share of the distance from the middle.
    barrel : float
        Lens distortion at the corner, share of the distance from the middle.
    lamp : tuple of float
        Red, green and blue of the empty field, linear, 0 to 1.
    noise : float
        Standard deviation in the ground, share.
    jpeg_quality : int
        For `write_slide`.
    """

    seed: int = 1
    ruling: str = "improved-neubauer/group"
    centre_um: tuple[float, float] = (1500.0, 1500.0)
    px_per_um: float = 2.5
    size_px: tuple[int, int] = (2000, 1500)
    rotation_deg: float = 4.0
    species: str = "isochrysis"
    diameter_um: float = 5.0
    cells_per_square: float = 30.0
    touching: float = 0.06
    debris_per_mm2: float = 30.0
    focus: float = 0.0
    blur_um: float = 0.35
    motion_px: float = 0.0
    motion_deg: float = 0.0
    line_contrast: float = 0.35
    triple_gap_um: float = 8.0
    vignette: float = 0.3
    tilt: float = 0.08
    field: float = 1.3
    chromatic: float = 0.0008
    barrel: float = 0.006
    lamp: tuple[float, float, float] = (0.66, 0.62, 0.55)
    noise: float = 0.02
    jpeg_quality: int = 90


@dataclass(frozen=True)
class SquareTruth:
    """One square that lies wholly in the picture.

    Parameters
    ----------
    corners_px : ndarray of float, shape (4, 2)
        Top left, top right, bottom right, bottom left as the picture shows it (x, y) [px].
    cells : int
        Cells in it by the two-edge rule.
    on_lines : int
        Those of them that touch its top or its left line.
    """

    corners_px: Array
    cells: int
    on_lines: int


@dataclass(frozen=True)
class SlideTruth:
    """What is known of a drawn slide.

    Parameters
    ----------
    cells_px : ndarray of float, shape (n, 2)
        Middle of every cell in the picture [px].
    radii_px : ndarray of float, shape (n,)
        Mean radius of each [px].
    squares : tuple of SquareTruth
        Squares wholly inside the picture and its round field.
    square_area_mm2 : float
        Area of one of them [mm2].
    """

    cells_px: Array
    radii_px: Array
    squares: tuple[SquareTruth, ...]
    square_area_mm2: float


class _Lens:
    """From the ruling's micrometres to pixels and back."""

    def __init__(self, scene: SlideScene) -> None:
        turn = math.radians(scene.rotation_deg)
        self.spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
        self.scale = scene.px_per_um
        self.centre = np.array(scene.centre_um)
        self.middle = (np.array(scene.size_px) - 1) / 2
        self.reach = float(np.hypot(*self.middle))
        self.barrel = scene.barrel

    def to_px(self, um: Array) -> Array:
        straight: Array = (um - self.centre) @ self.spin.T * self.scale
        r2 = (straight**2).sum(axis=-1, keepdims=True) / self.reach**2
        bent: Array = straight * (1 - self.barrel * r2) + self.middle
        return bent

    def to_um(self, px: Array) -> Array:
        bent = px - self.middle
        straight: Array = bent.copy()
        for _ in range(4):
            r2 = (straight**2).sum(axis=-1, keepdims=True) / self.reach**2
            straight = bent / (1 - self.barrel * r2)
        um: Array = straight / self.scale @ self.spin + self.centre
        return um


def render_slide(scene: SlideScene) -> tuple[NDArray[np.uint8], SlideTruth]:
    """Draw a slide photo.

    Parameters
    ----------
    scene : SlideScene
        What to draw.

    Returns
    -------
    rgb : ndarray of uint8, shape (H, W, 3)
        sRGB codes.
    truth : SlideTruth
        Every cell and the squares' counts.
    """
    import cv2

    rng = np.random.default_rng(scene.seed)
    ruling = RULED[scene.ruling](scene.triple_gap_um)
    lens = _Lens(scene)
    width, height = scene.size_px
    grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).astype(float)
    light = np.ones((height, width, _RGB), np.float32)
    light *= _drawn_lines(scene, ruling, lens.to_um(grid), rng)[..., None]

    cells, radii = _placed_cells(scene, ruling, lens, rng)
    _draw_debris(light, scene, lens, rng)
    seen = _draw_cells(light, scene, lens, cells, radii, rng)

    light = _blurred(light, scene)
    light *= _illumination(scene, grid, rng)
    light += rng.normal(0.0, 1.0, light.shape).astype(np.float32) * (
        scene.noise * np.sqrt(np.clip(light, 0.02, None))
    )
    light = np.clip(light, 0.0, 1.0)
    # IEC 61966-2-1, the inverse transfer function.
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    rgb = np.clip(np.rint(255 * codes), 0, 255).astype(np.uint8)
    # The camera sharpens a little, as phones do.
    soft = cv2.GaussianBlur(rgb, (0, 0), 1.2)
    rgb = cv2.addWeighted(rgb, 1.35, soft, -0.35, 0)
    squares, area = _counted(scene, ruling, lens, cells, radii)
    return rgb, SlideTruth(lens.to_px(cells)[seen], radii[seen] * lens.scale, squares, area)


def _drawn_lines(
    scene: SlideScene, ruling: _Ruling, um: Array, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Return the light through the ruling, 1 on bare glass, shape (H, W)."""
    import cv2

    width, height = scene.size_px
    sigma = max(_GROOVE_UM, 0.45 / scene.px_per_um)
    # A groove is cut unevenly: its strength wanders along the line.
    rough = rng.normal(1.0, 0.5, (height // 12 + 2, width // 12 + 2)).astype(np.float32)
    smooth = cv2.resize(cv2.GaussianBlur(rough, (0, 0), 1.5), (width, height))
    dark = np.zeros((height, width), np.float32)
    for axis, families in ((0, ruling.across), (1, ruling.down)):
        u, v = um[..., axis], um[..., 1 - axis]
        step = 0.1
        for lines in families:
            at = np.array(lines.at)
            knots = np.arange(at.min() - 40, at.max() + 40, step)
            nearest = np.abs(knots[:, None] - at[None, :]).min(axis=1)
            core = np.exp(-0.5 * (nearest / sigma) ** 2)
            # Out of focus a groove is fringed: dark with bright sides, or the other way round.
            fringe = 0.25 * np.exp(-0.5 * ((nearest - 2.6 * sigma) / sigma) ** 2)
            along = np.interp(u, knots, core - fringe, left=0.0, right=0.0)
            inside = (v >= lines.start - 1) & (v <= lines.stop + 1)
            dark += (along * inside).astype(np.float32)
    return 1 - scene.line_contrast * np.clip(dark, -0.5, 1.0) * smooth


def _placed_cells(
    scene: SlideScene, ruling: _Ruling, lens: _Lens, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Return the cells' middles [um], shape (n, 2), and mean radii [um]; they lie side by side.

    Cells sink to the bottom and roll off each other, so that no two middles come closer than
    0.92 of their radii together; otherwise they lie at random, but for those that cling.
    """
    look = SLIDE_CELLS[scene.species]
    width, height = scene.size_px
    corners = lens.to_um(np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float))
    low, high = corners.min(axis=0) - 30, corners.max(axis=0) + 30
    square = ruling.squares[0]
    density = scene.cells_per_square / ((square[2] - square[0]) * (square[3] - square[1]))
    n = rng.poisson(density * float(np.prod(high - low)))
    radii = scene.diameter_um / 2 * np.exp(rng.normal(0, look.spread, n))
    pitch = 2.5 * scene.diameter_um
    bins: dict[tuple[int, int], list[int]] = {}
    cells = np.empty((n, 2))
    placed = 0

    def near(at: Array) -> Iterator[int]:
        i, j = (int(c) for c in at // pitch)
        for di in (-1, 0, 1):
            for dj in (-1, 0, 1):
                yield from bins.get((i + di, j + dj), ())

    for k in range(n):
        clings = placed > 0 and rng.random() < scene.touching
        for _ in range(30):
            if clings:
                host = int(rng.integers(placed))
                angle = rng.uniform(0, 2 * math.pi)
                reach = (radii[host] + radii[k]) * rng.uniform(0.94, 1.05)
                at = cells[host] + reach * np.array([math.cos(angle), math.sin(angle)])
            else:
                at = rng.uniform(low, high)
            if all(math.hypot(*(at - cells[m])) >= 0.92 * (radii[m] + radii[k]) for m in near(at)):
                cells[placed] = at
                radii[placed] = radii[k]
                i, j = (int(c) for c in at // pitch)
                bins.setdefault((i, j), []).append(placed)
                placed += 1
                break
    return cells[:placed], radii[:placed]


def _patch(
    light: NDArray[np.float32], at: Array, reach: float
) -> tuple[NDArray[np.float32], Array, Array] | None:
    """Return the part of the picture round a point and its offsets from the point [px]."""
    height, width = light.shape[:2]
    x0, y0 = (max(0, math.floor(c - reach)) for c in at)
    x1, y1 = min(width, math.ceil(at[0] + reach) + 1), min(height, math.ceil(at[1] + reach) + 1)
    if x1 <= x0 or y1 <= y0:
        return None
    x, y = np.meshgrid(np.arange(x0, x1) - at[0], np.arange(y0, y1) - at[1])
    return light[y0:y1, x0:x1], x, y


def _draw_cells(
    light: NDArray[np.float32],
    scene: SlideScene,
    lens: _Lens,
    cells: Array,
    radii: Array,
    rng: np.random.Generator,
) -> NDArray[np.bool_]:
    """Draw every cell and return which have their middle inside the picture."""
    look = SLIDE_CELLS[scene.species]
    width, height = scene.size_px
    at_px = lens.to_px(cells)
    depth = np.array(look.depth)
    for (x, y), radius in zip(at_px, radii, strict=True):
        stretch = rng.uniform(1.0, look.stretch)
        angle, pigment = rng.uniform(0, math.pi), rng.uniform(0.8, 1.2)
        focus = scene.focus + rng.normal(0, 0.12)
        lean = rng.uniform(-0.35, 0.35, 2)
        r = radius * lens.scale
        part = _patch(light, np.array([x, y]), 2.2 * r + 4)
        if part is None:
            continue
        view, dx, dy = part
        along = (dx * math.cos(angle) + dy * math.sin(angle)) / math.sqrt(stretch)
        side = (-dx * math.sin(angle) + dy * math.cos(angle)) * math.sqrt(stretch)
        rho = np.hypot(along, side) / r
        # Thickness of a ball, softened by half a pixel at its edge.
        soft = 0.6 / r
        inside = 1 / (1 + np.exp(np.clip((rho - 1) / (0.35 * soft), -40, 40)))
        thick = np.sqrt(np.clip(1 - rho**2, 0.06, None)) * inside
        # The pigment lies to one side of the cell, as a cup does.
        thick = thick * (1 + lean[0] * along / r + lean[1] * side / r)
        size = (2 * radius / 6) ** 0.6
        body = np.exp(-pigment * size * depth[None, None, :] * thick[..., None])
        # The edge bends light away: a dark ring, a bright one outside it.
        ring = max(0.45 / radius, 0.5 * soft, 0.09)
        edge = np.exp(-0.5 * ((rho - 0.97) / ring) ** 2)
        halo = np.exp(-0.5 * ((rho - 1 - 2.3 * ring) / (1.1 * ring)) ** 2)
        middle = np.exp(-0.5 * (rho / 0.45) ** 2)
        phase = 1 - (0.42 - 0.12 * focus) * edge + (0.12 + 0.08 * focus) * halo
        phase = phase * (1 + 0.30 * focus * middle)
        view *= (body * phase[..., None]).astype(np.float32)
    inside_x = (at_px[:, 0] >= 0) & (at_px[:, 0] <= width - 1)
    return inside_x & (at_px[:, 1] >= 0) & (at_px[:, 1] <= height - 1)


def _draw_debris(
    light: NDArray[np.float32], scene: SlideScene, lens: _Lens, rng: np.random.Generator
) -> None:
    """Draw dirt: bacteria, flakes, fibres and air bubbles; none of a cell's size and shape."""
    width, height = scene.size_px
    area_mm2 = width * height / lens.scale**2 / 1e6
    cell = scene.diameter_um
    for _ in range(rng.poisson(scene.debris_per_mm2 * area_mm2)):
        at = rng.uniform((0, 0), (width, height))
        kind = rng.choice(["speck", "flake", "fibre", "bubble"], p=[0.62, 0.24, 0.10, 0.04])
        angle = rng.uniform(0, math.pi)
        if kind == "speck":  # bacteria, dust
            long, short, dark = rng.uniform(0.15, 0.4) * cell, rng.uniform(0.15, 0.3) * cell, 0.3
        elif kind == "flake":
            long, short, dark = rng.uniform(1.0, 2.5) * cell, rng.uniform(0.8, 1.4) * cell, 0.30
        elif kind == "fibre":
            long, short, dark = rng.uniform(8, 25) * cell, rng.uniform(0.12, 0.3) * cell, 0.4
        else:
            long = short = rng.uniform(2.0, 5.0) * cell
            dark = 0.75
        long, short = long * lens.scale, max(short * lens.scale, 0.6)
        part = _patch(light, at, 1.5 * max(long, short) + 3)
        if part is None:
            continue
        view, dx, dy = part
        if kind == "fibre":  # it bends
            dx, dy = dx + 0.15 * dy**2 / long, dy
        along = dx * math.cos(angle) + dy * math.sin(angle)
        side = -dx * math.sin(angle) + dy * math.cos(angle)
        rho = np.hypot(along / long, side / short)
        if kind == "bubble":
            shape = np.exp(-0.5 * ((rho - 0.9) / 0.13) ** 2)
        else:
            ragged = sum(
                rng.uniform(-0.2, 0.2) * np.cos(k * np.arctan2(side, along) + rng.uniform(0, 6))
                for k in (2, 3, 5)
            )
            shape = 1 / (1 + np.exp(np.clip((rho - 1 - ragged) * 5, -40, 40)))
            if kind == "flake":
                shape = shape * (0.75 + 0.35 * np.sin(along / (0.3 * long) + rng.uniform(0, 6)))
        brown = np.array([0.75, 0.95, 1.1]) * dark * rng.uniform(0.7, 1.2)
        view *= np.clip(1 - brown * shape[..., None], 0.03, None).astype(np.float32)


def _blurred(light: NDArray[np.float32], scene: SlideScene) -> NDArray[np.float32]:
    """Blur by lens and movement; the lens draws red a little larger than blue."""
    import cv2

    width, height = scene.size_px
    blurred = cv2.GaussianBlur(light, (0, 0), max(scene.blur_um * scene.px_per_um, 0.4))
    if scene.motion_px > 0:
        size = 2 * math.ceil(scene.motion_px / 2) + 3
        kernel = np.zeros((size, size), np.float32)
        turn = math.radians(scene.motion_deg)
        half = scene.motion_px / 2 * np.array([math.cos(turn), math.sin(turn)])
        for t in np.linspace(-1, 1, 8 * size):
            x, y = half * t + size // 2
            kernel[round(y), round(x)] += 1
        blurred = cv2.filter2D(blurred, -1, kernel / kernel.sum())
    channels = []
    for channel, share in zip(cv2.split(blurred), (1.0, 0.0, -1.0), strict=True):
        zoom = 1 + share * scene.chromatic
        shift = np.array(
            [[zoom, 0, (1 - zoom) * width / 2], [0, zoom, (1 - zoom) * height / 2]], np.float32
        )
        channels.append(
            channel
            if zoom == 1
            else cv2.warpAffine(channel, shift, (width, height), borderMode=cv2.BORDER_REPLICATE)
        )
    return np.asarray(cv2.merge(channels), np.float32)


def _illumination(scene: SlideScene, grid: Array, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return lamp, vignetting, tilt and the eyepiece's round field, shape (H, W, 3)."""
    middle = (np.array(scene.size_px) - 1) / 2
    at = (grid - middle) / float(np.hypot(*middle))
    angle = rng.uniform(0, 2 * math.pi)
    off = rng.uniform(-0.08, 0.08, 2)
    r = np.hypot(at[..., 0] - off[0], at[..., 1] - off[1])
    slope = at[..., 0] * math.cos(angle) + at[..., 1] * math.sin(angle)
    level = (1 - scene.vignette * r**2) * (1 - scene.tilt * slope / 2)
    rim = 1 / (1 + np.exp(np.clip((r - scene.field) / 0.008, -40, 40)))
    light: Array = (0.012 + level * rim)[..., None] * np.array(scene.lamp)
    return light.astype(np.float32)


def _counted(
    scene: SlideScene, ruling: _Ruling, lens: _Lens, cells: Array, radii: Array
) -> tuple[tuple[SquareTruth, ...], float]:
    """Count each square in sight by the two-edge rule, as a person would with a pencil.

    Top and left are those of the picture: the ruling is looked at after as many quarter turns as
    bring it nearest to upright.
    """
    width, height = scene.size_px
    turns = round(scene.rotation_deg / 90)
    quarter = np.array([[0.0, -1.0], [1.0, 0.0]])  # a quarter turn clockwise, v pointing down
    turn = np.linalg.matrix_power(quarter, turns % 4)
    upright = cells @ turn.T
    middle = (np.array(scene.size_px) - 1) / 2
    found = []
    area = 0.0
    for u0, v0, u1, v1 in ruling.squares:
        ends = np.array([[u0, v0], [u1, v1]]) @ turn.T
        (left, top), (right, bottom) = ends.min(axis=0), ends.max(axis=0)
        frame = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
        corners = lens.to_px(frame @ turn)
        area = (u1 - u0) * (v1 - v0) / 1e6
        if (corners < 0).any() or (corners > np.array([width - 1, height - 1])).any():
            continue
        if (np.hypot(*(corners - middle).T) > 0.985 * scene.field * lens.reach).any():
            continue
        reach = radii + _GROOVE_UM
        x, y = upright.T
        on_left = (np.abs(x - left) <= reach) & (y > top - reach) & (y < bottom + reach)
        on_right = (np.abs(x - right) <= reach) & (y > top - reach) & (y < bottom + reach)
        on_top = (np.abs(y - top) <= reach) & (x > left - reach) & (x < right + reach)
        on_bottom = (np.abs(y - bottom) <= reach) & (x > left - reach) & (x < right + reach)
        within = (x > left) & (x < right) & (y > top) & (y < bottom)
        counted = (within | on_left | on_top) & ~on_right & ~on_bottom
        found.append(
            SquareTruth(corners, int(counted.sum()), int((counted & (on_left | on_top)).sum()))
        )
    return tuple(found), area


def random_slide(rng: np.random.Generator, **fixed: Any) -> SlideScene:
    """Draw a slide that a keeper might photograph, in focus and with 10 to 60 cells a square.

    Parameters
    ----------
    rng : numpy.random.Generator
        Where the choices come from.
    **fixed : Any
        Fields of `SlideScene` that are given and not drawn.

    Returns
    -------
    SlideScene
        At 5 or more pixels a cell's diameter, showing at least one whole square.
    """
    ruling = str(
        fixed.get("ruling")
        or rng.choice(
            [k for k in RULED if k != "sedgewick-rafter/square"],
            p=[0.4, 0.2, 0.1, 0.1, 0.1, 0.1],
        )
    )
    size = fixed.get("size_px", (2000, 1500))
    plan = RULED[ruling](8.0)
    species = str(fixed.get("species") or rng.choice(list(SLIDE_CELLS)))
    look = SLIDE_CELLS[species]
    diameter = float(fixed.get("diameter_um") or rng.uniform(*look.diameter_um))
    squares = np.array(plan.squares)
    side = float(squares[0, 2] - squares[0, 0])
    # From one square across the picture's height to as many as keep 5 pixels a cell.
    closest, farthest = 0.62 * size[1] / side, max(5.5 / diameter, 0.28 * size[1] / side)
    scale = float(np.exp(rng.uniform(math.log(min(farthest, closest)), math.log(closest))))
    middle = squares[rng.integers(len(squares))].reshape(2, 2).mean(axis=0)
    draw = SlideScene(
        seed=int(rng.integers(2**31)),
        ruling=ruling,
        centre_um=(float(middle[0] + rng.normal(0, 8)), float(middle[1] + rng.normal(0, 8))),
        px_per_um=scale,
        size_px=size,
        rotation_deg=float(rng.uniform(-40, 40) + 90 * rng.integers(4)),
        species=species,
        diameter_um=diameter,
        cells_per_square=float(np.exp(rng.uniform(math.log(10), math.log(60)))),
        touching=float(rng.uniform(0.0, 0.10)),
        debris_per_mm2=float(rng.uniform(0.0, 1.0)) * 6.0 / (side / 1e3) ** 2,
        focus=float(rng.uniform(-0.6, 0.6)),
        blur_um=float(rng.uniform(0.25, 0.12 * diameter + 0.25)),
        line_contrast=float(rng.choice([-1, 1], p=[0.25, 0.75]) * rng.uniform(0.2, 0.5)),
        triple_gap_um=float(rng.uniform(6.0, 11.0)),
        vignette=float(rng.uniform(0.05, 0.5)),
        tilt=float(rng.uniform(0, 0.2)),
        field=float(rng.choice([0.8, 1.3], p=[0.35, 0.65])),
        chromatic=float(rng.uniform(-0.0015, 0.0015)),
        barrel=float(rng.uniform(-0.008, 0.012)),
        lamp=tuple(
            rng.uniform(0.45, 0.75) * np.array([1, rng.uniform(0.9, 1), rng.uniform(0.7, 1)])
        ),
        noise=float(rng.uniform(0.005, 0.03)),
        jpeg_quality=int(rng.integers(80, 96)),
    )
    return replace(draw, **fixed)


def write_slide(scene: SlideScene, path: str | Path) -> SlideTruth:
    """Draw a slide and write it as JPEG, marked simulated.

    Parameters
    ----------
    scene : SlideScene
        What to draw.
    path : str or Path
        File to write.

    Returns
    -------
    SlideTruth
        What is known of it.

    Raises
    ------
    OSError
        When the file cannot be written.
    """
    from PIL import Image

    rgb, truth = render_slide(scene)
    exif = Image.Exif()
    exif[0x010E] = exif[0x010F] = "simulated slide photo, densitycam demo"
    exif[0x0131] = "densitycam.simulate"
    Image.fromarray(rgb).save(
        path, "JPEG", quality=scene.jpeg_quality, subsampling="4:2:0", exif=exif.tobytes()
    )
    return truth

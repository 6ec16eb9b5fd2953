"""A soft bag that hangs from a bar: two films welded at the sides, thickest in the middle.

Its cross-section is a lens of two circular arcs. The fluid's weight makes it fuller low down, the
weld at its foot closes it, and above the fluid the films fall together. World as in `vessels`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from densitycam.simulate.cells import SEAWATER_INDEX
from densitycam.simulate.vessels import (
    Array,
    Rays,
    Vessel,
    _fresnel_pass,
    _refract,
    _surface_and_floor,
)

#: How much thicker the bag is at its foot than at the fluid's surface, against the middle.
_PEAR = 0.10
_FOOT_MM = 28.0  # height over which the weld at the foot lets it open
_FALL_MM = 18.0  # height over which the films fall together above the fluid
_WELD_MM = 4.0  # breadth of the side welds, within the bag's width

#: Bags by name: width when filled so that the film's length round it is about that of a tube
#: that lies 110 to 140 mm wide (invented).
BAGS: dict[str, Vessel] = {
    v.name: v
    for v in (
        Vessel("bag-40", "bag", 40.0, 100.0, 176.0, 0.15, 150.0, 100.0, 0.40),
        Vessel("bag-60", "bag", 60.0, 110.0, 176.0, 0.15, 150.0, 110.0, 0.46),
        Vessel("bag-80", "bag", 80.0, 95.0, 176.0, 0.15, 150.0, 95.0, 0.50),
    )
}


def _half_thickness(vessel: Vessel, x: Array, y: Array, level_mm: float) -> Array:
    """Return half of the distance between the films at places across and up the bag [mm]."""
    half, sagitta = vessel.width_mm / 2.0 - _WELD_MM, vessel.path_mm / 2.0
    radius = (half * half + sagitta * sagitta) / (2.0 * sagitta)
    inner = np.minimum(np.abs(x), half)
    arc = np.sqrt(radius * radius - inner * inner) - (radius - sagitta)
    foot = np.clip(y / _FOOT_MM, 0.0, 1.0)
    opened = np.sqrt(np.maximum(1.0 - (1.0 - foot) ** 2, 0.0))
    pear = 1.0 + _PEAR * (0.5 - np.clip(y / level_mm, 0.0, 1.0))
    fallen = np.clip((y - level_mm) / _FALL_MM, 0.0, 1.0)
    closing = 1.0 - 0.9 * fallen * fallen * (3.0 - 2.0 * fallen)
    thickness: Array = arc * opened * pear * closing
    return thickness


def _meet(
    vessel: Vessel, p: Array, d: Array, *, x_mm: float, middle_mm: float, level_mm: float, side: int
) -> tuple[Array, Array]:
    """Return where lines meet the front (+1) or back (-1) film, and its normal against them."""

    def away(q: Array) -> Array:
        film = _half_thickness(vessel, q[:, 0] - x_mm, q[:, 1], level_mm)
        return q[:, 2] - middle_mm - side * film

    t = (middle_mm + side * vessel.path_mm / 2.0 - p[:, 2]) / d[:, 2]
    step = 0.05
    for _ in range(7):  # Newton, by differences along the line
        q = p + t[:, None] * d
        gap = away(q)
        slope = (away(q + step * d) - gap) / step
        t = t - np.clip(gap / np.where(np.abs(slope) < 0.2, -0.2, slope), -10.0, 10.0)
    met = p + t[:, None] * d
    shift = np.zeros_like(met)
    normal = np.ones_like(met)
    for axis in (0, 1):
        shift[:] = 0.0
        shift[:, axis] = step
        normal[:, axis] = (away(met + shift) - away(met - shift)) / (2.0 * step)
    return met, normal / np.sqrt(np.sum(normal * normal, axis=1, keepdims=True))


def trace_bag(
    vessel: Vessel,
    *,
    camera: Array,
    direction: Array,
    x_mm: float,
    back_mm: float,
    level_mm: float,
) -> Rays:
    """Follow lines of sight through a bag by Snell's law at each film.

    The films are too thin to bend light themselves. Lines that the back film throws back are
    treated as grazing it; in the welds there is film alone.

    Parameters
    ----------
    vessel, camera, direction, x_mm, back_mm, level_mm
        As in `trace_cylinder`.

    Returns
    -------
    Rays
        One entry a line.
    """
    d0 = direction.astype(np.float64)
    start = np.broadcast_to(camera.astype(np.float64), d0.shape)
    place = {
        "x_mm": x_mm, "middle_mm": back_mm + vessel.depth_mm / 2.0, "level_mm": level_mm,
    }  # fmt: skip
    p1, n1 = _meet(vessel, start, d0, side=1, **place)
    glass = _fresnel_pass(-np.sum(n1 * d0, axis=1)) ** 2
    across = p1[:, 0] - x_mm
    welded = np.abs(across) > vessel.width_mm / 2.0 - _WELD_MM
    wet = ~welded & (p1[:, 1] < level_mm) & (p1[:, 1] > 0.0)
    glass = np.where(wet, glass, glass * 0.93)
    # Lines that graze the foot and never meet a film pass under the bag.
    film = _half_thickness(vessel, across, p1[:, 1], level_mm)
    missed = np.abs(p1[:, 2] - place["middle_mm"] - film) > 0.2
    index = np.where(wet, SEAWATER_INDEX, 1.0)
    d1, _ = _refract(d0, n1, 1.0 / index)
    p2, n2 = _meet(vessel, p1, d1, side=-1, **place)
    p2 = np.where((np.sum((p2 - p1) * d1, axis=1) > 0.0)[:, None], p2, p1)
    d2, _ = _refract(d1, n2, index)
    path, height, point, out, surface = _surface_and_floor(p1, d1, p2, d2, wet, level_mm)
    p1[missed, 1] = np.minimum(p1[missed, 1], -5.0)
    kind = direction.dtype
    return Rays(
        path_mm=path.astype(kind),
        height_mm=height.astype(kind),
        point=point.astype(kind),
        direction=out.astype(kind),
        glass=glass.astype(kind),
        facing=(across / vessel.half_width_mm).astype(kind),
        entry=p1.astype(kind),
        seam=np.where(welded, 0.3, 0.0).astype(kind),
        surface=surface.astype(kind),
    )


def with_wrinkles(
    vessel: Vessel, rays: Rays, shape: tuple[int, int], *, seed: int, x_mm: float
) -> NDArray[np.float32]:
    """Return the factor by which folds of the film change the light.

    Parameters
    ----------
    vessel : Vessel
        The bag.
    rays : Rays
        The lines of sight of a picture's part.
    shape : tuple of int
        Its rows and columns.
    seed : int
        The shot's.
    x_mm : float
        Place of the bag's middle [mm].

    Returns
    -------
    ndarray of float32, shape (n,)
        About 0.7 to 1.1, dimensionless; 1 beside the folds.
    """
    import cv2

    factor = np.ones(shape, dtype=np.float32)
    rng = np.random.default_rng([seed, 29])
    rows, columns = shape
    x = rays.entry[:, 0].reshape(shape)[rows // 2] - x_mm
    y = rays.entry[:, 1].reshape(shape)[:, columns // 2]
    px_per_mm = abs((columns - 1) / (x[-1] - x[0] + 1e-6))

    def pixel(across: float, up: float) -> tuple[int, int]:
        return int(np.argmin(np.abs(x - across))), int(np.argmin(np.abs(y - up)))

    half = vessel.width_mm / 2.0
    for n in range(int(rng.integers(9, 16))):
        if n % 3:  # drawn down from the bar
            across, up = rng.uniform(-0.95, 0.95) * half, rng.uniform(40.0, 170.0)
            end = across + rng.normal(0.0, 3.0), up - rng.uniform(25.0, 90.0)
        else:  # fanned out from a corner, or a crease of the foot
            side, up = rng.choice([-1.0, 1.0]), float(rng.choice([170.0, 20.0]))
            across = 0.95 * side * half
            end = across - side * rng.uniform(15.0, 60.0), up + rng.uniform(-50.0, 50.0)
        thick = max(round(rng.uniform(0.4, 1.1) * px_per_mm), 1)
        strength = float(rng.uniform(0.72, 0.92))
        start, stop = pixel(across, up), pixel(end[0], max(end[1], 2.0))
        beside = (start[0] + thick, start[1]), (stop[0] + thick, stop[1])
        cv2.line(factor, start, stop, strength, thick, cv2.LINE_AA)
        cv2.line(factor, *beside, 1.0 + 0.4 * (1.0 - strength), thick, cv2.LINE_AA)
    return np.asarray(cv2.GaussianBlur(factor, (0, 0), 0.8), np.float32).ravel()

"""Vessels in three dimensions: where each line of sight enters, how far it runs in the fluid.

World: x to the right, y up from the shelf, z from the card towards the camera, all in mm; the
card stands in the plane z = 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from densitycam.simulate.cells import SEAWATER_INDEX

#: float32, or float64 where a bag's films ask for it.
Array = NDArray[np.floating[Any]]

#: Refractive index of bottle glass, about, in the visible (from memory).
GLASS_INDEX = 1.5
_FLOOR_MM = 3.5  # thickness of the vessel's floor


@dataclass(frozen=True)
class Vessel:
    """A vessel's form.

    Parameters
    ----------
    name : str
        Our own name.
    shape : {"cylinder", "flat", "bag"}
        Form of the fluid.
    path_mm : float
        A cylinder's inner diameter, a flat bottle's inner thickness, a bag's thickness in its
        middle [mm].
    width_mm : float
        Inner width across the line of sight [mm].
    body_mm : float
        Height of the straight part [mm].
    wall_mm : float
        Thickness of the glass [mm].
    fill_mm : float
        Height of the fluid when full [mm].
    neck_mm : float
        Outer diameter of neck and cap [mm].
    shaded_share : float
        Share of the light on the bars behind it that has crossed the culture, 0 to 1.
    """

    name: str
    shape: str
    path_mm: float
    width_mm: float
    body_mm: float
    wall_mm: float
    fill_mm: float
    neck_mm: float
    shaded_share: float

    @property
    def depth_mm(self) -> float:
        """Outer depth along the line of sight [mm]."""
        return self.path_mm + 2.0 * self.wall_mm

    @property
    def half_width_mm(self) -> float:
        """Half of the outer width [mm]."""
        return self.width_mm / 2.0 + self.wall_mm

    @property
    def volume_ml(self) -> float:
        """Culture held when full [mL]."""
        area = np.pi * self.path_mm**2 / 4.0
        if self.shape == "flat":
            area = self.path_mm * self.width_mm
        if self.shape == "bag":
            area = 0.68 * self.path_mm * self.width_mm  # a lens, between a parabola's 2/3 and more
        return float(area * (self.fill_mm - _FLOOR_MM) / 1000.0)


#: Vessels by name.
VESSELS: dict[str, Vessel] = {
    v.name: v
    for v in (
        Vessel("flat-20", "flat", 20.0, 80.0, 168.0, 1.6, 160.0, 34.0, 0.36),
        Vessel("flat-30", "flat", 30.0, 60.0, 160.0, 1.8, 140.0, 32.0, 0.36),
        Vessel("cylinder-40", "cylinder", 40.0, 40.0, 150.0, 1.5, 138.0, 24.0, 0.40),
        Vessel("cylinder-60", "cylinder", 60.0, 60.0, 165.0, 1.8, 145.0, 34.0, 0.46),
        Vessel("cylinder-100", "cylinder", 100.0, 100.0, 170.0, 2.2, 150.0, 48.0, 0.54),
    )
}


def as_vessel(vessel: str | Vessel) -> Vessel:
    """Return a vessel by its name, or as it is.

    Parameters
    ----------
    vessel : str or Vessel
        A vessel, or a key of `VESSELS`.

    Raises
    ------
    KeyError
        For a name that is none.
    """
    return VESSELS[vessel] if isinstance(vessel, str) else vessel


@dataclass(frozen=True, eq=False)
class Rays:
    """What becomes of lines of sight that meet a vessel's body; all arrays of shape (n,).

    Parameters
    ----------
    path_mm : ndarray of float
        Length inside the fluid [mm], 0 where only glass or air is crossed.
    height_mm : ndarray of float
        Mean height of that stretch [mm].
    point, direction : ndarray of float, shape (n, 3)
        Where the line leaves the vessel towards the card, and whither.
    glass : ndarray of float
        Share of the light that passes the glass, 0 to 1.
    facing : ndarray of float
        Angle of the outer wall's normal at entry, from the z axis, positive to the right [rad];
        for a flat vessel -1 to 1 across its width.
    entry : ndarray of float, shape (n, 3)
        Where it meets the outer wall [mm].
    seam : ndarray of float
        1 where the line runs in the side wall's glass or is thrown back by it, else 0.
    surface : ndarray of float
        1 where the line crosses the fluid's surface, else 0.
    """

    path_mm: Array
    height_mm: Array
    point: Array
    direction: Array
    glass: Array
    facing: Array
    entry: Array
    seam: Array
    surface: Array


def _refract(d: Array, n: Array, ratio: Array | float) -> tuple[Array, NDArray[np.bool_]]:
    """Bend unit directions at a surface (Snell, vector form); thrown back where they cannot pass.

    `n` is the unit normal against the light, `ratio` is n_before / n_after.
    """
    cos_in = -np.sum(n * d, axis=1)
    k = 1.0 - np.square(ratio) * (1.0 - cos_in * cos_in)
    back = k < 0.0
    factor = ratio * cos_in - np.sqrt(np.maximum(k, 0.0))
    ratio = np.broadcast_to(np.asarray(ratio, dtype=d.dtype), cos_in.shape)
    bent = ratio[:, None] * d + factor[:, None] * n
    thrown = d + 2.0 * cos_in[:, None] * n
    return np.where(back[:, None], thrown, bent).astype(d.dtype), back


def _fresnel_pass(cos_in: Array) -> Array:
    """Share of light that passes a wall of glass in air, both faces (Schlick 1994)."""
    reflected = 0.04 + 0.96 * (1.0 - np.clip(cos_in, 0.0, 1.0)) ** 5
    return (1.0 - reflected).astype(cos_in.dtype)


def _circle_normal(p: Array, cx: float, cz: float, radius: float) -> Array:
    n = np.zeros_like(p)
    n[:, 0] = (p[:, 0] - cx) / radius
    n[:, 2] = (p[:, 2] - cz) / radius
    length = np.hypot(n[:, 0], n[:, 2])
    return n / np.maximum(length, 1e-6)[:, None]


def _meet_circle(
    p: Array, d: Array, cx: float, cz: float, radius: float
) -> tuple[Array, Array, Array]:
    """Return the discriminant and both distances at which lines meet an upright cylinder."""
    a = d[:, 0] ** 2 + d[:, 2] ** 2
    ox, oz = p[:, 0] - cx, p[:, 2] - cz
    b = ox * d[:, 0] + oz * d[:, 2]
    disc = b * b - a * (ox * ox + oz * oz - radius * radius)
    root = np.sqrt(np.maximum(disc, 0.0))
    return disc, (-b - root) / a, (-b + root) / a


def silhouette_distance(
    vessel: Vessel, *, camera: Array, direction: Array, x_mm: float, back_mm: float, half: Array
) -> Array:
    """Return how far inside the vessel's outline a line of sight runs.

    Parameters
    ----------
    vessel, camera, direction, x_mm, back_mm
        As in `trace_cylinder`.
    half : ndarray of float, shape (n,)
        Outer half width at the height that each line passes [mm].

    Returns
    -------
    ndarray of float, shape (n,)
        Negative outside [mm].
    """
    cz = back_mm + vessel.depth_mm / 2.0
    if vessel.shape == "cylinder":
        flat = np.hypot(direction[:, 0], direction[:, 2])
        miss = (camera[0] - x_mm) * direction[:, 2] - (camera[2] - cz) * direction[:, 0]
        off = np.abs(miss) / flat
    elif vessel.shape == "bag":  # its welds stand furthest out, half way between back and front
        x_weld = camera[0] + direction[:, 0] * (cz - camera[2]) / direction[:, 2] - x_mm
        off = np.abs(x_weld)
    else:
        front = back_mm + vessel.depth_mm
        rear = back_mm
        x_front = camera[0] + direction[:, 0] * (front - camera[2]) / direction[:, 2] - x_mm
        x_rear = camera[0] + direction[:, 0] * (rear - camera[2]) / direction[:, 2] - x_mm
        off = np.minimum(np.abs(x_front), np.abs(x_rear))
    margin: Array = half - off
    return margin


def _surface_and_floor(
    p2: Array, d2: Array, p3: Array, d_out: Array, wet: NDArray[np.bool_], level_mm: float
) -> tuple[Array, Array, Array, Array, Array]:
    """Bound the stretch p2..p3 by the fluid's surface and the vessel's floor.

    Returns path, mean height, exit point, exit direction, surface crossed.
    """
    length = np.sqrt(np.sum((p3 - p2) ** 2, axis=1))
    point, direction = p3.copy(), d_out.copy()
    surface = np.zeros_like(length)
    path = np.where(wet, length, 0.0).astype(length.dtype)

    # From below the surface acts as a mirror at these shallow angles.
    mirrored = wet & (p3[:, 1] > level_mm)
    point[mirrored, 1] = 2.0 * level_mm - point[mirrored, 1]
    direction[mirrored, 1] *= -1.0
    surface[mirrored] = 1.0

    # From above, only the stretch below the surface counts.
    dips = ~wet & (p3[:, 1] < level_mm)
    drop = np.maximum(p2[:, 1] - p3[:, 1], 1e-3)
    share = np.clip((level_mm - p3[:, 1]) / drop, 0.0, 1.0)
    path = np.where(dips, length * share, path)
    surface[dips] = 1.0

    # Lines that meet the floor go on to the sheet beneath it.
    lands = (wet | dips) & (p3[:, 1] < _FLOOR_MM) & (d2[:, 1] < 0.0)
    fall = np.clip((p2[:, 1] - _FLOOR_MM) / np.maximum(p2[:, 1] - p3[:, 1], 1e-3), 0.0, 1.0).astype(
        length.dtype
    )
    path = np.where(lands, path * fall, path)
    point[lands] = (p2 + (p3 - p2) * fall[:, None])[lands]
    direction[lands] = d2[lands]
    height = np.where(mirrored, (p2[:, 1] + point[:, 1]) / 2, (p2[:, 1] + p3[:, 1]) / 2)
    return path, height, point, direction, surface


def trace_cylinder(
    vessel: Vessel,
    *,
    camera: Array,
    direction: Array,
    x_mm: float,
    back_mm: float,
    level_mm: float,
) -> Rays:
    """Follow lines of sight through an upright cylinder of glass, by Snell's law at each face.

    Parameters
    ----------
    vessel : Vessel
        Its form.
    camera : ndarray of float, shape (3,)
        Where the lines start [mm].
    direction : ndarray of float, shape (n, 3)
        Unit directions.
    x_mm, back_mm : float
        Sideways place of the axis, and distance from the card to the vessel's back [mm].
    level_mm : float
        Height of the fluid's surface [mm].

    Returns
    -------
    Rays
        One entry a line; lines that just miss the wall are treated as touching it.
    """
    cz = back_mm + vessel.depth_mm / 2.0
    outer, inner = vessel.half_width_mm, vessel.width_mm / 2.0
    start = np.broadcast_to(camera, direction.shape).astype(direction.dtype)
    _, t, _ = _meet_circle(start, direction, x_mm, cz, outer)
    p1 = start + t[:, None] * direction
    n1 = _circle_normal(p1, x_mm, cz, outer)
    glass = _fresnel_pass(-np.sum(n1 * direction, axis=1)) ** 2
    d1, _ = _refract(direction, n1, 1.0 / GLASS_INDEX)

    disc, t, _ = _meet_circle(p1, d1, x_mm, cz, inner)
    hits = disc > 0.0
    p2 = p1 + t[:, None] * d1
    n2 = _circle_normal(p2, x_mm, cz, inner)
    wet = hits & (p2[:, 1] < level_mm) & (p2[:, 1] > _FLOOR_MM)
    index = np.where(wet, SEAWATER_INDEX, 1.0).astype(direction.dtype)
    d2, thrown = _refract(d1, n2, GLASS_INDEX / index)
    inside = hits & ~thrown
    wet &= inside
    glass = np.where(inside & ~wet, glass * 0.93, glass)

    _, _, t = _meet_circle(p2, d2, x_mm, cz, inner)
    p3 = p2 + np.maximum(t, 0.0)[:, None] * d2
    n3 = -_circle_normal(p3, x_mm, cz, inner)
    d3, _ = _refract(d2, n3, index / GLASS_INDEX)

    p_glass = np.where(inside[:, None], p3, np.where(hits[:, None], p2, p1))
    d_glass = np.where(inside[:, None], d3, np.where(hits[:, None], d2, d1))
    _, _, t = _meet_circle(p_glass, d_glass, x_mm, cz, outer)
    p4 = p_glass + np.maximum(t, 0.0)[:, None] * d_glass
    d4, _ = _refract(d_glass, -_circle_normal(p4, x_mm, cz, outer), GLASS_INDEX)

    path, height, point, out, surface = _surface_and_floor(p2, d2, p4, d4, wet, level_mm)
    chord = np.sqrt(np.sum((p3 - p2) ** 2, axis=1))
    whole = np.maximum(np.sqrt(np.sum((p4 - p2) ** 2, axis=1)), 1e-3)
    return Rays(
        path_mm=np.where(inside, path * chord / whole, 0.0).astype(direction.dtype),
        height_mm=height,
        point=point,
        direction=out,
        glass=glass,
        facing=np.arctan2(n1[:, 0], n1[:, 2]),
        entry=p1,
        seam=(~inside).astype(direction.dtype),
        surface=np.where(inside, surface, 0.0).astype(direction.dtype),
    )


def trace_flat(
    vessel: Vessel,
    *,
    camera: Array,
    direction: Array,
    x_mm: float,
    back_mm: float,
    level_mm: float,
) -> Rays:
    """Follow lines of sight through a flat bottle facing the camera, by Snell's law at each face.

    Lines that meet a side wall from within are thrown back by it (total reflection at its
    outer face), so the card is seen mirrored in a narrow seam.

    Parameters
    ----------
    vessel, camera, direction, x_mm, back_mm, level_mm
        As in `trace_cylinder`.

    Returns
    -------
    Rays
        One entry a line.
    """
    front = back_mm + vessel.depth_mm
    start = np.broadcast_to(camera, direction.shape).astype(direction.dtype)
    normal = np.zeros_like(direction)
    normal[:, 2] = 1.0

    def run(p: Array, d: Array, z: float) -> Array:
        return p + ((z - p[:, 2]) / d[:, 2])[:, None] * d

    p1 = run(start, direction, front)
    glass = _fresnel_pass(-direction[:, 2]) ** 2
    d1, _ = _refract(direction, normal, 1.0 / GLASS_INDEX)
    p2 = run(p1, d1, front - vessel.wall_mm)
    wet = (p2[:, 1] < level_mm) & (p2[:, 1] > _FLOOR_MM)
    index = np.where(wet, SEAWATER_INDEX, 1.0).astype(direction.dtype)
    glass = np.where(wet, glass, glass * 0.93)
    d2, _ = _refract(d1, normal, GLASS_INDEX / index)
    p3 = run(p2, d2, back_mm + vessel.wall_mm)

    half = vessel.width_mm / 2.0
    across = p1[:, 0] - x_mm
    side = np.abs(p3[:, 0] - x_mm) > half
    over = np.abs(p3[:, 0] - x_mm) - half
    p3[:, 0] = np.where(side, x_mm + np.sign(p3[:, 0] - x_mm) * (half - over), p3[:, 0])
    d2 = d2.copy()
    d2[side, 0] *= -1.0
    d3, _ = _refract(d2, normal, index / GLASS_INDEX)
    p4 = run(p3, d3, back_mm)
    d4, _ = _refract(d3, normal, GLASS_INDEX)

    path, height, point, out, surface = _surface_and_floor(p2, d2, p3, d4, wet, level_mm)
    whole = point[:, 2] <= back_mm + vessel.wall_mm + 0.01
    point = np.where(whole[:, None], p4, point)
    point[:, 1] = np.where((surface > 0) & wet, 2 * level_mm - p4[:, 1], point[:, 1])
    seam = np.clip((np.abs(across) - half + 1.0) / 1.5, 0.0, 1.0)
    seam = np.maximum(seam, 0.6 * side)
    return Rays(
        path_mm=path,
        height_mm=height,
        point=point,
        direction=out,
        glass=glass,
        facing=(across / vessel.half_width_mm).astype(direction.dtype),
        entry=p1,
        seam=seam.astype(direction.dtype),
        surface=surface,
    )


def land(point: Array, direction: Array) -> tuple[Array, Array]:
    """Return where lines meet the card's plane or the shelf, unfolded into one plane.

    Parameters
    ----------
    point, direction : ndarray of float, shape (n, 3)
        Start and direction of lines [mm].

    Returns
    -------
    x, v : ndarray of float, shape (n,)
        Sideways place, and height on the card or, below 0, minus the distance from the fold
        along the shelf [mm]. Lines that go away from the card land far to the side.
    """
    dz = np.minimum(direction[:, 2], -1e-3)
    t = -point[:, 2] / dz
    x = point[:, 0] + t * direction[:, 0]
    y = point[:, 1] + t * direction[:, 1]
    falls = (y < 0.0) & (direction[:, 1] < 0.0)
    t_down = np.where(falls, point[:, 1] / np.maximum(-direction[:, 1], 1e-6), 0.0)
    x = np.where(falls, point[:, 0] + t_down * direction[:, 0], x)
    v = np.where(falls, -(point[:, 2] + t_down * direction[:, 2]), y)
    away = direction[:, 2] > -1e-3
    x = np.where(away, np.sign(direction[:, 0]) * 600.0, x)
    v = np.where(away, 150.0, v)
    return x.astype(point.dtype), v.astype(point.dtype)

"""What stands around the card: wall, shelf, and how evenly the light falls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from densitycam.card.layout import CardLayout
from densitycam.simulate.scene import Scene
from densitycam.simulate.vessels import as_vessel

Array = NDArray[np.float32]

#: Reach of the room's picture around the fold's middle, and its scale.
REACH_MM = 640.0
SCALE_PX_PER_MM = 0.5

#: Plausible walls and shelves, linear reflectance long to short wave (invented).
_WALLS = ((0.62, 0.58, 0.50), (0.40, 0.45, 0.50), (0.70, 0.70, 0.68), (0.30, 0.27, 0.22),
          (0.50, 0.42, 0.36))  # fmt: skip
_SHELVES = ((0.42, 0.27, 0.15), (0.60, 0.58, 0.55), (0.25, 0.16, 0.10), (0.55, 0.42, 0.28))


@dataclass(frozen=True, eq=False)
class Room:
    """The unfolded plane around the card, shape (h, w, ...) at `SCALE_PX_PER_MM`.

    Parameters
    ----------
    weights : ndarray of float32, shape (h, w, 3)
        Reflectance as print weights.
    light : ndarray of float32, shape (h, w, 2)
        Light that falls on it, 1 at the card's middle; share of it that crosses the vessel.
    """

    weights: Array
    light: Array


def _cloud(rng: np.random.Generator, shape: tuple[int, int], cells: tuple[int, int]) -> Array:
    """Return smooth noise, mean about 0 and standard deviation about 1."""
    import cv2

    small = rng.standard_normal(cells).astype(np.float32)
    return np.asarray(cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def _smooth_step(x: Array) -> Array:
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def _vessel_shade(scene: Scene, layout: CardLayout, x: Array, v: Array) -> Array:
    """Return the share of the light at places of the card that crosses the vessel, 0 to 1."""
    if scene.vessel is None:
        return np.zeros(np.broadcast_shapes(x.shape, v.shape), dtype=np.float32)
    vessel = as_vessel(scene.vessel)
    away = np.min([np.abs(x - place) for place in scene.places_mm], axis=0)
    beside = np.maximum(away - vessel.half_width_mm, 0.0)
    sideways = np.exp(-0.5 * (beside / 10.0) ** 2)
    upward = _smooth_step((scene.level_mm - scene.shadow_drop_mm + 12.0 - v) / 24.0)
    back = layout.gap_mm + scene.gap_error_mm
    front = back + vessel.depth_mm
    ahead = np.maximum(-v - front, 0.0)
    onward = np.exp(-0.5 * (ahead / 18.0) ** 2)
    share: Array = (scene.shaded_share * sideways * upward * onward).astype(np.float32)
    return share


def room(scene: Scene, layout: CardLayout) -> Room:
    """Return the surroundings of a shot; same for the same seed.

    Parameters
    ----------
    scene : Scene
        The shot; its `room_seed` decides.
    layout : CardLayout
        The sheet.

    Raises
    ------
    KeyError
        For a vessel's name that is none.
    """
    import cv2

    rng = np.random.default_rng([scene.room_seed, 11])
    count = int(2 * REACH_MM * SCALE_PX_PER_MM)
    axis = (np.arange(count, dtype=np.float32) + 0.5) / SCALE_PX_PER_MM - REACH_MM
    x, v = axis[None, :], -axis[:, None]
    shape = (count, count)
    wall = np.array(_WALLS[int(rng.integers(len(_WALLS)))], dtype=np.float32)
    shelf = np.array(_SHELVES[int(rng.integers(len(_SHELVES)))], dtype=np.float32)
    blotch = 1.0 + 0.05 * _cloud(rng, shape, (9, 9)) + 0.02 * _cloud(rng, shape, (60, 60))
    grain = 1.0 + 0.08 * _cloud(rng, shape, (160, 7)) + 0.05 * _cloud(rng, shape, (300, 12))
    weights = np.where(
        (v >= 0.0)[..., None], wall * blotch[..., None], shelf * grain[..., None]
    ).astype(np.float32)

    # A few things out of focus further back.
    for _ in range(int(rng.integers(2, 5))):
        left = int(rng.uniform(0, count - 60))
        wide, tall = int(rng.uniform(20, 90)), int(rng.uniform(40, 160))
        foot = count // 2
        tint = 1.0 + 0.35 * rng.uniform(-1.0, 1.0, 3)
        colour = (rng.uniform(0.08, 0.5) * tint).astype(np.float32)
        weights[foot - tall : foot, left : left + wide] = colour
    weights[: count // 2] = cv2.GaussianBlur(weights[: count // 2], (0, 0), 4.0)
    weights = np.clip(weights, 0.02, 0.95)

    half, top = layout.width_mm / 2.0, layout.base_line_y_mm
    gx, gy = scene.gradient
    u, w = np.clip(x / half, -2.5, 2.5), np.clip((v - top / 2.0) / (top / 2.0), -2.5, 2.5)
    light = 1.0 + gx * u + gy * w - scene.hollow * 0.5 * (u * u + w * w)
    light = np.clip(light, 0.25, 2.5).astype(np.float32)

    # The sheet's own shadow on the wall, and the vessel's foot on the shelf.
    shadow = np.zeros(shape, dtype=np.float32)
    centre = REACH_MM
    x0, x1 = centre - half + 5.0, centre + half + 5.0
    y0, y1 = centre - top + 6.0, centre + 2.0
    scale = SCALE_PX_PER_MM
    if scene.defect != "no-card":
        shadow[int(y0 * scale) : int(y1 * scale), int(x0 * scale) : int(x1 * scale)] = 1.0
    light *= 1.0 - 0.3 * cv2.GaussianBlur(shadow, (0, 0), 3.0)
    on_sheet = (np.abs(x) <= half) & (v <= top) & (v >= layout.base_line_y_mm - layout.height_mm)
    plain = np.clip(1.0 + gx * u + gy * w - scene.hollow * 0.5 * (u * u + w * w), 0.25, 2.5)
    light = np.where(on_sheet, plain, light).astype(np.float32)
    fold = 1.0 - 0.10 * np.exp(-np.abs(v) / 4.0) * (v < 0.0)
    light *= fold
    if scene.vessel is not None:
        vessel = as_vessel(scene.vessel)
        middle = -(layout.gap_mm + scene.gap_error_mm + vessel.depth_mm / 2.0)
        away = np.min([np.abs(x - place) for place in scene.places_mm], axis=0)
        across = (away / (vessel.half_width_mm + 2.0)) ** 2
        along = ((v - middle) / (vessel.depth_mm / 2.0 + 2.0)) ** 2
        foot = np.exp(-np.maximum(np.sqrt(across + along) - 1.0, 0.0) * 5.0)
        light *= 1.0 - 0.45 * foot * (v < 0.0)
    if scene.shadow is not None:
        edge = scene.shadow.x_mm + scene.shadow.slope * v
        light = light * (1.0 - scene.shadow.depth * np.clip((edge - x) / 4.0 + 0.5, 0.0, 1.0))
        light = light.astype(np.float32)
    shade = _vessel_shade(scene, layout, x, v)
    return Room(weights=weights, light=np.stack([light, shade], axis=-1))

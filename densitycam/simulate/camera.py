"""Where the phone is held, and the line of sight of each of its pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from densitycam.card.layout import CardLayout
from densitycam.simulate.phones import phone_of
from densitycam.simulate.scene import Scene
from densitycam.simulate.vessels import as_vessel

Array = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Camera:
    """A pinhole camera in the world of `vessels`.

    Parameters
    ----------
    place : ndarray of float64, shape (3,)
        Of the pinhole [mm].
    turn : ndarray of float64, shape (3, 3)
        Rows: right, down, forward, as unit directions of the world.
    focal_px : float
        Focal length [px].
    centre_px : tuple of float
        Where the optical axis meets the picture [px].
    size_px : tuple of int
        Width and height [px].
    """

    place: NDArray[np.float64]
    turn: NDArray[np.float64]
    focal_px: float
    centre_px: tuple[float, float]
    size_px: tuple[int, int]


def sheet_to_world(layout: CardLayout, xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return world places of points on the folded sheet.

    Parameters
    ----------
    layout : CardLayout
        The sheet.
    xy_mm : ndarray of float64, shape (n, 2)
        From the sheet's top left corner [mm].

    Returns
    -------
    ndarray of float64, shape (n, 3)
        Right of the sheet's middle, up, and towards the viewer [mm].
    """
    v = layout.base_line_y_mm - xy_mm[:, 1]
    x = xy_mm[:, 0] - layout.width_mm / 2.0
    return np.stack([x, np.maximum(v, 0.0), np.maximum(-v, 0.0)], axis=1)


def project(camera: Camera, world: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return pixel places of world points.

    Parameters
    ----------
    camera : Camera
        Where it stands and looks.
    world : ndarray of float64, shape (n, 3)
        Points before the camera [mm].

    Returns
    -------
    ndarray of float64, shape (n, 2)
        x and y [px], pixel centres at whole numbers.
    """
    seen = (world - camera.place) @ camera.turn.T
    from_axis = seen[:, :2] / seen[:, 2:] * camera.focal_px
    px: NDArray[np.float64] = from_axis + np.array(camera.centre_px)
    return px


def _aimed(scene: Scene, distance_mm: float, target: NDArray[np.float64]) -> Camera:
    yaw, pitch, roll = np.deg2rad([scene.yaw_deg, scene.pitch_deg, scene.roll_deg])
    away = np.array([np.sin(yaw) * np.cos(pitch), np.sin(pitch), np.cos(yaw) * np.cos(pitch)])
    forward = -away
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    turned = np.cos(roll) * right + np.sin(roll) * down
    down = -np.sin(roll) * right + np.cos(roll) * down
    width, height = scene.size_px
    focal = phone_of(scene.phone).focal_mm * scene.zoom / 36.0 * max(width, height)
    return Camera(
        place=target + distance_mm * away,
        turn=np.array([turned, down, forward]),
        focal_px=float(focal),
        centre_px=((width - 1) / 2.0, (height - 1) / 2.0),
        size_px=scene.size_px,
    )


def hold(scene: Scene, layout: CardLayout) -> Camera:
    """Return the camera that shows the whole folded card at the scene's tilt and fill.

    Distance and aim are found in a few rounds: the outline of card and vessel's foot is brought
    to the wanted share of the frame, and to its place in the free room.

    Parameters
    ----------
    scene : Scene
        Tilt, fill and picture size of the shot.
    layout : CardLayout
        The sheet.

    Raises
    ------
    KeyError
        For a vessel's name that is none.
    """
    w, h = layout.width_mm, layout.height_mm
    fold = layout.base_line_y_mm
    corners = np.array([[0, 0], [w, 0], [0, fold], [w, fold], [0, h], [w, h]], dtype=float)
    world = sheet_to_world(layout, corners)
    if scene.vessel is not None:  # its foot belongs in the picture too
        vessel = as_vessel(scene.vessel)
        reach = layout.gap_mm + vessel.depth_mm
        foot = [[s * vessel.half_width_mm, -2.0, reach] for s in (-1.0, 1.0)]
        world = np.vstack([world, foot])
    size = np.array(scene.size_px, dtype=float)
    target, distance = np.array([0.0, fold / 2.0, 0.0]), 450.0
    camera = _aimed(scene, distance, target)
    for _ in range(12):
        seen = project(camera, world)
        low, high = seen.min(axis=0), seen.max(axis=0)
        share = float(np.max((high - low) / size))
        distance *= share / scene.fill
        room = (size - (high - low) * scene.fill / share) / 2.0
        margin = np.maximum(room - 0.015 * size, 0.0)
        wanted = (size - 1.0) / 2.0 + np.array(scene.shift) * margin
        off = (low + high) / 2.0 - wanted
        scale = camera.focal_px / distance
        target = target + (off[0] * camera.turn[0] + off[1] * camera.turn[1]) / scale
        camera = _aimed(scene, distance, target)
    return camera


def lines_of_sight(camera: Camera, x_px: Array, y_px: Array) -> Array:
    """Return the directions in which pixels look.

    Parameters
    ----------
    camera : Camera
        Where it looks.
    x_px, y_px : ndarray of float32, both of one shape, n elements
        Places in the picture [px].

    Returns
    -------
    ndarray of float32, shape (n, 3)
        Unit vectors of the world.
    """
    u = (x_px.ravel() - camera.centre_px[0]) / camera.focal_px
    w = (y_px.ravel() - camera.centre_px[1]) / camera.focal_px
    turn = camera.turn.astype(np.float32)
    d = u[:, None] * turn[0] + w[:, None] * turn[1] + turn[2]
    unit: Array = (d / np.sqrt(np.sum(d * d, axis=1, keepdims=True))).astype(np.float32)
    return unit

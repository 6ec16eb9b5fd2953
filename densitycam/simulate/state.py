"""What a culture's bad days add to its picture: foam on it, bubbles in it, film on the wall."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from densitycam.simulate.optics import Film, Tables, at_path
from densitycam.simulate.scene import Scene
from densitycam.simulate.vessels import Rays, Vessel

Array = NDArray[np.float32]

#: Light thrown back by a thick froth, at its cells' middles and at their walls (invented).
_FOAM_HOLLOW, _FOAM_WALL = 0.52, 0.82
#: Culture that a line of sight meets between the foam's cells [mm].
_FOAM_FLUID_MM = 2.0
#: How the foam's upper edge strays along it, share of its height.
_FOAM_RAGGED = 0.2

#: Radius of bubbles from an open air line: median [mm] and spread [ln] (invented).
_BUBBLE_MM, _BUBBLE_SPREAD = 0.9, 0.35
#: Share of bubbles that the stream carries round the vessel; the others rise in one plume.
_CARRIED_ROUND = 0.4

#: Film's patches: size of the large and of the small ones [mm], unevenness [ln].
_PATCH_MM, _SPECK_MM, _PATCH_SPREAD = 11.0, 3.5, 0.8
#: The ring at the waterline: how far below its top it is thickest, and its spread [mm].
_RING_DROP_MM, _RING_MM = 4.0, 4.0


def _noise_field(
    rng: np.random.Generator, size_mm: tuple[int, int], patch_mm: float
) -> NDArray[np.float32]:
    """Return smooth noise of mean 0 and standard deviation 1 at 1 px/mm, shape `size_mm`."""
    import cv2

    raw = rng.standard_normal(size_mm).astype(np.float32)
    blurred = cv2.GaussianBlur(raw, (0, 0), patch_mm / 2.5, borderType=cv2.BORDER_REFLECT)
    smooth = np.asarray(blurred, np.float32)
    noise: Array = (smooth - smooth.mean()) / max(float(smooth.std()), 1e-6)
    return noise


def _look_up(field: Array, u_mm: Array, y_mm: Array, shape: tuple[int, int]) -> Array:
    """Return the field, its columns centred on u = 0, its rows from y = 0 up, shape (n,)."""
    import cv2

    column = (u_mm + field.shape[1] / 2.0).reshape(shape).astype(np.float32)
    row = np.asarray(y_mm).reshape(shape).astype(np.float32)
    seen = cv2.remap(field, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(seen, np.float32).ravel()


def film_depths(
    scene: Scene, vessel: Vessel, rays: Rays, shape: tuple[int, int]
) -> tuple[Array, Array]:
    """Return the film's optical depth on the front and on the back wall, each of shape (n,).

    Parameters
    ----------
    scene : Scene
        With `film`, `film_ring` and `film_top_mm`.
    vessel : Vessel
        Its form.
    rays : Rays
        Lines of sight, of a picture of `shape`.
    shape : tuple of int
        Rows and columns.

    Notes
    -----
    Patches are log-normal, of two sizes, each wall with its own. On a cylinder a slanting line
    crosses the film at an angle and so meets more of it.
    """
    rng = np.random.default_rng([scene.seed, 71])
    top = scene.level_mm if scene.film_top_mm is None else scene.film_top_mm
    size = (int(vessel.body_mm) + 20, int(2.0 * vessel.path_mm + 2.0 * vessel.width_mm) + 20)
    x, y = rays.entry[:, 0] - scene.x_mm, rays.entry[:, 1]
    walls = [(x, y), (rays.point[:, 0] - scene.x_mm, rays.point[:, 1])]
    depths = []
    for u, v in walls:
        patches = 0.85 * _noise_field(rng, size, _PATCH_MM)
        patches += 0.53 * _noise_field(rng, size, _SPECK_MM)
        along = _noise_field(rng, size, 1.6 * _PATCH_MM)
        thick = np.exp(_PATCH_SPREAD * patches - _PATCH_SPREAD**2 / 2.0)
        ring = np.exp(0.35 * along - 0.35**2 / 2.0)
        grown = np.clip((top - v) / 4.0 + 0.5, 0.0, 1.0)
        depth = scene.film * _look_up(thick, u, v, shape) * grown
        band = np.exp(-0.5 * ((v - top + _RING_DROP_MM) / _RING_MM) ** 2)
        depth = depth + scene.film_ring * _look_up(ring, u, v, shape) * band
        depths.append(depth / 2.0)
    if vessel.shape == "cylinder":
        slant = 1.0 / np.maximum(np.cos(rays.facing), 0.3)
        depths = [d * slant for d in depths]
    return depths[0].astype(np.float32), depths[1].astype(np.float32)


def through_film(film: Film, front: Array, back: Array) -> tuple[Array, Array, Array]:
    """Return what a film on the walls does to lines of sight.

    Parameters
    ----------
    film : Film
        From `film_tables`.
    front, back : ndarray of float32, shape (n,)
        Optical depth of the film on the front and the back wall [-ln, 550 nm], >= 0.

    Returns
    -------
    sharp, mean : ndarray of float32, shape (n, 3)
        Factors on what keeps its contrast, and on the mean, 0 to 1.
    veil : ndarray of float32, shape (n, 3)
        Light that the front's film sends back, paper white about 1.
    """
    whole = front + back
    return (
        at_path(film.sharp, film.depth, whole),
        at_path(film.mean, film.depth, whole),
        at_path(film.veil, film.depth, front),
    )


def _froth(rng: np.random.Generator, size: tuple[int, int], cell_px: float) -> Array:
    """Return a picture of foam's cells: 0 in the hollows, 1 on the walls, bright specks on them."""
    import cv2

    count = max(int(size[0] * size[1] / cell_px**2), 4)
    seeds = np.ones(size, dtype=np.uint8)
    rows, columns = rng.integers(0, size[0], count), rng.integers(0, size[1], count)
    seeds[rows, columns] = 0
    distance = cv2.distanceTransform(seeds, cv2.DIST_L2, 3) / cell_px
    walls = np.clip(1.6 * distance, 0.0, 1.0) ** 1.5
    noise = rng.standard_normal(size).astype(np.float32)
    coarse = np.asarray(cv2.GaussianBlur(noise, (0, 0), 3.0 * cell_px), np.float32)
    coarse /= max(float(coarse.std()), 1e-6)
    froth: Array = np.clip(walls + 0.12 * coarse, 0.0, 1.0).astype(np.float32)
    return froth


def with_foam(
    colour: Array,
    scene: Scene,
    vessel: Vessel,
    rays: Rays,
    shape: tuple[int, int],
    light: Tables,
    front_light: Array,
) -> Array:
    """Cover what lies behind the froth that stands on the fluid.

    Parameters
    ----------
    colour : ndarray of float32, shape (n, 3)
        Camera light without foam.
    scene, vessel, rays, shape
        As for `film_depths`; `foam_mm` and `foam_cell_mm` say how much and how coarse.
    light : Tables
        For the tint that the culture between the cells lends it.
    front_light : ndarray of float32, shape (n, 1)
        Light that falls on the vessel's front.

    Returns
    -------
    ndarray of float32, shape (n, 3)
        With foam, which throws light back and lets none of the bars through.
    """
    rng = np.random.default_rng([scene.seed, 73])
    y = rays.entry[:, 1]
    edge = _noise_field(rng, (4, int(2.0 * vessel.width_mm) + 20), 8.0)
    ragged = _look_up(edge, rays.entry[:, 0] - scene.x_mm, np.ones_like(y), shape)
    top = scene.level_mm + scene.foam_mm * (1.0 + _FOAM_RAGGED * ragged)
    on_front = np.clip((y - scene.level_mm + 0.6) / 0.8, 0.0, 1.0)
    on_front *= np.clip((top - y) / 0.6 + 0.5, 0.0, 1.0)
    # Seen from above, its top face; from below, its underside through the culture.
    face = rays.surface * (y > scene.level_mm)
    under = 0.7 * rays.surface * (y <= scene.level_mm)
    cover = np.maximum(on_front, face)

    rows, columns = shape
    across = rays.entry[:, 0].reshape(shape)[rows // 2]
    px_per_mm = abs((columns - 1) / (across[-1] - across[0] + 1e-6))
    froth = _froth(rng, shape, max(scene.foam_cell_mm * px_per_mm, 1.0)).ravel()
    white = np.ones(3, dtype=np.float32)
    few = np.full(1, _FOAM_FLUID_MM, dtype=np.float32)
    tint = at_path(light.mean, light.path_mm, few)[0] @ white
    shade = _FOAM_HOLLOW + (_FOAM_WALL - _FOAM_HOLLOW) * froth
    foam = front_light * shade[:, None] * tint[None, :]
    colour = colour * (1.0 - cover[:, None]) + foam * cover[:, None]
    below = at_path(light.mean, light.path_mm, rays.path_mm) @ white * 0.6 * front_light
    return (colour * (1.0 - under[:, None]) + below * under[:, None]).astype(np.float32)


def with_bubbles(
    colour: Array,
    scene: Scene,
    vessel: Vessel,
    rays: Rays,
    shape: tuple[int, int],
    light: Tables,
    front_light: Array,
) -> Array:
    """Draw the bubbles of an air line that was left on.

    Parameters
    ----------
    colour, scene, vessel, rays, shape, light, front_light
        As for `with_foam`; `aeration` is the share of the fluid's front that bubbles cover.

    Returns
    -------
    ndarray of float32, shape (n, 3)
        With bubbles.

    Notes
    -----
    A bubble in water is a strong diverging lens: through its middle the bars are seen so small
    that they mix, its rim turns back light from the sides (total reflection), and the lamp
    mirrors in it as a speck. The culture before it dims all of that, so that in a dense one only
    bubbles near the front are seen.
    """
    import cv2

    rng = np.random.default_rng([scene.seed, 79])
    rows, columns = shape
    x = rays.entry[:, 0].reshape(shape)[rows // 2] - scene.x_mm
    y = rays.entry[:, 1].reshape(shape)[:, columns // 2]
    px_per_mm = abs((columns - 1) / (x[-1] - x[0] + 1e-6))
    mean_area = np.pi * _BUBBLE_MM**2 * np.exp(2.0 * _BUBBLE_SPREAD**2)
    count = round(float(scene.aeration * vessel.width_mm * scene.level_mm / mean_area))
    plume = rng.uniform(-0.35, 0.35) * vessel.width_mm
    radius = np.exp(rng.normal(np.log(_BUBBLE_MM), _BUBBLE_SPREAD, count))
    height = rng.uniform(4.0, scene.level_mm, count)
    reach = 0.06 * vessel.width_mm + 0.10 * height
    across = plume + reach * rng.standard_normal(count)
    carried = rng.uniform(size=count) < _CARRIED_ROUND
    half = 0.48 * vessel.width_mm
    across = np.where(carried | (np.abs(across) > half), rng.uniform(-half, half, count), across)
    deep = np.sort(rng.uniform(0.0, 1.0, count))[::-1] * vessel.path_mm

    clear = at_path(light.sharp, light.path_mm, deep.astype(np.float32)) @ np.ones(3)
    seen = np.clip(clear.mean(axis=1), 0.0, 1.0)
    cover, rim, speck = (np.zeros(shape, dtype=np.float32) for _ in range(3))
    order = np.argsort(-y)  # rows rise as heights fall
    at_row = np.interp(height, y[order][::-1], np.arange(rows)[order][::-1])
    at_column = np.interp(across, x, np.arange(columns))
    for n in range(count):
        r = max(float(radius[n]) * px_per_mm, 0.7)
        centre = (round(float(at_column[n]) * 8), round(float(at_row[n]) * 8))
        strength = float(seen[n])
        drawn = max(round((r - 0.5) * 8), 0)  # pixels on the edge are filled whole
        cv2.circle(cover, centre, drawn, strength, -1, shift=3)
        cv2.circle(rim, centre, drawn, strength, -1, shift=3)
        cv2.circle(rim, centre, round(0.62 * r * 8), 0.0, -1, shift=3)
        lit = (centre[0] - round(0.35 * r * 8), centre[1] - round(0.45 * r * 8))
        cv2.circle(speck, lit, max(round(0.22 * r * 8), 4), strength, -1, shift=3)
    discs, edges, specks = (
        np.asarray(cv2.GaussianBlur(part, (0, 0), 0.6), np.float32).ravel()[:, None]
        for part in (cover, rim, speck)
    )
    mixed = cv2.GaussianBlur(colour.reshape(*shape, 3), (0, 0), 9.0 * px_per_mm).reshape(-1, 3)
    inner = discs - np.minimum(edges, discs)
    colour = colour * (1.0 - discs) + inner * mixed
    colour = colour + edges * (0.30 * mixed + 0.16 * front_light)
    return (colour + 0.55 * specks * front_light).astype(np.float32)

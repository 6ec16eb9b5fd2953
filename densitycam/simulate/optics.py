"""Spectral integrals of one scene, done once: tables that turn print weights into camera light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from densitycam.simulate.cells import (
    SPECIES,
    blur_mm,
    contrast_transmittance,
    diffuse_light,
    medium,
)
from densitycam.simulate.light import WAVELENGTHS_NM, lamp_of
from densitycam.simulate.phones import balance, phone_of, sensitivities
from densitycam.simulate.prints import paper_spectrum, print_bands, print_of
from densitycam.simulate.scene import Scene
from densitycam.simulate.vessels import as_vessel

Array = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Tables:
    """Camera light, bare paper in even light at (1, 1, 1), against the path in the fluid.

    Parameters
    ----------
    path_mm : ndarray of float32, shape (n,)
        Path at the vessel's mean density [mm].
    sharp, sharp_shaded : ndarray of float32, shape (n, 3, 3)
        Matrix from print weights to camera light for what keeps its contrast, on a card lit
        freely and on one lit through the culture.
    mean, mean_shaded : ndarray of float32, shape (n, 3, 3)
        The same for light that lost its way in the culture but came through.
    veil : ndarray of float32, shape (n, 3)
        Light sent back by the culture.
    blur_mm : ndarray of float32, shape (n,)
        Spread of a card point [mm].
    beside, beside_shaded : ndarray of float32, shape (3, 3)
        Matrix for the card seen directly, lit freely and in the vessel's full shadow.
    gains : ndarray of float32, shape (3,)
        White balance gains, smallest at 1; noise grows with them.
    """

    path_mm: Array
    sharp: Array
    sharp_shaded: Array
    mean: Array
    mean_shaded: Array
    veil: Array
    blur_mm: Array
    beside: Array
    beside_shaded: Array
    gains: Array


def tables(scene: Scene, *, behind_mm: float) -> Tables:
    """Return the scene's tables.

    Parameters
    ----------
    scene : Scene
        The shot.
    behind_mm : float
        From the fluid's back to the card [mm].

    Returns
    -------
    Tables
        For paths from 0 to 3.2 times the vessel's [mm].

    Raises
    ------
    KeyError
        For a name of phone, print, lamp, species or vessel that is none.
    """
    phone, made = phone_of(scene.phone), print_of(scene.print_name)
    lamp = np.array(lamp_of(scene.lamp).spectrum)
    paper = paper_spectrum(made)
    gains = balance(phone, lamp, paper)
    seen = sensitivities(phone) * lamp * gains[:, None]
    fluid = medium(
        SPECIES[scene.species],
        cells_per_ml=scene.cells_per_ml,
        pigment_scale=scene.pigment_scale,
        extra_scatter=scene.extra_scatter,
    )
    vessel = as_vessel(scene.vessel or "flat-20")
    across = vessel.path_mm * (np.pi / 4.0 if vessel.shape == "cylinder" else 1.0)
    longest = 3.2 * vessel.path_mm
    path = np.concatenate([[0.0], np.geomspace(0.02 * longest, longest, 79)])
    through = contrast_transmittance(fluid, path_mm=path)
    diffuse, back = diffuse_light(fluid, path_mm=path)
    lit = diffuse_light(fluid, path_mm=np.array([across]))[0][0]
    printed = print_bands(made) * paper

    def matrices(passes: NDArray[np.float64]) -> Array:
        table: Array = np.einsum("cw,jw,nw->ncj", seen, printed, passes).astype(np.float32)
        return table

    one = np.ones((1, lit.size))
    return Tables(
        path_mm=path.astype(np.float32),
        sharp=matrices(through),
        sharp_shaded=matrices(through * lit),
        mean=matrices(diffuse),
        mean_shaded=matrices(diffuse * lit),
        veil=(back @ seen.T).astype(np.float32),
        blur_mm=blur_mm(fluid, path_mm=path, behind_mm=behind_mm).astype(np.float32),
        beside=matrices(one)[0],
        beside_shaded=matrices(one * lit)[0],
        gains=(gains / gains.min()).astype(np.float32),
    )


@dataclass(frozen=True, eq=False)
class Film:
    """What a film of the same cells on the wall does, against its optical depth.

    Parameters
    ----------
    depth : ndarray of float32, shape (n,)
        -ln of the contrast left at 550 nm, dimensionless.
    sharp, mean : ndarray of float32, shape (n, 3)
        Share of the light that keeps its contrast, and of all light that comes through.
    veil : ndarray of float32, shape (n, 3)
        Light sent back.
    """

    depth: Array
    sharp: Array
    mean: Array
    veil: Array


#: Density at which a film's cells are worked out [cells/mL]: far above any, so that the water
#: between them does nothing.
_FILM_CELLS_PER_ML = 1e9


def film_tables(scene: Scene) -> Film:
    """Return what a film on the wall does to the scene's light, depths from 0 to 8.

    Parameters
    ----------
    scene : Scene
        The shot.

    Raises
    ------
    KeyError
        As in `tables`.
    """
    phone, made = phone_of(scene.phone), print_of(scene.print_name)
    lamp = np.array(lamp_of(scene.lamp).spectrum)
    paper = paper_spectrum(made)
    seen = sensitivities(phone) * lamp * balance(phone, lamp, paper)[:, None]
    cells = medium(
        SPECIES[scene.species],
        cells_per_ml=_FILM_CELLS_PER_ML,
        pigment_scale=scene.pigment_scale,
    )
    one = contrast_transmittance(cells, path_mm=np.array([1e-4]))[0]
    per_mm = -np.log(np.interp(550.0, WAVELENGTHS_NM, one)) / 1e-4
    depth = np.concatenate([[0.0], np.geomspace(0.02, 8.0, 60)])
    sharp = contrast_transmittance(cells, path_mm=depth / per_mm)
    mean, back = diffuse_light(cells, path_mm=depth / per_mm)
    white = paper @ seen.T
    return Film(
        depth=depth.astype(np.float32),
        sharp=((sharp * paper) @ seen.T / white).astype(np.float32),
        mean=((mean * paper) @ seen.T / white).astype(np.float32),
        veil=(back @ seen.T).astype(np.float32),
    )


def at_path(table: Array, path_grid_mm: Array, path_mm: Array) -> Array:
    """Return a table's rows, interpolated, for each path.

    Parameters
    ----------
    table : ndarray of float32, shape (p, ...)
        One row for each place of the grid.
    path_grid_mm : ndarray of float32, shape (p,)
        Rising; whatever the table stands against, mostly a light path [mm].
    path_mm : ndarray of float32, shape (n,)
        Where it is asked for, in the same unit; beyond the grid its ends count.

    Returns
    -------
    ndarray of float32, shape (n, ...)
        In the table's unit.
    """
    place = np.interp(path_mm, path_grid_mm, np.arange(path_grid_mm.size))
    first = np.minimum(place.astype(np.int32), path_grid_mm.size - 2)
    share = (place - first).astype(np.float32)
    flat = table.reshape(table.shape[0], -1)
    rows: Array = flat[first] + share[:, None] * (flat[first + 1] - flat[first])
    return rows.reshape(path_mm.shape[0], *table.shape[1:])

"""What the bars say through one vessel in one photo: the `Reading`, before any calibration."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

#: Order of colour channels everywhere.
CHANNELS = ("red", "green", "blue")

RGB = tuple[float, float, float]


def rgb_of(values: Sequence[float] | np.ndarray) -> RGB:
    """Return three channels' values as plain numbers.

    Parameters
    ----------
    values : sequence or ndarray of float, shape (3,)
        Red, green and blue, in any unit.

    Returns
    -------
    tuple of float
        The same.
    """
    return (float(values[0]), float(values[1]), float(values[2]))


@dataclass(frozen=True)
class Outline:
    """Where the culture was found.

    Parameters
    ----------
    left_mm, right_mm, top_mm, bottom_mm : float
        Its edges on the card's plane, from the sheet's top left corner [mm].
    width_mm : float or None
        Of the vessel itself, outside, perspective taken off [mm]; None for a bag, which bulges, and
        where an edge is out of sight.
    read_left_mm, read_right_mm : float or None
        Edges of the part of it that was read, likewise [mm]; None where not known.
    """

    left_mm: float
    right_mm: float
    top_mm: float
    bottom_mm: float
    width_mm: float | None = None
    read_left_mm: float | None = None
    read_right_mm: float | None = None


@dataclass(frozen=True)
class BarRow:
    """One black-white pair of bars seen through the vessel.

    Parameters
    ----------
    height_mm : float
        Middle of the pair above the base line [mm].
    contrast_t, mean_t, veil : tuple of float
        Contrast transmittance, mean transmittance and veil of the pair, red, green and blue,
        dimensionless.
    """

    height_mm: float
    contrast_t: RGB
    mean_t: RGB
    veil: RGB


@dataclass(frozen=True)
class Reading:
    """One photo's optical measurement of one culture as it stands in the vessel.

    Parameters
    ----------
    path_mm : float
        Light path used (mean chord of the part that was read) [mm].
    contrast_t, contrast_t_se : tuple of float
        Contrast transmittance and its standard error, red, green and blue, dimensionless.
    mean_t, mean_t_se : tuple of float
        Mean transmittance and its standard error, red, green and blue, dimensionless.
    veil : tuple of float
        Light scattered back, as a share of white beside the vessel.
    attenuation, attenuation_se : tuple of float
        -ln contrast transmittance less the blank's, per channel, dimensionless, not yet
        divided by path; nan where no contrast is left.
    absorbance, absorbance_se : tuple of float
        -ln mean transmittance less the blank's, per channel, natural log.
    blank_se : float
        Part of attenuation_se and absorbance_se that comes from the blank, or from assuming
        one; the same in all channels of a vessel.
    usable : tuple of bool
        Channels that are neither clipped nor crushed.
    greenness : float
        Log-chromaticity: absorbance red (blue for golden species is not used) less green,
        per 10 mm of path. Exposure drops out.
    turbidity_per_mm : float
        Attenuation in the channel with least pigment, per mm of path [1/mm].
    dilution : float
        Final over drawn volume of the sample in the vessel, >= 1; densities are multiplied by it.
    outline : Outline
        Where it was read.
    rows : tuple of BarRow
        Bar pairs from the base line upward.
    flags : tuple of str
        Ids in `densitycam.flags.FLAGS` that do not refuse.
    left_out : float
        Share of the fluid in the part that was read left out for bubbles or glare, 0 to 1.
    straying : float
        How far such photos stray from one another beyond their own noise, against those of a
        round vessel before a registered print, > 0.
    """

    path_mm: float
    contrast_t: RGB
    contrast_t_se: RGB
    mean_t: RGB
    mean_t_se: RGB
    veil: RGB
    attenuation: RGB
    attenuation_se: RGB
    absorbance: RGB
    absorbance_se: RGB
    blank_se: float
    usable: tuple[bool, bool, bool]
    greenness: float
    turbidity_per_mm: float
    dilution: float
    outline: Outline
    rows: tuple[BarRow, ...]
    flags: tuple[str, ...] = ()
    left_out: float = 0.0
    straying: float = 1.0

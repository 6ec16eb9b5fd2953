"""The signals of a reading that a calibration listens to, each as ln of an optical depth."""

from __future__ import annotations

import math
from dataclasses import dataclass

from densitycam.vessel.blank import SEEN_SIGMAS
from densitycam.vessel.reading import Reading

#: Contrast leads, mean brightness is the fallback; blue is left out (it clips to zero in a
#: culture whose green lies outside sRGB, and it saturates first).
SIGNALS = ("contrast red", "contrast green", "mean red", "mean green")

#: Optical depth at which ln is zero: the middle of the good band of transmittance.
CENTRE_DEPTH = 1.5


@dataclass(frozen=True)
class Signal:
    """One signal of one reading.

    Parameters
    ----------
    name : str
        One of `SIGNALS`.
    x : float
        ln(optical depth / `CENTRE_DEPTH`), dimensionless.
    sd : float
        Standard deviation of x by the photo's own noise, without the blank's.
    blank_sd : float
        Standard deviation of x by the blank, which all signals of a vessel share.
    straying : float
        That of the reading.
    """

    name: str
    x: float
    sd: float
    blank_sd: float
    straying: float = 1.0


def signals_of(reading: Reading) -> tuple[Signal, ...]:
    """Return the signals that a reading carries.

    Parameters
    ----------
    reading : Reading
        One photo's measurement.

    Returns
    -------
    tuple of Signal
        Those that are seen, in the order of `SIGNALS`; may be empty.

    Notes
    -----
    Near the end of its range a contrast is only just told from zero. Its error is raised by
    1 / (1 - limit / signal-to-noise), so that its weight falls gently to nothing at the limit and
    the hand-over to mean brightness has neither jump nor dip.
    """
    found = []
    for kind in ("contrast", "mean"):
        depths = reading.attenuation if kind == "contrast" else reading.absorbance
        errors = reading.attenuation_se if kind == "contrast" else reading.absorbance_se
        level = reading.contrast_t if kind == "contrast" else reading.mean_t
        level_se = reading.contrast_t_se if kind == "contrast" else reading.mean_t_se
        for channel, colour in enumerate(("red", "green")):
            depth, error = depths[channel], errors[channel]
            if not (math.isfinite(depth) and math.isfinite(error)) or depth <= 0:
                continue
            own = math.sqrt(max(error**2 - reading.blank_se**2, 1e-8)) / depth
            ratio = SEEN_SIGMAS * level_se[channel] / max(level[channel], 1e-9)
            if ratio >= 1:
                continue
            own /= 1 - ratio
            x = math.log(depth / CENTRE_DEPTH)
            found.append(
                Signal(f"{kind} {colour}", x, own, reading.blank_se / depth, reading.straying)
            )
    return tuple(found)

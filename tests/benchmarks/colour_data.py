"""Lamps, cameras and prints for the benchmarks, made of colour-science's data and not of ours."""

from __future__ import annotations

import colour
import numpy as np

from densitycam.simulate import Lamp, Phone, Print
from densitycam.simulate.light import WAVELENGTHS_NM

#: Illuminants of CIE 15:2018 by way of colour-science, and how soft such a lamp's light is (ours).
_ILLUMINANTS = {"D65": 0.7, "D75": 1.0, "A": 0.1, "FL11": 0.4, "LED-B1": 0.2, "LED-B4": 0.3}

#: Patch reflectances of a published colour chart (Ohta 1997) by way of colour-science.
_CHART = {
    name: sd
    for name, sd in colour.SDS_COLOURCHECKERS["ColorChecker N Ohta"].items()
    if not name.startswith("_")
}


def _on_grid(spectrum: colour.SpectralDistribution) -> np.ndarray:
    """Return a spectrum at the simulator's wavelengths, straight lines between its own."""
    return np.interp(WAVELENGTHS_NM, spectrum.wavelengths, spectrum.values)


def lamps() -> tuple[Lamp, ...]:
    """Return six lamps: two daylights, tungsten, a triband tube, a warm and a cool white LED."""
    made = []
    for name, softness in _ILLUMINANTS.items():
        power = _on_grid(colour.SDS_ILLUMINANTS[name])
        made.append(Lamp(name, tuple(float(p) for p in power / power.mean()), softness))
    return tuple(made)


def _curves(number: int) -> np.ndarray:
    """Return one of two cameras at the simulator's wavelengths, shape (3, 61).

    Measured at the National Physical Laboratory, by way of colour-science.
    """
    key = sorted(colour.MSDS_CAMERA_SENSITIVITIES)[number]
    measured = colour.MSDS_CAMERA_SENSITIVITIES[key]
    columns = np.clip(measured.values, 0.0, None)
    # A filter in front of the sensor ends the red; nothing is measured past the table's end.
    return np.array(
        [np.interp(WAVELENGTHS_NM, measured.wavelengths, c, right=0.0) for c in columns.T]
    )


def _matrix(curves: np.ndarray, *, saturation: float) -> np.ndarray:
    """Return the matrix to linear sRGB that suits the chart best in daylight, rows summing to 1.

    The chart's own linear sRGB comes from colour-science, with the CIE 1931 observer and D65.
    """
    daylight = colour.SDS_ILLUMINANTS["D65"]
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    wanted = np.array(
        [
            colour.XYZ_to_sRGB(
                colour.sd_to_XYZ(sd, cmfs=observer, illuminant=daylight) / 100.0,
                apply_cctf_encoding=False,
            )
            for sd in _CHART.values()
        ]
    )
    weighed = curves * _on_grid(daylight)
    chart = np.array([_on_grid(sd) for sd in _CHART.values()])
    seen = chart @ (weighed / weighed.sum(axis=1, keepdims=True)).T
    fitted, *_ = np.linalg.lstsq(seen, wanted, rcond=None)
    matrix = fitted.T / fitted.T.sum(axis=1, keepdims=True)
    grey = np.full((3, 3), 1.0 / 3.0)
    return grey + saturation * (matrix - grey)


def _broadcast_tone(steps: int = 257) -> tuple[float, ...]:
    """Return linear light at even code steps of the curve of ITU-R BT.709, by colour-science."""
    codes = np.linspace(0.0, 1.0, steps)
    return tuple(float(v) for v in colour.models.oetf_inverse_BT709(codes))


def phones() -> tuple[Phone, ...]:
    """Return four phones: two measured cameras, each with two ways of making a picture.

    The first way is faithful: sRGB curve, little sharpening. The second pleases: the broadcast
    curve with an S-bend, stronger colours, more sharpening, more noise.
    """
    made = []
    for number in (0, 1):
        curves = _curves(number)
        for way in ("plain", "vivid"):
            vivid = way == "vivid"
            matrix = _matrix(curves, saturation=1.15 if vivid else 1.0)
            made.append(
                Phone(
                    name=f"camera-{number + 1}-{way}",
                    centres_nm=(600.0, 540.0, 460.0),  # the measured curves stand in their place
                    widths_nm=(35.0, 40.0, 30.0),
                    leak=0.0,
                    focal_mm=26.0 + number,
                    saturation=1.0,
                    gamma=1.0,
                    s_curve=0.20 if vivid else 0.06,
                    # The second camera stacks its layers: its matrix multiplies noise by six, which
                    # only many quanta a pixel (twelve megapixels binned to two) make bearable.
                    full_well=(4000.0 if vivid else 8000.0) * (1.0 + 4.0 * number),
                    read_noise=(0.0025 if vivid else 0.0012) / (1.0 + 2.0 * number),
                    softness_px=0.9 if vivid else 0.7,
                    sharpening=0.55 if vivid else 0.25,
                    curves=tuple(tuple(float(v) for v in row) for row in curves),
                    matrix=tuple(tuple(float(v) for v in row) for row in matrix),
                    tone=_broadcast_tone() if vivid else None,
                )
            )
    return tuple(made)


def _shares(long: str, middle: str, short: str, *, inks: bool) -> tuple[tuple[float, ...], ...]:
    """Return three spectra that sum to 1, shaped like three patches of the chart.

    `inks` takes what each patch swallows in place of what it sends back.
    """
    parts = []
    for name in (long, middle, short):
        sent = _on_grid(_CHART[name])
        parts.append(np.clip(sent.max() - sent, 0.0, None) + 0.03 if inks else sent)
    shares = np.array(parts) / np.sum(parts, axis=0)
    return tuple(tuple(float(v) for v in row) for row in shares)


def prints() -> tuple[Print, ...]:
    """Return three prints whose colours and paper have the spectra of chart patches.

    A patch sends back paper x (black + (1 - black) x a mix of three spectra), which are shaped
    like the chart's red, green and blue, or like what its cyan, magenta and yellow inks swallow.
    Black, dot gain and strength of colour are the range that home printers cover (common
    practice, no source).
    """
    white = _on_grid(_CHART["white 9.5 (.05 D)"])
    whites = [tuple(float(v) for v in white * share) for share in (1.0, 0.95, 0.92)]
    return (
        Print("chart-inks", (1.08, 1.05, 1.07), (0.045, 0.042, 0.040), (0.92, 0.95, 0.92),
              whites[0], _shares("cyan", "magenta", "yellow", inks=True)),
        Print("chart-toner", (1.15, 1.13, 1.14), (0.030, 0.031, 0.034), (1.02, 1.00, 0.96),
              whites[1], _shares("red", "green", "blue", inks=False)),
        Print("chart-draft", (0.86, 0.85, 0.88), (0.060, 0.056, 0.052), (0.86, 0.82, 0.90),
              whites[2], _shares("orange", "yellow green", "purplish blue", inks=False)),
    )  # fmt: skip

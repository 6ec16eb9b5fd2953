"""Cells per millilitre of a microalgae culture from a photo against a printed card.

The public face is four steps; everything else is reached through its own module:

    read_photo   a photo file becomes a reading (`densitycam.vessel.read`)
    calibrate    readings paired with slide counts become a calibration
    estimate     a reading and a calibration become cells/mL with an interval
    advise       a vessel's history becomes what to do today

They are imported on first use, so that `import densitycam` costs nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

__all__ = ["__version__", "advise", "calibrate", "estimate", "read_photo"]

if TYPE_CHECKING:
    from densitycam.calibration.model import estimate
    from densitycam.calibration.model import fit_calibration as calibrate
    from densitycam.culture.readiness import decide as advise
    from densitycam.vessel.read import read_photo

_FACE = {
    "read_photo": ("densitycam.vessel.read", "read_photo"),
    "calibrate": ("densitycam.calibration.model", "fit_calibration"),
    "estimate": ("densitycam.calibration.model", "estimate"),
    "advise": ("densitycam.culture.readiness", "decide"),
}


def __getattr__(name: str) -> Any:
    """Import a step of the public face when it is first asked for."""
    if name not in _FACE:
        raise AttributeError(f"module 'densitycam' has no attribute {name!r}")
    from importlib import import_module

    module, attribute = _FACE[name]
    step = getattr(import_module(module), attribute)
    globals()[name] = step
    return step


def __dir__() -> list[str]:
    return sorted(__all__)

"""What is known of a vessel before any photo: its name, species, volume, light path and shape."""

from __future__ import annotations

from dataclasses import dataclass

#: The shapes the optics know.
SHAPES = ("cylinder", "flat", "bag")


@dataclass(frozen=True)
class VesselRecord:
    """A vessel as its keeper describes it once.

    Parameters
    ----------
    name : str
        Unique name in the journal.
    species : str
        Id of a species folder, such as "nannochloropsis".
    working_volume_ml : float
        Culture it holds when full [mL], > 0.
    path_mm : float
        Inner width along the line of sight: a cylinder's inner diameter, a flat bottle's
        inner thickness, the thickness of a hanging bag in its middle [mm], > 0.
    shape : {"cylinder", "flat", "bag"}
        Form of the fluid; a bag is soft, hangs from its top and is welded at both sides.
    width_mm : float or None
        Outer width as seen from the front, a cylinder's outer diameter [mm], > 0; None where it
        was not measured. A photo of another vessel, or of this one off its place, then shows.

    Raises
    ------
    ValueError
        For a name that is empty, a volume, path or width that is not positive, a width under a
        cylinder's inner diameter, one of a bag, or another shape.
    """

    name: str
    species: str
    working_volume_ml: float
    path_mm: float
    shape: str = "cylinder"
    width_mm: float | None = None

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise ValueError("a vessel needs a name")
        if not self.working_volume_ml > 0:
            raise ValueError(f"working volume must be above 0 mL, not {self.working_volume_ml:g}")
        if not self.path_mm > 0:
            raise ValueError(f"light path must be above 0 mm, not {self.path_mm:g}")
        if self.shape not in SHAPES:
            raise ValueError(f"shape must be one of {', '.join(SHAPES)}, not {self.shape!r}")
        if self.width_mm is None:
            return
        if self.shape == "bag":
            raise ValueError("a soft bag has no width of its own: it bulges as it fills")
        least = self.path_mm if self.shape == "cylinder" else 0.0
        if not self.width_mm > least:
            raise ValueError(
                f"outer width must be above {least:g} mm, not {self.width_mm:g}"
                + (": it is the outer diameter, path the inner one" if least else "")
            )

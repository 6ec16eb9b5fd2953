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

    Raises
    ------
    ValueError
        For a name that is empty, a volume or path that is not positive, or another shape.
    """

    name: str
    species: str
    working_volume_ml: float
    path_mm: float
    shape: str = "cylinder"

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise ValueError("a vessel needs a name")
        if not self.working_volume_ml > 0:
            raise ValueError(f"working volume must be above 0 mL, not {self.working_volume_ml:g}")
        if not self.path_mm > 0:
            raise ValueError(f"light path must be above 0 mm, not {self.path_mm:g}")
        if self.shape not in SHAPES:
            raise ValueError(f"shape must be one of {', '.join(SHAPES)}, not {self.shape!r}")

"""One shot described in full, truth included, and scenes drawn at random for benchmarks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from densitycam.card.layout import card_layout
from densitycam.simulate.cells import SPECIES, vanishing_cells_per_ml
from densitycam.simulate.light import LAMPS, Lamp, lamp_of
from densitycam.simulate.phones import PHONES, Phone
from densitycam.simulate.prints import PRINTS, Print
from densitycam.simulate.vessels import VESSELS, Vessel, as_vessel

#: Ways in which a shot can be spoilt by what is in the picture.
DEFECTS = ("", "no-card", "hand")


@dataclass(frozen=True)
class Glare:
    """One upright stripe of lamp light mirrored by the glass.

    Parameters
    ----------
    facing : float
        Where: angle of the wall's normal [rad] on a cylinder, -1 to 1 across a flat bottle.
    width : float
        Standard deviation, in the same unit.
    strength : float
        Brightness at its middle against paper white.
    low_mm, high_mm : float
        Its ends above the shelf [mm].
    """

    facing: float
    width: float
    strength: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True)
class Shadow:
    """A straight, hard-edged shadow, of a window frame or of the phone, that falls on the card.

    Parameters
    ----------
    x_mm : float
        Where its edge meets the base line, from the card's middle [mm]; left of it is dark.
    slope : float
        Sideways lean of the edge, per height.
    depth : float
        Share of the light that is missing, 0 to 1.
    """

    x_mm: float
    slope: float
    depth: float


@dataclass(frozen=True)
class Scene:
    """Everything about one shot.

    Parameters
    ----------
    seed : int
        Of noise and bubbles.
    room_seed : int
        Of wall, shelf and the vessel's cap; the same room looks the same.
    species : str
        Key of `SPECIES`.
    cells_per_ml : float
        True density of the fluid in the vessel, >= 0; 0 is clean salt water [cells/mL].
    vessel : str, Vessel or None
        Key of `VESSELS`, or a vessel of another make; None is the bare card.
    phone, lamp, print_name : str, or Phone, Lamp, Print
        Keys of `PHONES`, `LAMPS`, `PRINTS`, or one of another make.
    paper : {"a4", "letter"}
        Sheet format.
    size_px : tuple of int
        Width and height as seen upright [px].
    yaw_deg, pitch_deg, roll_deg : float
        Camera to the right of, above, and turned against the card's normal [deg].
    fill : float
        Share of the frame, in its tighter direction, that the card takes, 0 to 1.
    shift : tuple of float
        Place of the card in the frame's free room, -1 to 1 each way.
    zoom : float
        Crop against the phone's focal length, >= 1.
    exposure : float
        Linear value of paper white in even light, 1 is clipping.
    balance_error : tuple of float
        Gain error of red and of blue, 1 is none.
    gradient : tuple of float
        Relative change of the light from card middle to right edge, and to top edge.
    hollow : float
        Relative loss of light at the card's corners.
    shaded_share : float
        Share of the light on bars behind the vessel that crossed the culture, 0 to 1.
    shadow_drop_mm : float
        How far below the fluid's surface its shadow on the card ends [mm].
    x_mm, gap_error_mm : float
        Vessel's place against the middle of its stand, and its back against the gap line [mm].
    level_mm : float
        Height of the fluid's surface above the shelf [mm].
    settled : float
        0 is even; density falls by exp(-settled) from floor to surface, mean kept.
    bubbles : int
        How many on the wall and in the fluid.
    foam_mm : float
        Height of foam on the surface [mm].
    foam_cell_mm : float
        Width of the foam's cells [mm]; 0 draws it as one even band.
    aeration : float
        Share of the fluid's front that bubbles of an air line left on cover, 0 to 1.
    film, film_ring : float
        Optical depth, -ln of the contrast left at 550 nm, of algae grown on the inside of the
        wall, front and back together: mean of the patches over the wall, and at the middle of a
        ring at the waterline.
    film_top_mm : float or None
        Height to which the film has grown [mm]; None is the fluid's surface.
    glare : tuple of Glare
        Mirrored lamps.
    haze : float
        Brightness of the room mirrored by the glass, against paper white.
    pigment_scale, extra_scatter : float
        Pigment a cell against normal; colourless scattering against the cells' own.
    blur_px : float
        Extra blur, standard deviation at 1600 px width [px].
    grain : float
        Noise variance against the phone's at its best; 1 is good light.
    defect : str
        One of `DEFECTS`.
    motion : tuple of float
        How far the phone moved while it exposed, right and down, at 1600 px width [px].
    shadow : Shadow or None
        A hard-edged shadow on the card.
    second_x_mm : float or None
        Place of a second vessel of the same culture, as `x_mm`.
    flicker : tuple of float
        Bands of a flickering lamp: depth, 0 to 1, and how many fit the picture's height.
    mirrored : bool
        The picture is saved mirrored, as selfie cameras do.
    jpeg_quality : int
        1 to 95.
    orientation : int
        EXIF orientation the file is stored in, 1 to 8.
    taken_at : datetime
        Local, naive.
    utc_offset : str
        Such as "+01:00".
    note : str
        What is special, for people.
    """

    seed: int
    room_seed: int = 0
    species: str = "nannochloropsis"
    cells_per_ml: float = 2e7
    vessel: str | Vessel | None = "flat-20"
    phone: str | Phone = "heron"
    lamp: str | Lamp = "daylight"
    print_name: str | Print = "inkjet"
    paper: str = "a4"
    size_px: tuple[int, int] = (1600, 1200)
    yaw_deg: float = 0.0
    pitch_deg: float = 4.0
    roll_deg: float = 0.0
    fill: float = 0.8
    shift: tuple[float, float] = (0.0, 0.0)
    zoom: float = 1.3
    exposure: float = 0.72
    balance_error: tuple[float, float] = (1.0, 1.0)
    gradient: tuple[float, float] = (0.05, 0.05)
    hollow: float = 0.04
    shaded_share: float = 0.4
    shadow_drop_mm: float = 8.0
    x_mm: float = 0.0
    gap_error_mm: float = 0.0
    level_mm: float = 145.0
    settled: float = 0.0
    bubbles: int = 0
    foam_mm: float = 0.0
    foam_cell_mm: float = 0.0
    aeration: float = 0.0
    film: float = 0.0
    film_ring: float = 0.0
    film_top_mm: float | None = None
    glare: tuple[Glare, ...] = ()
    haze: float = 0.25
    pigment_scale: float = 1.0
    extra_scatter: float = 0.0
    blur_px: float = 0.0
    grain: float = 1.0
    defect: str = ""
    motion: tuple[float, float] = (0.0, 0.0)
    shadow: Shadow | None = None
    second_x_mm: float | None = None
    flicker: tuple[float, float] = (0.0, 0.0)
    mirrored: bool = False
    jpeg_quality: int = 88
    orientation: int = 1
    taken_at: datetime = datetime(2026, 3, 1, 9, 0)
    utc_offset: str = "+01:00"
    note: str = ""

    def __post_init__(self) -> None:
        choices = (
            ("species", self.species, SPECIES),
            ("phone", self.phone, PHONES),
            ("lamp", self.lamp, LAMPS),
            ("print_name", self.print_name, PRINTS),
            ("vessel", self.vessel, (*VESSELS, None)),
            ("defect", self.defect, DEFECTS),
            ("orientation", self.orientation, range(1, 9)),
        )
        for field, value, known in choices:
            if isinstance(value, (Phone, Lamp, Print, Vessel)):
                continue
            if value not in known:
                raise ValueError(f"{field} must be one of {', '.join(map(str, known))}: {value!r}")
        if self.cells_per_ml < 0:
            raise ValueError(f"cells_per_ml must not be below 0, not {self.cells_per_ml:g}")

    @property
    def places_mm(self) -> tuple[float, ...]:
        """Where vessels stand, against the middle of their stand [mm]."""
        return (self.x_mm,) if self.second_x_mm is None else (self.x_mm, self.second_x_mm)


def _draw_glare(rng: np.random.Generator, *, shape: str, softness: float) -> tuple[Glare, ...]:
    """Draw one to three stripes of mirrored lamps."""
    stripes = []
    for _ in range(int(rng.integers(1, 4))):
        side = float(rng.choice([-1.0, 1.0]))
        if shape == "cylinder":
            facing, width = side * rng.uniform(0.45, 1.1), rng.uniform(0.012, 0.035)
        else:
            facing, width = side * rng.uniform(0.82, 0.95), rng.uniform(0.008, 0.02)
        low = rng.uniform(5.0, 50.0)
        stripes.append(
            Glare(
                facing=float(facing),
                width=float(width * (1.0 + softness)),
                strength=float(rng.uniform(0.25, 1.3) * (1.0 - 0.75 * softness)),
                low_mm=float(low),
                high_mm=float(low + rng.uniform(40.0, 110.0)),
            )
        )
    return tuple(stripes)


def random_scene(
    rng: np.random.Generator,
    *,
    species: str | Sequence[str] | None = None,
    vessel: str | Vessel | Sequence[str | Vessel] | None = None,
    phone: str | Phone | Sequence[str | Phone] | None = None,
    lamp: str | Lamp | Sequence[str | Lamp] | None = None,
    print_name: str | Print | Sequence[str | Print] | None = None,
    paper: str = "a4",
    cells_per_ml: float | None = None,
    attenuation_range: tuple[float, float] = (0.15, 4.5),
    max_tilt_deg: float = 12.0,
    fill_range: tuple[float, float] = (0.72, 0.95),
    exposure_range: tuple[float, float] = (0.55, 0.85),
    max_gradient: float = 0.15,
    jpeg_quality_range: tuple[int, int] = (75, 95),
    size_px: tuple[int, int] = (1600, 1200),
    bare_card: bool = False,
) -> Scene:
    """Draw a plausible shot.

    Parameters
    ----------
    rng : numpy.random.Generator
        From `numpy.random.default_rng(seed)`.
    species, vessel, phone, lamp, print_name : str or its object, sequence of them, or None
        One, some to draw from, or None for all of ours. A species is always a name.
    paper : {"a4", "letter"}, default "a4"
        Sheet format.
    cells_per_ml : float or None
        True density [cells/mL]; None draws it so that the contrast's attenuation is
        log-uniform in `attenuation_range`.
    attenuation_range : tuple of float
        Lowest and highest attenuation, > 0, dimensionless.
    max_tilt_deg : float
        Most tilt against the card's normal [deg], up to 30.
    fill_range, exposure_range : tuple of float
        Share of the frame taken by the card; linear value of paper white.
    max_gradient : float
        Most relative change of the light from the card's middle to its edge.
    jpeg_quality_range : tuple of int
        Lowest and highest, both taken.
    size_px : tuple of int
        Width and height [px].
    bare_card : bool, default False
        Without a vessel.

    Returns
    -------
    Scene
        Same for the same state of `rng`.

    Raises
    ------
    KeyError
        For a name of vessel or lamp that is none.
    ValueError
        For another sheet format.
    """

    def pick(wanted: Any, table: dict[str, Any]) -> Any:
        if wanted is None:
            wanted = sorted(table)
        some = wanted if isinstance(wanted, Sequence) and not isinstance(wanted, str) else [wanted]
        return some[int(rng.integers(len(some)))]

    kind = pick(species, SPECIES)
    stood = pick(vessel, VESSELS)
    form = as_vessel(stood)
    lit = pick(lamp, LAMPS)
    light = lamp_of(lit)
    low, high = attenuation_range
    wanted = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    drawn = vanishing_cells_per_ml(
        SPECIES[kind],
        path_mm=form.path_mm,
        behind_mm=card_layout(paper).gap_mm + form.wall_mm,
        attenuation=wanted,
    )
    tilt = float(max_tilt_deg * np.sqrt(rng.uniform(0.0, 1.0)))
    way = float(rng.uniform(0.0, 2.0 * np.pi))
    pitch = tilt * float(np.sin(way))
    return Scene(
        seed=int(rng.integers(2**31)),
        room_seed=int(rng.integers(2**31)),
        species=kind,
        cells_per_ml=drawn if cells_per_ml is None else cells_per_ml,
        vessel=None if bare_card else stood,
        phone=pick(phone, PHONES),
        lamp=lit,
        print_name=pick(print_name, PRINTS),
        paper=paper,
        size_px=size_px,
        yaw_deg=tilt * float(np.cos(way)),
        pitch_deg=abs(pitch) if pitch < -6.0 else pitch,  # nobody holds it under the shelf
        roll_deg=float(np.clip(rng.normal(0.0, 2.0), -6.0, 6.0)),
        fill=float(rng.uniform(*fill_range)),
        shift=(float(rng.uniform(-0.7, 0.7)), float(rng.uniform(-0.7, 0.7))),
        zoom=float(rng.uniform(1.0, 1.7)),
        exposure=float(rng.uniform(*exposure_range)),
        balance_error=(float(rng.normal(1.0, 0.025)), float(rng.normal(1.0, 0.035))),
        gradient=(
            float(rng.uniform(-max_gradient, max_gradient)),
            float(rng.uniform(-0.3, 1.0) * max_gradient),
        ),
        hollow=float(rng.uniform(0.0, 0.08)),
        shaded_share=float(np.clip(rng.normal(form.shaded_share, 0.03), 0.2, 0.7)),
        shadow_drop_mm=float(rng.uniform(0.0, 18.0)),
        x_mm=float(rng.normal(0.0, 2.5)),
        gap_error_mm=float(rng.normal(0.0, 0.5)),
        level_mm=form.fill_mm * float(rng.uniform(0.96, 1.0)),
        bubbles=int(rng.integers(0, 25)),
        glare=_draw_glare(rng, shape=form.shape, softness=light.softness),
        haze=float(rng.uniform(0.1, 0.35)),
        blur_px=float(rng.uniform(0.0, 0.6)),
        grain=float(np.exp(rng.uniform(0.0, np.log(5.0)))),
        jpeg_quality=int(rng.integers(jpeg_quality_range[0], jpeg_quality_range[1] + 1)),
        orientation=int(rng.choice([1, 1, 1, 3, 6, 8])),
    )


def spoilt(scene: Scene, how: str) -> Scene:
    """Return a shot spoilt in one way.

    Parameters
    ----------
    scene : Scene
        A good shot.
    how : str
        What went wrong. In the picture: "blurred", "moved", "dark", "overexposed", "far",
        "tilted", "mirrored", "flicker", "cut" (half the card outside). On the card: "no-card",
        "hand" (over half of it), "shadow" (hard edge), "glare" (over the reading area). With
        the vessel: "bare" (none), "two", "forward" (well before the gap line), "beside" (past
        the end of the bars).

    Raises
    ------
    ValueError
        For another word.

    Notes
    -----
    A card printed at the wrong scale is not among them: one photo cannot tell a small card from
    a near one. It can only be seen where the vessel's width is known, and the light path is taken
    from the vessel's record and not from the card, so that a density hardly minds it.
    """
    rng = np.random.default_rng([scene.seed, 61])
    side = float(rng.choice([-1.0, 1.0]))
    reach = as_vessel(scene.vessel or "flat-20").half_width_mm
    card_mm = card_layout(scene.paper).bar_field.width_mm
    flat = as_vessel(scene.vessel or "flat-20").shape == "flat"
    turn = float(rng.uniform(0.0, np.pi))
    tilt = float(rng.uniform(36.0, 45.0))
    glare = Glare(
        facing=float(rng.uniform(-0.1, 0.1)),
        width=float(rng.uniform(0.20, 0.35)) if flat else float(rng.uniform(0.15, 0.25)),
        strength=float(rng.uniform(0.5, 1.2)),
        low_mm=0.0,
        high_mm=scene.level_mm,
    )
    changes: dict[str, dict[str, Any]] = {
        "blurred": {"blur_px": 9.0},
        "moved": {"motion": (24.0 * float(np.cos(turn)), 24.0 * float(np.sin(turn)))},
        "dark": {"exposure": 0.03, "grain": 12.0},
        "overexposed": {"exposure": 2.2},
        "far": {"fill": 0.16},
        "tilted": {"yaw_deg": side * tilt, "pitch_deg": float(rng.uniform(0.0, 8.0))},
        "mirrored": {"mirrored": True},
        "flicker": {"flicker": (float(rng.uniform(0.2, 0.4)), float(rng.uniform(3.0, 7.0)))},
        "cut": {"fill": 0.55, "shift": (side * float(rng.uniform(2.2, 2.8)), 0.0)},
        "no-card": {"defect": "no-card"},
        "hand": {"defect": "hand"},
        "shadow": {
            "shadow": Shadow(
                x_mm=float(rng.uniform(-60.0, 60.0)),
                slope=float(rng.uniform(-0.5, 0.5)),
                depth=float(rng.uniform(0.35, 0.6)),
            )
        },
        "glare": {"glare": (glare,)},
        "bare": {"vessel": None},
        "two": {"x_mm": -reach - 3.0, "second_x_mm": reach + 3.0},
        "forward": {"gap_error_mm": float(rng.uniform(30.0, 50.0))},
        "beside": {"x_mm": side * (card_mm / 2.0 + reach + float(rng.uniform(-5.0, 5.0)))},
    }
    if how not in changes:
        raise ValueError(f"how must be one of {', '.join(changes)}, not {how!r}")
    return replace(scene, note=how, **changes[how])

"""The benchmark's scenes: vessels, ranges, seeds, slides, and each term of the error switched off.

Seeds: every draw comes from `default_rng([base, group, purpose])`. The base of the full run,
`FULL`, is used by nothing else, by no test and no tuning; `QUICK` is for tuning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import colour_data
import numpy as np

from densitycam.card.layout import card_layout
from densitycam.simulate import SPECIES, VESSELS, Scene, phone_of, random_scene, spoilt
from densitycam.simulate.cells import vanishing_cells_per_ml
from densitycam.simulate.phones import colour_matrix

FULL, QUICK = 5_481_226, 9_204_117

#: Attenuation of the bars at 550 nm, by the simulator, in the stated range and over the whole.
WORKING, WHOLE = (0.3, 3.5), (0.1, 7.0)

#: Linear value of card white at 0 EV, at the brightest place of the card, against full scale.
WHITE_AT_0_EV = 0.45
EV = (-1.5, 1.0)
MAX_TILT_DEG = 25.0

LAMPS, PHONES, PRINTS = colour_data.lamps(), colour_data.phones(), colour_data.prints()

#: Lamp, phone and print under which a set of slides is photographed.
SLIDE_SETS = ((0, 0, 0), (4, 3, 1), (1, 2, 2), (5, 1, 0))


@dataclass(frozen=True)
class Group:
    """A vessel and what lives in it; `number` goes into its seeds."""

    name: str
    number: int
    vessel: str
    species: str


GROUPS = (
    Group("flat 20 mm", 1, "flat-20", "nannochloropsis"),
    Group("cylinder 60 mm", 2, "cylinder-60", "isochrysis"),
    Group("cylinder 100 mm", 3, "cylinder-100", "tetraselmis"),
)


def group_rng(group: Group, purpose: int, *, quick: bool) -> np.random.Generator:
    """Return the generator of one purpose in one group."""
    return np.random.default_rng([QUICK if quick else FULL, group.number, purpose])


@lru_cache(maxsize=4096)
def density_at(group: Group, attenuation: float) -> float:
    """Return the density at which the bars behind the group's vessel fade so far [cells/mL]."""
    vessel = VESSELS[group.vessel]
    behind = card_layout("a4").gap_mm + vessel.wall_mm
    return vanishing_cells_per_ml(
        SPECIES[group.species], path_mm=vessel.path_mm, behind_mm=behind, attenuation=attenuation
    )


def cast(scene: Scene) -> Scene:
    """Return the scene with its white balance error, doubled, as the picture's white shows it.

    The simulator errs before the colour matrix, which makes little of it or much; keepers see
    what comes after.
    """
    red, blue = (1.0 + 2.0 * (e - 1.0) for e in scene.balance_error)
    r, g, b = np.linalg.solve(colour_matrix(phone_of(scene.phone)), np.array([red, 1.0, blue]))
    return replace(scene, balance_error=(float(r / g), float(b / g)))


def exposed(scene: Scene, ev: float) -> Scene:
    """Return the scene exposed so that the card's brightest channel and place is at so many EV."""
    balance = (scene.balance_error[0], 1.0, scene.balance_error[1])
    white = colour_matrix(phone_of(scene.phone)) @ np.array(balance)
    brightest = float(white.max()) * (1.0 + abs(scene.gradient[0]) + abs(scene.gradient[1]))
    return replace(scene, exposure=WHITE_AT_0_EV * 2.0**ev / brightest)


def shot(group: Group, rng: np.random.Generator, **fixed: Any) -> Scene:
    """Draw one photo of a group as the benchmark's conditions have it."""
    scene = random_scene(
        rng,
        species=group.species,
        vessel=group.vessel,
        max_tilt_deg=MAX_TILT_DEG,
        jpeg_quality_range=(75, 95),
        **{"phone": PHONES, "lamp": LAMPS, "print_name": PRINTS, **fixed},
    )
    return exposed(cast(scene), float(rng.uniform(*EV)))


def test_shots(
    group: Group, count: int, *, quick: bool, attenuation: tuple[float, float], purpose: int
) -> list[Scene]:
    """Draw photos over all lamps, phones and prints, each combination about equally often."""
    rng = group_rng(group, purpose, quick=quick)
    combinations = [(a, b, c) for a in LAMPS for b in PHONES for c in PRINTS]
    order: list[int] = []
    while len(order) < count:
        order += rng.permutation(len(combinations)).tolist()
    shots = []
    for n in order[:count]:
        lamp, phone, made = combinations[n]
        shots.append(
            shot(group, rng, lamp=lamp, phone=phone, print_name=made, attenuation_range=attenuation)
        )
    return shots


def slide_shots(group: Group, which: int, *, quick: bool) -> list[Scene]:
    """Draw the eight photos whose cultures are counted, one lamp, one phone, one print."""
    rng = group_rng(group, 100 + which, quick=quick)
    lamp, phone, made = SLIDE_SETS[which]
    fixed = {"lamp": LAMPS[lamp], "phone": PHONES[phone], "print_name": PRINTS[made]}
    return [
        replace(
            shot(group, rng, cells_per_ml=density_at(group, float(attenuation)), **fixed),
            note=f"slide set {which}",
        )
        for attenuation in np.geomspace(*WORKING, 8)
    ]


def blank_shots(group: Group, *, quick: bool) -> list[Scene]:
    """Draw three photos of the vessel with clean salt water, well lit, held straight."""
    rng = group_rng(group, 200, quick=quick)
    fixed = {"lamp": LAMPS[0], "phone": PHONES[0], "print_name": PRINTS[0]}
    shots = []
    for _ in range(3):
        scene = shot(group, rng, cells_per_ml=0.0, **fixed)
        straight = replace(scene, yaw_deg=0.3 * scene.yaw_deg, pitch_deg=0.3 * scene.pitch_deg)
        shots.append(exposed(straight, 0.6))
    return shots


def bare_shots(*, quick: bool) -> list[list[Scene]]:
    """Draw two photos of the bare card a print, in two daylights, as print registering asks."""
    rng = np.random.default_rng([QUICK if quick else FULL, 0, 300])
    return [
        [
            exposed(
                cast(
                    random_scene(
                        rng,
                        bare_card=True,
                        phone=PHONES[0],
                        lamp=lamp,
                        print_name=made,
                        max_tilt_deg=6.0,
                        max_gradient=0.06,
                    )
                ),
                0.6,
            )
            for lamp in LAMPS[:2]
        ]
        for made in PRINTS
    ]


def repeat_shots(*, quick: bool) -> list[tuple[Group, list[Scene]]]:
    """Draw five cultures, each shot twelve times: other noise, pose and exposure, all else kept."""
    kept = ("lamp", "phone", "print_name", "cells_per_ml", "room_seed", "level_mm", "gradient",
            "hollow", "shaded_share", "shadow_drop_mm", "x_mm", "gap_error_mm", "haze", "glare",
            "balance_error")  # fmt: skip
    cultures = []
    for number, (group, attenuation) in enumerate(
        zip((*GROUPS, *GROUPS[:2]), (1.0, 1.0, 1.0, 0.5, 2.5), strict=True)
    ):
        rng = np.random.default_rng([QUICK if quick else FULL, group.number, 400 + number])
        density = density_at(group, attenuation)
        first = shot(group, rng, cells_per_ml=density)
        same = {name: getattr(first, name) for name in kept}
        shots = [
            exposed(
                replace(shot(group, rng, cells_per_ml=density), **same), float(rng.uniform(*EV))
            )
            for _ in range(12)
        ]
        cultures.append((group, shots))
    return cultures


#: Ways of spoiling a photo, see `densitycam.simulate.spoilt`.
SPOILT = ("blurred", "moved", "dark", "overexposed", "far", "tilted", "mirrored", "flicker", "cut",
          "no-card", "hand", "shadow", "glare", "bare", "two", "forward", "beside")  # fmt: skip


def spoilt_shots(how: str, count: int, *, quick: bool) -> list[tuple[Group, Scene]]:
    """Draw photos that are good but for one thing."""
    base = QUICK if quick else FULL
    rng = np.random.default_rng([base, 9, 500 + SPOILT.index(how)])
    shots = []
    for n in range(count):
        group = GROUPS[n % len(GROUPS)]
        scene = random_scene(
            rng,
            species=group.species,
            vessel=group.vessel,
            phone=PHONES,
            lamp=LAMPS,
            print_name=PRINTS,
            attenuation_range=WORKING,
        )
        shots.append((group, spoilt(cast(scene), how)))
    return shots


#: Records that are wrong by these factors: of another vessel, and, as the card's millimetres are
#: then shorter, of the right one before a card printed at 90 to 94 % ("fit to page").
WRONG_RECORDS = {"other vessel": (0.8, 1.25), "print scale": (0.90, 0.92, 0.94)}


def good_shots(how: str, count: int, *, quick: bool) -> list[tuple[Group, Scene]]:
    """Draw good photos, to be read by a record that is wrong."""
    number = list(WRONG_RECORDS).index(how)
    rng = np.random.default_rng([QUICK if quick else FULL, 9, 710 + number])
    groups = [GROUPS[n % len(GROUPS)] for n in range(count)]
    return [(g, shot(g, rng, attenuation_range=WORKING)) for g in groups]


def _mild(scene: Scene) -> dict[str, Any]:
    return {"yaw_deg": 0.0, "pitch_deg": 4.0, "roll_deg": 0.0, "shift": (0.0, 0.0), "zoom": 1.3,
            "fill": 0.8}  # fmt: skip


def without(term: str, scene: Scene, *, lamp: Any, phone: Any, made: Any) -> Scene:
    """Return the scene with one term of the error switched off.

    Parameters
    ----------
    term : str
        Key of `TERMS`.
    scene : Scene
        With everything on.
    lamp, phone, made : Lamp, Phone, Print
        Those under which the slides were photographed.
    """
    changes: dict[str, dict[str, Any]] = {
        "nothing": {},
        "print": {"print_name": made},
        "lamp": {"lamp": lamp},
        "phone (tone, colour)": {"phone": phone, "balance_error": (1.0, 1.0)},
        "pose": _mild(scene),
        "exposure": {"exposure": WHITE_AT_0_EV * 2.0**0.6 / 1.1},
        "uneven light": {"gradient": (0.0, 0.0), "hollow": 0.0},
        "vessel's shadow": {
            "shaded_share": VESSELS[str(scene.vessel)].shaded_share,
            "shadow_drop_mm": 8.0,
        },
        "vessel's place": {"x_mm": 0.0, "gap_error_mm": 0.0},
        "glare, haze, bubbles": {"glare": (), "haze": 0.2, "bubbles": 0},
        "noise, JPEG, blur": {"grain": 0.05, "jpeg_quality": 95, "blur_px": 0.0},
    }
    return replace(scene, **changes[term])


#: Terms of the error that `without` knows.
TERMS: Sequence[str] = ("nothing", "print", "lamp", "phone (tone, colour)", "pose", "exposure",
                        "uneven light", "vessel's shadow", "vessel's place",
                        "glare, haze, bubbles", "noise, JPEG, blur")  # fmt: skip

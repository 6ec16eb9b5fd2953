"""What a print really reflects: the profile measured from photos of the bare card."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from densitycam.card.layout import CardLayout, Patch
from densitycam.errors import DensitycamError
from densitycam.json_text import UNFIT, read_json

#: Version of the text that `profile_to_json` writes.
FORMAT = 1

RGB = tuple[float, float, float]


@dataclass(frozen=True)
class PrintProfile:
    """Linear reflectances of one print, relative to its own bare paper.

    Parameters
    ----------
    paper : {"a4", "letter"}
        The card's format.
    version : int
        The layout edition.
    reflectance : mapping of str to tuple of float
        By patch name, red, green, blue, paper = 1.
    photos : int
        Photos it was measured from.
    disagreement : float
        Root mean square difference of single photos from their mean [natural log]; nan for one.
    """

    paper: str
    version: int
    reflectance: Mapping[str, RGB]
    photos: int
    disagreement: float


def nominal_profile(layout: CardLayout) -> PrintProfile:
    """Return what the layout table says, for a print that is not registered.

    Parameters
    ----------
    layout : CardLayout
        The sheet's edition.
    """
    return PrintProfile(
        paper=layout.paper,
        version=layout.version,
        reflectance={p.name: p.reflectance for p in patches_of(layout)},
        photos=0,
        disagreement=math.nan,
    )


def patches_of(layout: CardLayout) -> tuple[Patch, ...]:
    """Return the patches whose reflectance a profile holds: grey steps, colours and black bars.

    Parameters
    ----------
    layout : CardLayout
        The sheet's edition.
    """
    return (*layout.grey_left, *layout.grey_right, *layout.colours)


def mean_profile(profiles: Sequence[PrintProfile]) -> PrintProfile:
    """Average profiles of several photos of one print, in the logarithm.

    Parameters
    ----------
    profiles : sequence of PrintProfile
        At least one, of one paper and edition.

    Returns
    -------
    PrintProfile
        Their mean, and how far single photos lie from it.

    Raises
    ------
    DensitycamError
        When the photos show different cards.
    """
    first = profiles[0]
    if any((p.paper, p.version) != (first.paper, first.version) for p in profiles):
        raise DensitycamError(
            "These photos show cards of different format or edition.",
            "Register each print with its own photos.",
        )
    reflectance: dict[str, RGB] = {}
    squares, count = 0.0, 0
    for name in first.reflectance:
        means = []
        for channel in range(3):
            logs = [math.log(p.reflectance[name][channel]) for p in profiles]
            mean = sum(logs) / len(logs)
            squares += sum((v - mean) ** 2 for v in logs)
            count += len(logs) - 1
            means.append(math.exp(mean))
        reflectance[name] = (means[0], means[1], means[2])
    return PrintProfile(
        paper=first.paper,
        version=first.version,
        reflectance=reflectance,
        photos=sum(p.photos for p in profiles),
        disagreement=math.sqrt(squares / count) if count else math.nan,
    )


def profile_to_json(profile: PrintProfile) -> str:
    """Return a profile as plain text, one patch a line.

    Parameters
    ----------
    profile : PrintProfile
        Of one print.
    """
    return json.dumps({"format": FORMAT, **asdict(profile)}, indent=1) + "\n"


def profile_from_json(text: str) -> PrintProfile:
    """Read a profile back.

    Parameters
    ----------
    text : str
        As `profile_to_json` wrote it.

    Returns
    -------
    PrintProfile
        The same.

    Raises
    ------
    DensitycamError
        For damaged text, a reflectance that is not between 0 and 2, or a newer format.
    """
    try:
        data = read_json(text)
        version = int(data.pop("format"))
        if version > FORMAT:
            raise DensitycamError(
                f"This print profile has format {version}; this densitycam knows up to {FORMAT}.",
                "Upgrade densitycam.",
            )
        reflectance = {
            str(name): (float(v[0]), float(v[1]), float(v[2]))
            for name, v in data["reflectance"].items()
        }
        if not all(0 < x < 2 for values in reflectance.values() for x in values):
            raise ValueError("a reflectance is not between 0 and 2")
        return PrintProfile(
            paper=str(data["paper"]),
            version=int(data["version"]),
            reflectance=reflectance,
            photos=int(data["photos"]),
            disagreement=float(data["disagreement"]),
        )
    except UNFIT as error:
        raise DensitycamError(
            f"This print profile cannot be read ({error}).",
            "Register the print again with 'densitycam card register'.",
        ) from None

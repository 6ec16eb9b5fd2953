"""The slide photo of `densitycam count`: counted, drawn, and taken only when the keeper accepts."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densitycam.cli.options import check_places
from densitycam.counting.slide import MOST_CELLS
from densitycam.counting.typed import whole_typed
from densitycam.errors import DensitycamError
from densitycam.wording import entry

if TYPE_CHECKING:
    from densitycam.counting.slide_photo import SlidePhoto
    from densitycam.vessel.record import VesselRecord

__all__ = ["corrections_of", "count_photo", "show_photo"]


def _picture_beside(photo: Path) -> Path:
    """Return where the annotated picture goes when the user named no place."""
    return photo.with_name(f"{photo.stem}-counted.jpg")


def corrections_of(words: Iterable[str]) -> dict[int, int]:
    """Read corrections such as 3=41.

    Parameters
    ----------
    words : iterable of str
        SQUARE=COUNT each.

    Returns
    -------
    dict of int to int
        Count by square.

    Raises
    ------
    click.BadParameter
        For any other form, or a square corrected twice.
    """
    found: dict[int, int] = {}
    for word in words:
        square, _, count = word.partition("=")
        number, cells = (whole_typed(part, most=MOST_CELLS) for part in (square, count))
        if number is None or cells is None:
            raise click.BadParameter(
                f"{word!r} is not a square and its count, such as 3=41.", param_hint="--correct"
            )
        if number in found:
            raise click.BadParameter(f"square {number} is corrected twice.", param_hint="--correct")
        found[number] = cells
    return found


def count_photo(
    path: Path,
    vessel: VesselRecord,
    *,
    chamber: str,
    unit: str | None,
    corrections: dict[int, int],
    picture: Path | None,
) -> tuple[SlidePhoto, Path]:
    """Count a slide photo and write the picture in which the keeper checks it.

    Parameters
    ----------
    path : Path
        The slide photo.
    vessel : VesselRecord
        The culture; its species' size checks the scale.
    chamber : str
        Chamber id.
    unit : str or None
        Kind of square, None where the photo shall tell.
    corrections : dict of int to int
        The keeper's own counts by square.
    picture : Path or None
        Where the picture goes; beside the photo when None.

    Returns
    -------
    SlidePhoto
        With the corrections.
    Path
        Of the picture.

    Raises
    ------
    DensitycamError
        For a photo that cannot be counted, or a picture that cannot be written.
    """
    place = _picture_beside(path) if picture is None else picture
    if place.resolve() == path.resolve():
        raise DensitycamError(
            "The picture would replace the slide photo itself.",
            "Name another file with --picture.",
        )
    from densitycam.calibration.species import load_species
    from densitycam.counting.slide_photo import corrected, read_slide_photo
    from densitycam.report.picture import picture_format, write_picture
    from densitycam.report.slide_picture import slide_picture

    # Before the photo is counted, which takes a while.
    check_places(picture)
    picture_format(place)
    facts = load_species(vessel.species)
    found, rgb = read_slide_photo(
        path, chamber=chamber, unit=unit, size_um=(facts.size_low_um, facts.size_high_um)
    )
    found = corrected(found, corrections)
    write_picture(slide_picture(rgb, found, title=f"{vessel.name}, {path.name}"), place)
    return found, place


def show_photo(photo: SlidePhoto, picture: Path, *, accepted: bool) -> None:
    """Print what was found, and what to do next where it was not accepted.

    Parameters
    ----------
    photo : SlidePhoto
        What was found.
    picture : Path
        Where it was drawn.
    accepted : bool
        Whether the user took the count as it is.
    """
    from densitycam.report.slide_picture import slide_lines

    for label, text in slide_lines(photo):
        click.echo(entry(label, text))
    click.echo(entry("Picture", str(picture)))
    if not accepted:
        click.echo(
            "Nothing was kept. Look at every square in the picture; then run this again with\n"
            "--accept, and with --correct 3=41 for each square that you count otherwise."
        )

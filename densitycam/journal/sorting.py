"""Whose photo it is, where no folder says so: by its file's name, its tag, or the journal."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from pathlib import Path

from densitycam.errors import DensitycamError
from densitycam.journal.scoring import content_hash
from densitycam.journal.store import Journal


def vessel_in_name(stem: str, vessels: Iterable[str]) -> str | None:
    """Return the vessel whose name a file's name begins with, or None.

    Parameters
    ----------
    stem : str
        The file's name without its end, such as "left-jar_2026-05-09".
    vessels : iterable of str
        Names; capitals, blanks, hyphens and underscores make no difference, and the longest name
        that fits is taken: "jar 2" before "jar".
    """
    words = _words(stem)
    found = [n for n in vessels if _words(n) and words[: len(_words(n))] == _words(n)]
    return max(found, key=lambda name: len(_words(name)), default=None)


def _words(text: str) -> list[str]:
    return [word for word in re.split(r"[\W_]+", text.casefold()) if word]


def vessel_by_tag(journal: Journal, tags: Iterable[int]) -> str | None:
    """Return the vessel of the tags in a photo, or None where none of them is known.

    Parameters
    ----------
    journal : Journal
        Knows whose tags are whose.
    tags : iterable of int
        Ids from `tags_in`.

    Raises
    ------
    DensitycamError
        Where they are of more than one vessel.
    """
    known = journal.tags()
    names = sorted({known[tag] for tag in tags if tag in known})
    if len(names) > 1:
        raise DensitycamError(
            f"The photo shows the tags of {' and '.join(names)}.",
            "Leave one tag in the picture, or name the vessel with --vessel.",
        )
    return names[0] if names else None


def vessel_of(
    journal: Journal, path: Path, *, tags: Callable[[Path], tuple[int, ...]] | None = None
) -> str | None:
    """Return the vessel that a photo's own name or tag tells, or None.

    Parameters
    ----------
    journal : Journal
        Which vessels and tags there are. A photo that it knows for one vessel is not opened.
    path : Path
        The photo.
    tags : callable, optional
        Tells the tags in it, in place of `tags_in`.

    Raises
    ------
    DensitycamError
        When it cannot be read, or shows the tags of two vessels.
    """
    named = vessel_in_name(path.stem, [v.name for v in journal.vessels()])
    if named is not None:
        return named
    kept = journal.vessels_with(content_hash(path))
    if len(kept) == 1:
        return kept[0]
    return vessel_by_tag(journal, (tags or tags_in)(path)) if journal.tags() else None


def tags_in(path: Path) -> tuple[int, ...]:
    """Return the ids of the vessel tags in a photo.

    Parameters
    ----------
    path : Path
        The photo.

    Returns
    -------
    tuple of int
        Rising; empty without any.

    Raises
    ------
    DensitycamError
        When it cannot be read.
    """
    from densitycam.photo.card_finder import find_tags
    from densitycam.photo.decode import decode_photo

    return find_tags(decode_photo(path).rgb)


def contradiction(journal: Journal, tags: Iterable[int], vessel: str) -> str:
    """Return in words that a photo of one vessel shows the tag of another; "" where it does not.

    Parameters
    ----------
    journal : Journal
        Knows whose tags are whose.
    tags : iterable of int
        Ids from `tags_in`.
    vessel : str
        Name of the vessel for which the photo was kept.
    """
    known = journal.tags()
    others = sorted({known[tag] for tag in tags if known.get(tag, vessel) != vessel})
    if not others:
        return ""
    return f"It shows the tag of {' and '.join(others)}, and was kept for {vessel}: one is wrong."

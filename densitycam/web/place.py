"""The `Place`: all that the page needs to know of where it runs."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from densitycam.web.reader import Reader

__all__ = ["Place"]


@dataclass(frozen=True)
class Place:
    """Where the page's journal and photos are, who is let in, and who reads photos.

    Parameters
    ----------
    journal_path : Path
        The journal's file; a request opens it for itself and closes it at its end.
    photos_folder : Path
        Where uploaded originals are kept; made when the first one comes.
    signing_key : str
        Signs the cookies.
    secret : str or None
        Stands in the address that lets a phone in; None lets everybody in who reaches the page,
        for a page that listens on this computer alone.
    hosts : tuple of str
        Names and addresses under which the page may be asked for, in lower case, without a port.
    reader : Reader
        Reads photos and makes pictures of them, in processes of its own: `read(job)`,
        `taken_at(path)`, `tags(path)`, `tile(path)`, `plain(path)`, `marked(job)`; see there.
    """

    journal_path: Path
    photos_folder: Path
    signing_key: str = field(repr=False)
    secret: str | None = field(repr=False)
    hosts: tuple[str, ...]
    reader: Reader

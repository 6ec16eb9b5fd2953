"""CSV from a file that anyone may have written: what Python's reader cannot take is refused."""

from __future__ import annotations

import csv
import io

from densitycam.errors import DensitycamError

__all__ = ["read_csv"]


def read_csv(
    text: str, name: str, *, delimiter: str = ",", skipinitialspace: bool = False
) -> list[tuple[int, list[str]]]:
    """Read a table as a keeper's spreadsheet writes it.

    Parameters
    ----------
    text : str
        The whole file.
    name : str
        What to call it.
    delimiter, skipinitialspace
        As in `csv.reader`.

    Returns
    -------
    list of (int, list of str)
        Line that each row ends on, as an editor counts, and its cells; none in an empty line.

    Raises
    ------
    DensitycamError
        For NUL, which Python 3.10 cannot take and later ones would pass on, or a cell of more than
        131072 signs, as where a quotation mark is not closed.
    """
    if "\0" in text:
        raise DensitycamError(f"{name} is not a text file.", "Save it as CSV in UTF-8.")
    # newline="" so that line_num counts what an editor shows.
    stream = io.StringIO(text, newline="")
    reader = csv.reader(stream, delimiter=delimiter, skipinitialspace=skipinitialspace)
    try:
        return [(reader.line_num, cells) for cells in reader]
    except csv.Error as error:
        raise DensitycamError(
            f"{name}, line {reader.line_num}: cannot be read ({error}).",
            "Look for a quotation mark that is not closed, and mend it.",
        ) from error

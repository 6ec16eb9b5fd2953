"""The one kind of error a user is shown: what is wrong, where, and what to do next."""

from __future__ import annotations


class DensitycamError(Exception):
    """Something the user can mend.

    Parameters
    ----------
    problem : str
        What is wrong and where, one sentence.
    advice : str
        What to do next, one sentence.
    flag : str or None
        Id in `densitycam.flags.FLAGS` where a photo was refused, else None.

    Notes
    -----
    `str(error)` is "problem advice". The command line prints it on one line and exits with 1.
    """

    def __init__(self, problem: str, advice: str = "", *, flag: str | None = None) -> None:
        super().__init__(f"{problem} {advice}".strip())
        self.problem = problem
        self.advice = advice
        self.flag = flag


class PhotoRefusedError(DensitycamError):
    """A photo that cannot be measured; `flag` says which gate refused it."""

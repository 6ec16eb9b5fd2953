"""What was counted, filling by filling, and all that follows: density, tests, what to do next."""

from __future__ import annotations

import math
from dataclasses import dataclass

from densitycam.counting.chambers import chamber_by_name, unit_by_name
from densitycam.counting.dilution import chain_factor
from densitycam.counting.precision import (
    Dispersion,
    Replicates,
    cells_needed,
    compare_fillings,
    dispersion_within,
    live_share,
    relative_half_width,
)
from densitycam.counting.slide import DILUTION_SD, LOADING_SD, MOST_CELLS, SlideCount, count_slide
from densitycam.wording import significant

__all__ = [
    "CLUMP_RULE",
    "EDGE_RULE",
    "Filling",
    "MoreToCount",
    "Tally",
    "TallyResult",
    "judge_tally",
    "more_to_count",
]

#: Which cells on lines to count. Taking two of a square's four sides counts each cell on a line
#: once over the whole net, so that density comes out right whatever the size of the cells.
EDGE_RULE = (
    "Cells on lines: count those that touch the top or the left line of a square, leave those "
    "that touch the bottom or the right one. Of a double or triple line the middle is the border. "
    "So no cell is counted twice and none is lost."
)

#: What to do with clumps (common practice, no source).
CLUMP_RULE = (
    "Clumps: count every cell of a clump that you can tell apart. If more than one thing in twenty "
    "is a clump, shake the sample for a minute or thin it, load again and start over."
)

#: Clumps per cell above which a count is warned of (common practice, no source).
_MANY_CLUMPS = 0.05

#: Cells in one square above which it is easy to lose count; about 25 are usual (common practice, no
#: source).
_CROWDED = 200

#: Mixing and loading once more is worth the time of counting this many cells (an assumption; it
#: only chooses which of two ways to a narrower interval is told).
_FILLING_AS_CELLS = 150

#: More fresh fillings than this are never advised: average several slides (an assumption).
_MOST_FILLINGS = 8


@dataclass(frozen=True)
class Filling:
    """One chamber filling: one side of a slide, or one replicate.

    Parameters
    ----------
    counts : tuple of int
        Cells square by square, >= 0; or one total.
    squares : float
        How many squares they were counted in, > 0: as many as `counts` has, or any number with a
        total.
    """

    counts: tuple[int, ...]
    squares: float

    @property
    def cells(self) -> int:
        """Cells in all its squares."""
        return sum(self.counts)

    @property
    def by_square(self) -> bool:
        """Whether squares were counted one by one, so that clumping can be tested."""
        return len(self.counts) == self.squares


@dataclass(frozen=True)
class Tally:
    """All that was counted of one sample.

    Parameters
    ----------
    fillings : tuple of Filling
        At least one.
    chamber, unit : str
        Chamber and kind of square, see `densitycam.counting.chambers`.
    dilution_steps : tuple of float
        Final over drawn volume of each step, >= 1; empty where the sample was not diluted.
    fixative_fraction : float
        Volume of fixative per volume of sample, 0 to 1.
    fresh_dilutions : bool
        True where every filling was made from a dilution of its own, so that their errors even
        out as well.
    dead : int or None
        How many of the cells looked dead; None where nobody looked.
    clumps : int or None
        Clumps seen; None where nobody looked.
    machine_assisted : bool
        True where a program found the cells and the user accepted them.
    """

    fillings: tuple[Filling, ...]
    chamber: str = "improved-neubauer"
    unit: str = "large"
    dilution_steps: tuple[float, ...] = ()
    fixative_fraction: float = 0.0
    fresh_dilutions: bool = False
    dead: int | None = None
    clumps: int | None = None
    machine_assisted: bool = False

    @property
    def cells(self) -> int:
        """Cells in all fillings."""
        return sum(f.cells for f in self.fillings)

    @property
    def squares(self) -> float:
        """Squares in all fillings."""
        return sum(f.squares for f in self.fillings)


@dataclass(frozen=True)
class TallyResult:
    """What a tally says.

    Parameters
    ----------
    slide : SlideCount
        The density of the undiluted culture, live and dead cells together, as a photo sees them.
    half_width : float
        Half its 95 % interval over the density; inf for a count of zero.
    spread : Dispersion
        Whether cells lie at random.
    replicates : Replicates
        Whether the fillings agree.
    live : tuple of float or None
        Share of live cells and its 95 % limits; None where nobody looked.
    warnings : tuple of str
        Plain sentences, the most important first.
    """

    slide: SlideCount
    half_width: float
    spread: Dispersion
    replicates: Replicates
    live: tuple[float, float, float] | None
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class MoreToCount:
    """What would bring a count to a wanted precision.

    Parameters
    ----------
    cells : int
        How many more cells; 0 where it is there already.
    squares : int
        About how many more squares that is, at this density.
    fillings : int
        How many of them should be fresh chamber fillings; 0 where the same one may be counted on.
    sentence : str
        For the keeper.
    """

    cells: int
    squares: int
    fillings: int
    sentence: str


def judge_tally(tally: Tally) -> TallyResult:
    """Turn a tally into a density with its interval, tests and warnings.

    Parameters
    ----------
    tally : Tally
        What was counted.

    Returns
    -------
    TallyResult
        The interval carries Poisson error, clumping where the squares show it, loading and
        dilution, each divided by how often it was repeated.

    Raises
    ------
    ValueError
        For an impossible count (see `count_slide`), no filling, more squares counted than one
        filling has, or more dead cells than cells.
    DensitycamError
        For a chamber or square that does not exist.
    """
    if not tally.fillings:
        raise ValueError("a tally needs at least one chamber filling")
    for n, filling in enumerate(tally.fillings, 1):
        if len(filling.counts) > 1 and not filling.by_square:
            raise ValueError(
                f"filling {n} lists {len(filling.counts)} counts for {filling.squares:g} squares"
            )
        # One filling by itself is checked as such: a slide of two sides may hold twice as many.
        count_slide(
            cells=filling.cells,
            squares=filling.squares,
            chamber=tally.chamber,
            unit=tally.unit,
        )
    if tally.dead is not None and not 0 <= tally.dead <= tally.cells:
        raise ValueError(f"{tally.dead} dead of {tally.cells} cells cannot be")
    if tally.clumps is not None and not 0 <= tally.clumps <= MOST_CELLS:
        raise ValueError(f"{tally.clumps} clumps cannot be")
    spread = dispersion_within([f.counts for f in tally.fillings if f.by_square])
    replicates = compare_fillings(
        [f.cells for f in tally.fillings], [f.squares for f in tally.fillings]
    )
    slide = _slide(tally, spread, replicates)
    return TallyResult(
        slide=slide,
        half_width=relative_half_width(slide),
        spread=spread,
        replicates=replicates,
        live=_live(tally),
        warnings=_warnings(tally, spread, replicates),
    )


def _slide(tally: Tally, spread: Dispersion, replicates: Replicates) -> SlideCount:
    """Count all fillings as one volume."""
    count = len(tally.fillings)
    loading = LOADING_SD
    if not replicates.agree:
        loading *= math.sqrt(replicates.statistic / (count - 1))
    return count_slide(
        cells=tally.cells,
        squares=tally.squares,
        chamber=tally.chamber,
        unit=tally.unit,
        dilution=chain_factor(tally.dilution_steps),
        fixative_fraction=tally.fixative_fraction,
        loading_sd=loading,
        dilution_sd=_dilution_sd(tally, count if tally.fresh_dilutions else 1),
        over_dispersion=_clumping(spread),
        fillings=count,
    )


def _dilution_sd(tally: Tally, made: int) -> float:
    """Return the error of a chain of dilutions that was made so many times."""
    return DILUTION_SD * math.sqrt(len(tally.dilution_steps) / made)


def _clumping(spread: Dispersion) -> float:
    return spread.index if spread.verdict == "clumped" else 1.0


def _live(tally: Tally) -> tuple[float, float, float] | None:
    if tally.dead is None or tally.cells == 0:
        return None
    return live_share(live=tally.cells - tally.dead, dead=tally.dead)


def _warnings(tally: Tally, spread: Dispersion, replicates: Replicates) -> tuple[str, ...]:
    said = []
    if tally.cells == 0:
        said.append("No cell was counted: the density is only known to lie below a limit.")
    if spread.verdict == "clumped":
        said.append(
            "Cells are clumped or the chamber is badly loaded: squares differ "
            f"{math.sqrt(spread.index):.1f} times as much as chance alone makes them, so the "
            "interval was widened. Shake the sample, load again and count a fresh chamber."
        )
    elif spread.verdict == "too regular":
        said.append(spread.meaning)
    if not replicates.agree:
        said.append(replicates.meaning)
    if tally.clumps is not None and tally.cells and tally.clumps > _MANY_CLUMPS * tally.cells:
        said.append(
            f"{tally.clumps} clumps among {tally.cells} cells: cells hide in clumps, so the true "
            "density may be higher. Shake or thin the sample and count again."
        )
    fullest = max((max(f.counts) for f in tally.fillings if f.by_square), default=0)
    if fullest > _CROWDED:
        said.append(
            f"Up to {fullest} cells in one square are easy to lose count of: thin the sample or "
            "count smaller squares."
        )
    return tuple(said)


def more_to_count(tally: Tally, *, half_width: float = 0.10) -> MoreToCount:
    """Say how many more cells would bring the 95 % interval to +/- `half_width`.

    Parameters
    ----------
    tally : Tally
        What was counted so far; with cells in it.
    half_width : float, default 0.10
        Wanted relative half-width, between 0 and 1.

    Returns
    -------
    MoreToCount
        The quickest way: on in the same filling, or in fresh ones, each of a dilution of its own
        where dilution is what limits.

    Raises
    ------
    ValueError
        For a half-width outside (0, 1), or an impossible tally.
    """
    if not 0 < half_width < 1:
        raise ValueError(f"half-width must lie between 0 and 1, got {half_width}")
    wanted = f"+/-{significant(100 * half_width)} %"
    if tally.cells == 0:
        return MoreToCount(
            0, 0, 0, "Count on until cells are found, or count a larger kind of square."
        )
    done = len(tally.fillings)
    result = judge_tally(tally)
    if result.half_width <= half_width:
        return MoreToCount(0, 0, 0, f"The count is within {wanted} already.")
    if result.spread.verdict == "clumped" or not result.replicates.agree:
        return MoreToCount(
            0,
            0,
            1,
            f"More squares of this loading will not bring {wanted}: shake the sample, load again "
            "and start over.",
        )
    ruled = unit_by_name(chamber_by_name(tally.chamber), tally.unit).per_chamber
    per_square = tally.cells / tally.squares
    best: tuple[float, int, int] | None = None
    for fresh in range(_MOST_FILLINGS + 1):
        made = (done if tally.fresh_dilutions else 1) + fresh
        needed = cells_needed(
            half_width=half_width,
            other_sd=math.hypot(LOADING_SD / math.sqrt(done + fresh), _dilution_sd(tally, made)),
        )
        if needed is None:
            continue
        # A filling of its own is worth loading only with about its share of cells in it.
        more = max(needed - tally.cells, fresh * tally.cells // (2 * done), 1)
        if math.ceil(more / per_square) > (fresh or done) * ruled - (0 if fresh else tally.squares):
            continue  # the net has no more squares
        cost = more + _FILLING_AS_CELLS * fresh
        if best is None or cost < best[0]:
            best = (cost, more, fresh)
    if best is None:
        return MoreToCount(
            0,
            0,
            0,
            f"Loading and dilution errors keep this count above {wanted}: average several slides, "
            "each with a dilution of its own.",
        )
    _, more, fresh = best
    squares = math.ceil(more / per_square)
    counted = f"{squares} square{'' if squares == 1 else 's'}"
    where = "" if not fresh else _in_fresh(fresh, diluted=bool(tally.dilution_steps))
    return MoreToCount(
        more,
        squares,
        fresh,
        f"Count {more} more cell{'' if more == 1 else 's'} (about {counted}){where} for {wanted}.",
    )


def _in_fresh(fillings: int, *, diluted: bool) -> str:
    if fillings == 1:
        return f" in a fresh filling{' of a fresh dilution' if diluted else ''}"
    each = ", each of a fresh dilution," if diluted else ""
    return f" in {fillings} fresh fillings{each}"

"""Squares a photo up on the card: linear light, tone curve undone, uneven light divided out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

from densitycam.card.layout import CardLayout, Patch, Rect
from densitycam.card.profile import PrintProfile, nominal_profile
from densitycam.photo.card_finder import CardFix, refuse
from densitycam.photo.decode import LinearPhoto, srgb_to_linear_table
from densitycam.photo.quantiles import median, quantile
from densitycam.photo.sheet import SHEET_PX_PER_MM, Sheet, medians, surface_terms, window

if TYPE_CHECKING:
    import numpy as np

__all__ = [
    "SHEET_PX_PER_MM",
    "CardView",
    "light_of_bare_card",
    "paper_beside_steps",
    "square_up",
    "window",
]

#: White of the card, as linear light before the tone curve, between which it can be measured.
DARKEST_WHITE, BRIGHTEST_WHITE = 0.03, 0.985

#: Grey steps are used between these values of linear light: below, the camera's toe and noise
#: rule; above, it clips.
DARKEST_STEP, BRIGHTEST_STEP = 0.0015, 0.97

#: Fewest grey steps that carry a tone curve.
FEWEST_STEPS = 5

#: A step that is at least so bright by what white says is never black in a photo [linear light]: no
#: camera's curve bends so far. It is in a damaged file, all darker from the damage on.
DUE_STEP = 0.02

#: Standard deviations that anchor the tone curve's terms (see `_tone_terms`) at sRGB, and that of
#: one grey step [natural log]. Steps of known reflectance carry more terms; on the nominal ones
#: those would take the print's error for the camera's (measured on simulated photos: 95th
#: percentile of the density's error 23 % in place of 15 %).
_TONE_PRIOR_SD = {"nominal": (0.4, 0.25, 0.08), "registered": (0.3, 0.1, 0.4, 0.4, 0.01)}
_STEP_SD = {"nominal": 0.03, "registered": 0.015}

#: Misfit of the grey steps [natural log] that good photos keep under (0.01 to 0.03 seen).
GOOD_TONE_MISFIT = 0.06

#: One side alone is believed where it brings the misfit below this share of both sides'.
ONE_SIDE_BETTER = 0.4

#: Misfit of the grey steps above which one curve does not describe them [natural log].
LARGEST_TONE_MISFIT = 0.15

#: The end of a white bar joins the fit of the light when it lies this near to what paper beyond
#: any vessel's reach foretells [natural log]: a vessel or its shadow takes off more.
AGREEING_WHITE = 0.06

#: Scatter of paper white at one place [natural log], and how strong level, slope and curvature
#: of the light over the card usually are, each way from its middle to its edge.
WHITE_SD = 0.01
_LIGHT_PRIOR_SD = (1.0, 0.4, 0.4, 0.25, 0.15, 0.25)

#: The same where only one side of the card is seen, and the rest is guessed from it.
_ONE_SIDED_PRIOR_SD = (1.0, 0.15, 0.4, 0.05, 0.05, 0.15)

#: Terms of the light have settled when none moves by more than this [natural log].
SETTLED_TERMS = 5e-5

#: Tone and light are settled when a round moves no term of the tone curve by as much: every round
#: moves them a tenth of the one before, or less.
SETTLED_TONE = 2e-4

#: Brightest over darkest light on the card that a smooth surface may still divide out.
LARGEST_LIGHT_RATIO = 3.5

#: Paper that is brighter than the fitted light, a quarter of one side's or of one side's bar ends
#: by so much, shows the edge of a shadow: a vessel only darkens. Good photos keep under 0.01; where
#: one side alone tells the light, it is less well known on the other.
BRIGHTER_PAPER, BRIGHTER_PAPER_ONE_SIDED = 0.04, 0.15

#: Curvature of the light from left to right [natural log, middle to edge] that no lamp gives: more
#: dark in the middle, more bright there (a lamp at arm's length gives 0.25), or so unlike in the
#: three channels. Good photos keep within 0.11 and 0.09; a shadow's edge behind the vessel hardly.
HOLLOWEST, MOST_BULGED, CURVED_UNLIKE = 0.18, 0.40, 0.12

#: Blur of the bars' edges beside the vessel [mm, standard deviation] above which a photo is
#: refused: markers fail soon after, and a thin bar's middle begins to pale.
LARGEST_BLUR_MM = 0.9

#: Blur in one direction this many times that in the other means that the phone moved.
MOVED_RATIO = 2.0

#: Bands of light across the card [share of the light], root mean square, above which a lamp
#: flickers: mains flicker keeps 16 to 19 % at 1/60 and 1/120 s.
LARGEST_BANDS = 0.02


@dataclass(frozen=True)
class CardView:
    """The squared-up card in corrected linear light.

    Parameters
    ----------
    light : Sheet
        Linear light over the sheet, bare paper in the same light = 1; `window` looks at it.
    raw : Sheet
        The same before tone curve and light are corrected: for clipped and crushed channels.
    layout : CardLayout
        The card's edition.
    camera_mm : ndarray of float64, shape (3,)
        Camera's place: x right, y down, z out of the sheet [mm].
    tone_misfit : float
        Root mean square misfit of the grey steps [natural log].
    light_ratio : float
        Brightest over darkest light on the card.
    blur_mm : float
        Standard deviation of the blur of the bars' edges, in the worse direction [mm].
    hidden_side : {"", "left", "right"}
        The side whose paper and grey steps were left out, because they do not fit: a wide vessel
        seen from the side may hide them. Whoever finds the vessel must see that it does.
    registered : bool
        Whether the print's own profile served, and not the layout's nominal one.
    """

    light: Sheet
    raw: Sheet
    layout: CardLayout
    camera_mm: np.ndarray
    tone_misfit: float
    light_ratio: float
    blur_mm: float
    hidden_side: str
    registered: bool = False


def square_up(photo: LinearPhoto, fix: CardFix, *, profile: PrintProfile | None = None) -> CardView:
    """Square a photo up on the card and correct its light.

    Parameters
    ----------
    photo : LinearPhoto
        The decoded photo.
    fix : CardFix
        Where the card is in it.
    profile : PrintProfile or None
        The print's own reflectances; the layout's nominal ones where it is not registered or of
        another edition.

    Returns
    -------
    CardView
        Corrected linear light over the sheet.

    Raises
    ------
    PhotoRefusedError
        "dark", "clipped", "tone", "uneven-light", "blurred", "moved", "flicker".
    """
    raw = _raw_sheet(photo, fix)
    whites, white, safe = _white_levels(raw, fix.layout)
    if profile is None or (profile.paper, profile.version) != (
        fix.layout.paper,
        fix.layout.version,
    ):
        profile = nominal_profile(fix.layout)
    fitted = _tone_and_light(raw, white, whites, safe, fix.layout, profile)
    misfit = fitted.misfit
    bands = _bands(raw, fix.layout, fitted.hidden_side)
    if bands > LARGEST_BANDS:
        raise refuse("flicker", f"by {100 * bands:.0f} %")
    _check_shadow(fitted, safe)
    if misfit > LARGEST_TONE_MISFIT:
        raise refuse("tone", f"by {100 * misfit:.0f} %")
    ratio = _check_evenness(fitted.terms, fix.layout)
    corrected = replace(raw, table=_tone_table(fitted), terms=fitted.terms)
    upward, sideways = _blur_mm(corrected, fix.layout)
    blur = max(upward, sideways)
    if blur > LARGEST_BLUR_MM:
        one_way = blur > MOVED_RATIO * min(upward, sideways)
        raise refuse("moved" if one_way else "blurred", f"{blur:.1f} mm on the card")
    return CardView(
        light=corrected,
        raw=raw,
        layout=fix.layout,
        camera_mm=fix.camera_mm,
        tone_misfit=misfit,
        light_ratio=ratio,
        blur_mm=blur,
        hidden_side=fitted.hidden_side,
        registered=profile.photos > 0,
    )


def light_of_bare_card(photo: LinearPhoto, fix: CardFix) -> Sheet:
    """Return the squared-up card with uneven light divided out, the camera's curve taken as sRGB.

    Parameters
    ----------
    photo : LinearPhoto
        Of the card with nothing before it.
    fix : CardFix
        Where the card is in it.

    Returns
    -------
    Sheet
        Linear light, bare paper = 1.

    Raises
    ------
    PhotoRefusedError
        "dark", "clipped", "uneven-light".
    """
    import numpy as np

    raw = _raw_sheet(photo, fix)
    whites, white, safe = _white_levels(raw, fix.layout)
    at_white = _terms(*_centres(whites), fix.layout)
    trusted = np.arange(len(whites)) < safe
    log_white = np.log(np.maximum(white.T, 1e-6))
    terms, _ = _light_terms(at_white, log_white, trusted, one_side=False)
    _check_evenness(terms, fix.layout)
    return replace(raw, terms=terms)


def _raw_sheet(photo: LinearPhoto, fix: CardFix) -> Sheet:
    size_mm = (fix.layout.width_mm, fix.layout.height_mm)
    return Sheet(photo.rgb, srgb_to_linear_table(), fix.sheet_to_photo, size_mm, fix.px_per_mm)


def _white_levels(raw: Sheet, layout: CardLayout) -> tuple[list[Rect], np.ndarray, int]:
    """Return the places of paper white, their light, and how many of them are safe."""
    import numpy as np

    safe, ends = _white_places(layout)
    half = len(safe) // 2
    left = [n for n, r in enumerate(ends) if r.x_mm < layout.width_mm / 2]
    right = [n for n, r in enumerate(ends) if r.x_mm >= layout.width_mm / 2]
    white = np.empty((len(ends), 3))
    for side in (left, right):
        white[side] = medians(raw, [ends[n] for n in side])
    white = np.concatenate([medians(raw, safe[:half]), medians(raw, safe[half:]), white])
    level = median(white[: len(safe)])
    if level.max() < DARKEST_WHITE:
        raise refuse("dark", f"{level.max():.1%} of full scale")
    if level.min() <= DARKEST_STEP:
        raise refuse("dark", "one of red, green and blue is missing")
    if quantile(white[: len(safe)], 0.75).max() > BRIGHTEST_WHITE:
        raise refuse("clipped")
    return [*safe, *ends], white, len(safe)


def _check_evenness(terms: np.ndarray, layout: CardLayout) -> float:
    """Return brightest over darkest light on the card, if a smooth surface may carry it."""
    import numpy as np

    light = _surface_basis(layout) @ terms.T
    ratio = float(np.exp((light.max(axis=(0, 1)) - light.min(axis=(0, 1))).max()))
    if ratio > LARGEST_LIGHT_RATIO:
        raise refuse("uneven-light", f"{ratio:.1f} to 1")
    return ratio


@cache
def _surface_basis(layout: CardLayout) -> np.ndarray:
    """Return the light's terms over the whole sheet, coarsely, shape (30, 40, 6)."""
    import numpy as np

    y, x = np.mgrid[0 : layout.height_mm : 30j, 0 : layout.width_mm : 40j]
    return _terms(x, y, layout)


def _check_shadow(fitted: _Light, safe: int) -> None:
    """Refuse a photo whose light no smooth surface describes: the edge of a shadow crosses it."""
    import numpy as np

    # In every channel, or it is a coloured stain and no light.
    brighter = fitted.paper.min(axis=1)
    half = safe // 2
    ends = brighter[safe:].reshape(-1, 2, 2)  # (bars, left and right, two places)
    groups = [ends[:, 0].ravel(), ends[:, 1].ravel()]
    if fitted.hidden_side != "left":
        groups.append(brighter[:half])
    if fitted.hidden_side != "right":
        groups.append(brighter[half:safe])
    most = max(float(quantile(group, 0.75)) for group in groups)
    if most > (BRIGHTER_PAPER_ONE_SIDED if fitted.hidden_side else BRIGHTER_PAPER):
        raise refuse("uneven-light", f"a step of {100 * np.expm1(most):.0f} %")
    curved = fitted.terms[:, 3]
    if curved.max() > HOLLOWEST or curved.min() < -MOST_BULGED or np.ptp(curved) > CURVED_UNLIKE:
        raise refuse("uneven-light", "a shadow behind the vessel")


def _white_places(layout: CardLayout) -> tuple[list[Rect], list[Rect]]:
    """Return places of bare paper: those no vessel reaches, and bar ends, which one may."""
    field = layout.bar_field
    safe = []
    for side in (layout.grey_left, layout.grey_right):
        safe.append(_inside(side[0].rect))
        left = side is layout.grey_left
        for step in side[1:]:
            rect = step.rect
            safe.append(paper_beside_steps(layout, left, rect.y_mm, rect.height_mm))
    ends = [
        Rect(x, bar.rect.y_mm + 2.5, 10.0, bar.rect.height_mm - 5.0)
        for bar in layout.bars[1::2]
        for x in (field.x_mm + 3.0, field.x_mm + 13.0, field.right_mm - 13.0, field.right_mm - 23.0)
    ]
    return safe, ends


def paper_beside_steps(layout: CardLayout, left: bool, y_mm: float, height_mm: float) -> Rect:
    """Return part of the strip of bare paper between a side's marker column and its grey steps.

    Parameters
    ----------
    layout : CardLayout
        The sheet's edition.
    left : bool
        The left side's steps, or the right side's.
    y_mm, height_mm : float
        Where the part begins, from the sheet's top, and how high it is [mm].

    Returns
    -------
    Rect
        2 mm wide [mm].
    """
    step = (layout.grey_left if left else layout.grey_right)[0].rect
    x_mm = step.x_mm - 3.2 if left else step.right_mm + 1.2
    return Rect(x_mm, y_mm, 2.0, height_mm)


def _inside(rect: Rect) -> Rect:
    return Rect(
        rect.x_mm + 0.2 * rect.width_mm,
        rect.y_mm + 0.2 * rect.height_mm,
        0.6 * rect.width_mm,
        0.6 * rect.height_mm,
    )


def _terms(x_mm: np.ndarray, y_mm: np.ndarray, layout: CardLayout) -> np.ndarray:
    return surface_terms(x_mm, y_mm, (layout.width_mm, layout.height_mm))


@dataclass(frozen=True)
class _Light:
    """Tone curve and light of one photo: `level` and `tone` a channel, `terms` of the surface.

    `known_print` is "nominal" or "registered", `paper` is ln of paper white against the surface,
    shape (places, 3), and `hidden_side` the side of the card that was left out.
    """

    level: np.ndarray
    tone: np.ndarray
    known_print: str
    terms: np.ndarray
    misfit: float
    paper: np.ndarray
    hidden_side: str


def _tone_and_light(
    raw: Sheet,
    white: np.ndarray,
    whites: list[Rect],
    safe: int,
    layout: CardLayout,
    profile: PrintProfile,
) -> _Light:
    """Fit tone curve and light together, per channel, each given the other, until they settle.

    With q = ln(linear light / white level) the corrected light is exp(q + p . terms(q)), anchored
    at p = 0, which is sRGB. A wide vessel seen from the side may hide the grey steps and the paper
    of one side; the other side then serves alone.
    """
    import math

    import numpy as np

    half_safe = safe // 2
    grey = {
        "left": medians(raw, [p.rect for p in layout.grey_left], inset=0.2),
        "right": medians(raw, [p.rect for p in layout.grey_right], inset=0.2),
    }
    grey["both"] = np.concatenate([grey["left"], grey["right"]])
    best: _Light | None = None
    bar = math.inf
    for side in ("both", "left", "right"):
        trusted = np.zeros(len(whites), dtype=bool)
        if side != "right":
            trusted[:half_safe] = True
        if side != "left":
            trusted[half_safe:safe] = True
        steps = {
            "both": (*layout.grey_left, *layout.grey_right),
            "left": layout.grey_left,
            "right": layout.grey_right,
        }[side]
        hidden = {"both": "", "left": "right", "right": "left"}[side]
        found = _fit_light(grey[side], white, whites, trusted, steps, layout, profile, hidden)
        if found is not None and found.misfit < bar:
            best = found
            bar = found.misfit if hidden else ONE_SIDE_BETTER * found.misfit
        if side == "both" and found is not None and found.misfit < GOOD_TONE_MISFIT:
            break
    if best is None:
        raise refuse("tone", "too few of them are neither black nor burnt out")
    for side, steps in (("left", layout.grey_left), ("right", layout.grey_right)):
        if side != best.hidden_side:
            due = float(best.level.max()) * np.array(
                [max(profile.reflectance[p.name]) for p in steps]
            )
            black = grey[side].max(axis=1) <= DARKEST_STEP
            if int(np.sum(black & (due > DUE_STEP))) >= 2:
                raise refuse("tone", "some that are grey on the card are black in the photo")
    return best


def _fit_light(
    grey: np.ndarray,
    white: np.ndarray,
    whites: list[Rect],
    trusted: np.ndarray,
    steps: tuple[Patch, ...],
    layout: CardLayout,
    profile: PrintProfile,
    hidden_side: str,
) -> _Light | None:
    """Fit with the grey steps and the trusted paper of one side or both; None with too few."""
    import numpy as np

    level = median(white[trusted])
    if not level.min() > 0:
        return None
    known = np.log(np.array([profile.reflectance[p.name] for p in steps]))
    at_white = _terms(*_centres(whites), layout)
    at_grey = _terms(*_centres([p.rect for p in steps]), layout)
    known_print = "registered" if profile.photos else "nominal"
    tone = np.zeros((3, len(_TONE_PRIOR_SD[known_print])))
    terms = np.zeros((3, 6))
    usable = (grey > DARKEST_STEP) & (grey < BRIGHTEST_STEP)
    if usable.sum(axis=0).min() < FEWEST_STEPS:
        return None
    q_white = np.log(np.maximum(white, 1e-6) / level)
    fits = []
    for channel in range(3):
        use = usable[:, channel]
        q_grey = np.log(grey[use, channel] / level[channel])
        basis = _tone_terms(q_grey, level[channel], known_print)
        bend = _bend_terms(q_white[:, channel], level[channel], known_print)
        rest = known[use, channel] - q_grey
        fits.append((use, basis, _anchored_inverse(basis, known_print), rest, bend))
    weights: list[np.ndarray] = []
    for _ in range(4):
        before = tone.copy()
        log_white = np.stack([q_white[:, c] + _bent(fits[c][4], tone[c]) for c in range(3)])
        terms, weights = _light_terms(
            at_white, log_white, trusted, one_side=bool(hidden_side), start=weights
        )
        residuals = []
        for channel, (use, basis, inverse, rest, _) in enumerate(fits):
            target = rest + at_grey[use] @ terms[channel]
            tone[channel] = inverse @ target
            residuals.append(target - basis @ tone[channel])
        if np.abs(tone - before).max() < SETTLED_TONE:
            break
    paper = np.stack(
        [q_white[:, c] + _bent(fits[c][4], tone[c]) - at_white @ terms[c] for c in range(3)], axis=1
    )
    misfit = float(np.sqrt(np.mean(np.concatenate(residuals) ** 2)))
    return _Light(level, tone, known_print, terms, misfit, paper, hidden_side)


def _centres(rects: list[Rect]) -> tuple[np.ndarray, np.ndarray]:
    import numpy as np

    return (
        np.array([r.x_mm + r.width_mm / 2 for r in rects]),
        np.array([r.y_mm + r.height_mm / 2 for r in rects]),
    )


def _light_terms(
    design: np.ndarray,
    log_white: np.ndarray,
    trusted: np.ndarray,
    *,
    one_side: bool,
    start: Sequence[np.ndarray] = (),
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Fit the light where no vessel reaches, then twice more with all paper that agrees with it.

    Parameters
    ----------
    design : ndarray, shape (places, 6)
        Terms of the surface.
    log_white : ndarray, shape (3, places)
        ln of paper's light.
    trusted : ndarray of bool, shape (places,)
        Where no vessel reaches.
    one_side : bool
        Whether only one side of the card is trusted.
    start : sequence of ndarray, default ()
        Weights that this function returned under nearly the same tone curve: fewer steps then do.

    Returns
    -------
    terms : ndarray, shape (3, 6)
    weights : list of three ndarray, shape (3, places)
    """
    import numpy as np

    prior = _ONE_SIDED_PRIOR_SD if one_side else _LIGHT_PRIOR_SD
    used = np.broadcast_to(trusted, log_white.shape)
    weights = []
    for n in range(3):
        terms, weight = _robust_fit(design, log_white, used, prior, start[n] if start else None)
        weights.append(weight)
        used = trusted | (np.abs(log_white - terms @ design.T) < AGREEING_WHITE)
    return terms, weights


def _robust_fit(
    design: np.ndarray,
    target: np.ndarray,
    used: np.ndarray,
    prior_sd: tuple[float, ...],
    start: np.ndarray | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Ridge regression with Huber's, then Tukey's weights: shaded or soiled places do not count.

    All channels at once: `target` and `used` have shape (3, places), the terms (3, 6), the weights
    (3, places). From weights of a fit to nearly the same it goes on with Tukey's.
    Sources: Huber 1964, Ann. Math. Stat. 35:73, constant 1.345; Beaton & Tukey 1974,
    Technometrics 16:147, constant 4.685.
    """
    import numpy as np

    ridge = np.diag((WHITE_SD / np.array(prior_sd)) ** 2)
    products = (design[:, :, None] * design[:, None, :]).reshape(len(design), -1)
    count = used.sum(axis=1)
    lower, upper = (count - 1) // 2, count // 2
    each = np.arange(len(target))
    weight = used.astype(np.float64) if start is None else used * start
    for kind in ("Huber", "Tukey") if start is None else ("Tukey",):
        before: np.ndarray | float = np.inf
        for _ in range(5):
            normal = (weight @ products).reshape(-1, *ridge.shape) + ridge
            terms = np.linalg.solve(normal, ((weight * target) @ design)[..., None])[..., 0]
            residual = np.abs(target - terms @ design.T)
            ordered = np.sort(np.where(used, residual, np.inf), axis=1)
            middle = 0.5 * (ordered[each, lower] + ordered[each, upper])
            scale = np.maximum(1.4826 * middle, WHITE_SD)[:, None]
            if kind == "Huber":
                weight = used * (1.345 * scale / np.maximum(residual, 1.345 * scale))
            else:
                weight = used * np.maximum(1 - (residual / (4.685 * scale)) ** 2, 0) ** 2
            if np.abs(terms - before).max() < SETTLED_TERMS:
                break
            before = terms
    return terms, weight


def _anchored_inverse(basis: np.ndarray, known_print: str) -> np.ndarray:
    """Return what makes the tone curve's terms of the steps' targets: ridge towards zero."""
    import numpy as np

    step_sd, prior_sd = _STEP_SD[known_print], np.array(_TONE_PRIOR_SD[known_print])
    scaled = basis / step_sd
    return np.linalg.solve(scaled.T @ scaled + np.diag(prior_sd**-2), scaled.T) / step_sd


def _tone_terms(q: np.ndarray, level: float, known_print: str) -> np.ndarray:
    """Return the tone curve's terms at q = ln(linear light / white level), shape (N, terms).

    Nominal print: q, q^2, q^3. Registered: q (gamma), q^2, the sRGB code and its square (to first
    order an S-curve in the code is one; a camera's response as a polynomial: Mitsunaga & Nayar
    1999, CVPR, from memory), and 1 / light, which is veiling glare added to every pixel. All are
    zero at the white level.
    """
    import numpy as np

    if known_print == "nominal":
        return np.stack([q, q**2, q**3], axis=-1)
    code, at_white = _code(level * np.exp(q)), _code(np.array(level))
    return np.stack([q, q**2, code - at_white, code**2 - at_white**2, np.exp(-q) - 1], axis=-1)


def _code(light: np.ndarray) -> np.ndarray:
    """Return the sRGB code, 0 to 1, of linear light (IEC 61966-2-1:1999)."""
    import numpy as np

    light = np.clip(light, 0.0, 1.0)
    above = 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, above)


def _bend_terms(
    q: np.ndarray, level: float, known_print: str
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what `_bent` needs: terms inside the steps' range, at its dark end, how far beyond."""
    import numpy as np

    low = -3.6  # ln of a darkest print at 0.027 of white: no step lies below it
    inside = _tone_terms(np.clip(q, low, 0.3), level, known_print)
    ends = _tone_terms(np.array([low, low + 0.01]), level, known_print)
    return inside, (ends[1] - ends[0]) / 0.01, np.minimum(q - low, 0)


def _bent(terms: tuple[np.ndarray, np.ndarray, np.ndarray], tone: np.ndarray) -> np.ndarray:
    """Return ln(corrected / linear light); beyond the darkest print it goes on straight."""
    inside, slope, beyond = terms
    # Never steeper than it can be trusted without a step beneath it.
    bent: np.ndarray = inside @ tone + min(max(float(slope @ tone), -0.5), 0.5) * beyond
    return bent


def _tone_table(fitted: _Light) -> np.ndarray:
    """Return corrected light by code, float32, shape (256, 1, 3), white level = 1."""
    import numpy as np

    table = np.empty((256, 1, 3), dtype=np.float32)
    codes = srgb_to_linear_table().astype(np.float64)
    for channel in range(3):
        level = fitted.level[channel]
        q = np.log(np.maximum(codes, 1e-5) / level)
        bend = _bent(_bend_terms(q, level, fitted.known_print), fitted.tone[channel])
        # Monotone, whatever noisy steps say.
        table[:, 0, channel] = np.maximum.accumulate(np.exp(q + bend))
        table[0, 0, channel] = 0.0
    return table


def _blur_mm(light: Sheet, layout: CardLayout) -> tuple[float, float]:
    """Blur up and down, from the bars' edges, and sideways, from the bars' ends [mm].

    An edge of height d blurred by a Gaussian has its steepest slope d / (sd sqrt(2 pi)).
    """
    import numpy as np

    field, s = layout.bar_field, SHEET_PX_PER_MM
    bar = field.height_mm / len(layout.bars)
    reach = round(bar / 2 * s)
    at = np.array([round(n * bar * s) for n in range(1, len(layout.bars))])
    upward = []
    for x in (field.x_mm + 4.0, field.right_mm - 20.0):
        strip = window(light, Rect(x, field.y_mm, 16.0, field.height_mm), every=(1, 8))[..., 1]
        profile = median(strip, axis=1)
        near = np.clip(at[:, None] + np.arange(-reach, reach + 1), 0, len(profile) - 1)
        upward.append(_edge_blur(profile[near]))
    sideways = []
    for end in (field.x_mm, field.right_mm):
        # The paper beside the bars' ends is 4 mm wide.
        along = window(light, Rect(end - 3.0, field.y_mm, 6.0, field.height_mm), every=(2, 1))
        rows = along[..., 1].reshape(len(layout.bars), -1, along.shape[1])[-1::-2]
        inside = round(2.0 * s / 2)
        middle = rows.shape[2] // 2
        reach = round(2.8 * s)
        across = median(rows[:, inside:-inside], axis=1)
        sideways.append(_edge_blur(across[:, middle - reach : middle + reach + 1]))
    return float(median(np.concatenate(upward))), float(median(np.concatenate(sideways)))


def _edge_blur(near: np.ndarray) -> np.ndarray:
    """Return the blur of edges [mm], a row each: the height over the steepest slope."""
    import numpy as np

    third = max(near.shape[1] // 5, 1)
    step = np.abs(median(near[:, :third], axis=1) - median(near[:, -third:], axis=1))
    slope = np.abs(np.diff(near, axis=1)).max(axis=1) * SHEET_PX_PER_MM
    blur_mm: np.ndarray = step / (slope * np.sqrt(2 * np.pi) + 1e-9)
    return blur_mm


def _bands(raw: Sheet, layout: CardLayout, hidden_side: str) -> float:
    """Return how strongly bands of light run across the card, as a share of the light.

    A flickering lamp and a rolling shutter make bands along the sensor's rows, across the whole
    card. Two strips of paper, at both sides, show them if they run across, one strip above the
    bars if they run down. What is smooth is uneven light, what the two sides do not share is
    noise or print.
    """
    import numpy as np

    field = layout.bar_field
    pieces = []
    for left in (True, False):
        place = paper_beside_steps(layout, left, field.y_mm + 18.0, field.height_mm - 20.0)
        pieces.append(_ripple(median(window(raw, place), axis=1).mean(axis=-1)))
    shared = float(np.mean(pieces[0] * pieces[1]))
    if hidden_side:  # what lies before that side has bands of its own
        in_sight = pieces[0 if hidden_side == "right" else 1]
        shared = min(shared, float(np.mean(in_sight**2)))
    above = Rect(field.x_mm, field.y_mm - 2.4, field.width_mm, 2.0)
    across = median(window(raw, above), axis=0).mean(axis=-1)
    # Both ends of the strip above must show bands: a vessel's neck covers only its middle.
    part = round(0.13 * len(across))
    ends = min(
        float(np.mean(_ripple(across[:part]) ** 2)), float(np.mean(_ripple(across[-part:]) ** 2))
    )
    return float(np.sqrt(max(shared, ends, 0.0)))


def _ripple(profile: np.ndarray) -> np.ndarray:
    """Return a profile's deviation from a smooth curve, as a share of it."""
    import numpy as np

    onto = _smooth_basis(len(profile))
    smooth = onto @ (onto.T @ profile)
    kernel = np.ones(9) / 9
    return np.convolve(profile / smooth - 1, kernel, mode="valid")


@cache
def _smooth_basis(length: int) -> np.ndarray:
    """Return an orthonormal basis of the polynomials of degree 4 over a profile, (length, 5)."""
    import numpy as np

    return np.linalg.qr(np.vander(np.linspace(-1, 1, length), 5))[0]

"""From a scene to its picture: trace the lines of sight, gather light, expose, encode."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from densitycam.card.layout import CardLayout, card_layout
from densitycam.simulate.bag import trace_bag, with_wrinkles
from densitycam.simulate.camera import Camera, hold, lines_of_sight, project, sheet_to_world
from densitycam.simulate.cells import SPECIES, contrast_attenuation, medium
from densitycam.simulate.optics import Tables, at_path, film_tables, tables
from densitycam.simulate.phones import colour_matrix, phone_of, tone_table
from densitycam.simulate.prints import sheet_weights
from densitycam.simulate.room import REACH_MM, SCALE_PX_PER_MM, Room, room
from densitycam.simulate.scene import Scene
from densitycam.simulate.state import film_depths, through_film, with_bubbles, with_foam
from densitycam.simulate.vessels import (
    Rays,
    Vessel,
    as_vessel,
    land,
    silhouette_distance,
    trace_cylinder,
    trace_flat,
)

Array = NDArray[np.float32]

#: Word on every picture.
MARK = "SIMULATED"

#: Spreads for which the card is blurred beforehand; between them it is mixed [mm].
_BLURS_MM = (0.0, 1.0, 2.0, 4.0, 8.0)
_WIDE_MM = 14.0  # reach of light that lost its way in the culture
#: Heights of what stands over a vessel's straight part [mm] (invented).
_SHOULDER_MM = 12.0
_NECK_MM = 8.0
_CAP_MM = 18.0


@dataclass(frozen=True, eq=False)
class Truth:
    """What is known of a picture.

    Parameters
    ----------
    cells_per_ml : float
        Density of the fluid in the vessel [cells/mL].
    species : str
        Species id.
    path_mm : float or None
        Inner light path of the vessel [mm]; None without one.
    attenuation : float or None
        -ln of the contrast left at 550 nm straight through, blur included, dimensionless.
    card_corners_px : ndarray of float64, shape (4, 2)
        Upright part of the sheet as seen upright: top left, top right, bottom right, bottom
        left (the fold) [px].
    marker_corners_px : ndarray of float64, shape (m, 4, 2)
        Corners of the markers in the layout's order, clockwise from top left [px].
    vessel_box_px : tuple of float or None
        Left, top, right, bottom of the vessel's outline [px].
    note : str
        What is special.
    """

    cells_per_ml: float
    species: str
    path_mm: float | None
    attenuation: float | None
    card_corners_px: NDArray[np.float64]
    marker_corners_px: NDArray[np.float64]
    vessel_box_px: tuple[float, float, float, float] | None
    note: str


@dataclass(frozen=True, eq=False)
class _World:
    """Everything a line of sight can land on."""

    layout: CardLayout
    sheet: Array  # (h, w, 4): weights and 1 for "on the sheet"
    px_per_mm: float
    room: Room


def _look_up(image: Array, column: Array, row: Array) -> Array:
    import cv2

    seen = cv2.remap(
        image,
        column.astype(np.float32),
        row.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    return np.asarray(seen, np.float32)


def _on_sheet(world: _World, image: Array, scale: float, x: Array, v: Array) -> Array:
    column = (x + world.layout.width_mm / 2.0) * scale - 0.5
    row = (world.layout.base_line_y_mm - v) * scale - 0.5
    return _look_up(image, column, row)


def _in_room(image: Array, x: Array, v: Array) -> Array:
    edge = REACH_MM - 2.0
    column = (np.clip(x, -edge, edge) + REACH_MM) * SCALE_PX_PER_MM - 0.5
    row = (REACH_MM - np.clip(v, -edge, edge)) * SCALE_PX_PER_MM - 0.5
    return _look_up(image, column, row)


def _over_room(
    world: _World, sheet: Array, scale: float, x: Array, v: Array, around: Array
) -> Array:
    seen = _on_sheet(world, sheet, scale, x, v)
    return seen[..., :3] + (1.0 - seen[..., 3:]) * around


def _make_world(scene: Scene, layout: CardLayout, px_per_mm: float) -> _World:
    weights = sheet_weights(layout.paper, scene.print_name, px_per_mm)
    alpha = np.ones((*weights.shape[:2], 1), dtype=np.float32)
    sheet = np.concatenate([weights, alpha], axis=2)
    if scene.defect == "no-card":
        sheet = np.zeros_like(sheet)
    return _World(layout, sheet, px_per_mm, room(scene, layout))


def _coloured(weights: Array, free: Array, shaded: Array, share: Array) -> Array:
    """Apply colour matrices to print weights, mixed by the share of shaded light."""
    light: Array = (weights @ free.T) * (1.0 - share) + (weights @ shaded.T) * share
    return light


def _blurred_sheets(world: _World) -> list[tuple[Array, float]]:
    """Return the sheet at rising blur, each with its scale [px/mm]."""
    import cv2

    levels = []
    for sigma in (*_BLURS_MM, _WIDE_MM):
        scale = world.px_per_mm if sigma == 0.0 else min(world.px_per_mm, max(6.0 / sigma, 1.0))
        if scale == world.px_per_mm:
            small = world.sheet
        else:
            size = (
                round(world.layout.width_mm * scale),
                round(world.layout.height_mm * scale),
            )
            small = np.asarray(
                cv2.resize(world.sheet, size, interpolation=cv2.INTER_AREA), np.float32
            )
        if sigma > 0.0:
            # Weights and cover blur together, so the wall still shows through past the edge.
            soft = cv2.GaussianBlur(small, (0, 0), sigma * scale, borderType=cv2.BORDER_CONSTANT)
            small = np.asarray(soft, np.float32)
        levels.append((small, scale))
    return levels


def _through_fluid(
    world: _World,
    light: Tables,
    rays: Rays,
    shape: tuple[int, int],
    rho: Array,
    film: tuple[Array, Array, Array] | None,
) -> Array:
    """Return camera light of lines of sight through the vessel's body, shape (n, 3)."""
    x, v = (part.reshape(shape) for part in land(rays.point, rays.direction))
    around = _in_room(world.room.weights, x, v)
    lit = _in_room(world.room.light, x, v).reshape(-1, 2)
    path = rays.path_mm * rho
    sigma = np.interp(path, light.path_mm, light.blur_mm).astype(np.float32)
    levels = _blurred_sheets(world)
    seen = [_over_room(world, sheet, scale, x, v, around).reshape(-1, 3) for sheet, scale in levels]
    sharp = np.zeros_like(seen[0])
    place = np.interp(sigma**2, np.square(_BLURS_MM), np.arange(len(_BLURS_MM)))
    for n in range(len(_BLURS_MM)):
        share = np.clip(1.0 - np.abs(place - n), 0.0, 1.0).astype(np.float32)
        sharp += share[:, None] * seen[n]
    wide = seen[-1]

    def apply(table: Array, weights: Array) -> Array:
        seen: Array = np.einsum("ncj,nj->nc", at_path(table, light.path_mm, path), weights)
        return seen

    change = sharp - wide
    parts = [
        apply(table, weights)
        for table, weights in (
            (light.sharp, change),
            (light.mean, wide),
            (light.sharp_shaded, change),
            (light.mean_shaded, wide),
        )
    ]
    if film is not None:
        parts = [part * film[n % 2] for n, part in enumerate(parts)]
    free, shaded = parts[0] + parts[1], parts[2] + parts[3]
    share = lit[:, 1:2]
    gathered = lit[:, :1] * ((1.0 - share) * free + share * shaded)
    veil = at_path(light.veil, light.path_mm, path)
    if film is not None:
        veil = veil * film[1] + film[2]
    front = _light_in_front(world, rays, shape)
    body: Array = rays.glass[:, None] * (gathered + 0.92 * front * veil)
    return body


def _light_in_front(world: _World, rays: Rays, shape: tuple[int, int]) -> Array:
    """Return the light that falls on the vessel where lines of sight meet it, shape (n, 1)."""
    x, y = (rays.entry[:, n].reshape(shape) for n in (0, 1))
    return _in_room(world.room.light, x, y).reshape(-1, 2)[:, :1]


def _density_profile(scene: Scene, height_mm: Array) -> Array:
    """Return local density against the mean, for a culture that has settled."""
    if scene.settled <= 0.0:
        return np.ones_like(height_mm)
    k = scene.settled
    u = np.clip(height_mm / scene.level_mm, 0.0, 1.0)
    density: Array = (k * np.exp(-k * u) / (1.0 - np.exp(-k))).astype(np.float32)
    return density


def _glass_lights(scene: Scene, vessel: Vessel, rays: Rays, colour: Array) -> Array:
    """Add what the glass itself shows: room mirrored, seams, meniscus, foam, lamps."""
    y = rays.entry[:, 1]
    level = scene.level_mm
    colour = colour + ((1.0 - rays.glass) * scene.haze)[:, None]
    colour = colour * (1.0 - 0.35 * rays.seam)[:, None]
    colour = colour * (1.0 - 0.12 * rays.surface)[:, None] + (0.05 * rays.surface)[:, None]
    meniscus = np.exp(-0.5 * ((y - level - 0.6) / 0.7) ** 2)
    colour = colour * (1.0 - 0.45 * meniscus)[:, None]
    floor = np.clip(1.0 - y / 3.5, 0.0, 1.0)
    colour = colour * (1.0 - 0.4 * floor)[:, None] + (0.04 * floor)[:, None]
    shoulder = np.clip((y - vessel.body_mm + 3.0) / 3.0, 0.0, 1.0)
    colour = colour * (1.0 - 0.12 * shoulder)[:, None]
    if scene.foam_mm > 0.0 and scene.foam_cell_mm == 0.0:
        cover = np.clip((y - level) / 0.8, 0.0, 1.0)
        cover *= np.clip((level + scene.foam_mm - y) / 1.5, 0.0, 1.0)
        colour = colour * (1.0 - 0.8 * cover)[:, None] + (0.62 * cover)[:, None]
    for stripe in scene.glare:
        across = np.exp(-0.5 * ((rays.facing - stripe.facing) / stripe.width) ** 2)
        along = np.clip((y - stripe.low_mm) / 4.0, 0.0, 1.0)
        along = along * np.clip((stripe.high_mm - y) / 4.0, 0.0, 1.0)
        colour = colour + (stripe.strength * across * along)[:, None]
    return colour.astype(np.float32)


def _bubbles(scene: Scene, vessel: Vessel, rays: Rays, shape: tuple[int, int]) -> Array:
    """Return the factor by which bubbles change the light, shape (n,)."""
    import cv2

    factor = np.ones(shape, dtype=np.float32)
    if scene.bubbles == 0:
        return factor.ravel()
    rng = np.random.default_rng([scene.seed, 23])
    rows, columns = shape
    x = rays.entry[:, 0].reshape(shape)[rows // 2] - scene.x_mm
    y = rays.entry[:, 1].reshape(shape)[:, columns // 2]
    px_per_mm = abs((columns - 1) / (x[-1] - x[0] + 1e-6))
    for _ in range(scene.bubbles):
        bx = rng.uniform(-0.9, 0.9) * vessel.width_mm / 2.0
        by = rng.uniform(5.0, scene.level_mm)
        radius = float(np.exp(rng.normal(np.log(0.6), 0.45)))
        column = int(np.argmin(np.abs(x - bx)))
        row = int(np.argmin(np.abs(y - by)))
        size = max(round(radius * px_per_mm), 1)
        cv2.circle(factor, (column, row), size, 0.55, -1, cv2.LINE_AA)
        inner = max(int(size * 0.55), 0)
        if inner:
            cv2.circle(factor, (column, row), inner, 1.25, -1, cv2.LINE_AA)
    return np.asarray(cv2.GaussianBlur(factor, (0, 0), 0.7), np.float32).ravel()


def _half_width(vessel: Vessel, height: Array) -> Array:
    """Return the outer half width at a height, body to cap [mm]."""
    body, neck = vessel.half_width_mm, vessel.neck_mm / 2.0
    shoulder = vessel.body_mm + _SHOULDER_MM
    cap = shoulder + _NECK_MM
    t = np.clip((height - vessel.body_mm) / _SHOULDER_MM, 0.0, 1.0)
    half = body + (neck - body) * (1.0 - np.sqrt(np.maximum(1.0 - t * t, 0.0)))
    return np.where(height > cap, neck + 2.0, half).astype(np.float32)


def _vessel_box(
    vessel: Vessel, camera: Camera, x_mm: float, back_mm: float
) -> tuple[float, float, float, float]:
    half, front = vessel.half_width_mm, back_mm + vessel.depth_mm
    top = vessel.body_mm + _SHOULDER_MM + _NECK_MM + _CAP_MM
    corners = np.array(
        [[x_mm + s * half, y, z] for s in (-1, 1) for y in (0.0, top) for z in (back_mm, front)]
    )
    seen = project(camera, corners)
    return (
        float(seen[:, 0].min()),
        float(seen[:, 1].min()),
        float(seen[:, 0].max()),
        float(seen[:, 1].max()),
    )


def _draw_vessel(
    picture: Array, scene: Scene, vessel: Vessel, camera: Camera, world: _World, light: Tables
) -> None:
    """Draw the vessel into the picture of camera light, in place."""
    width, height = camera.size_px
    back = world.layout.gap_mm + scene.gap_error_mm
    left, top, right, bottom = _vessel_box(vessel, camera, scene.x_mm, back)
    x0, x1 = max(int(left) - 3, 0), min(int(right) + 4, width)
    y0, y1 = max(int(top) - 3, 0), min(int(bottom) + 4, height)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return
    columns = np.arange(x0, x1, dtype=np.float32)
    rows = np.arange(y0, y1, dtype=np.float32)
    shape = (rows.size, columns.size)
    grid = np.broadcast_arrays(columns[None, :], rows[:, None])
    direction = lines_of_sight(camera, grid[0], grid[1])
    place = camera.place.astype(np.float32)
    axis_z = np.float32(back + vessel.depth_mm / 2.0)
    y_axis = place[1] + direction[:, 1] * (axis_z - place[2]) / direction[:, 2]
    half = _half_width(vessel, y_axis)
    inside = silhouette_distance(
        vessel, camera=place, direction=direction, x_mm=scene.x_mm, back_mm=back, half=half
    )
    px_per_mm = camera.focal_px / float(place[2] - axis_z)
    trace = {"cylinder": trace_cylinder, "flat": trace_flat, "bag": trace_bag}[vessel.shape]
    rays = trace(
        vessel,
        camera=place,
        direction=direction,
        x_mm=scene.x_mm,
        back_mm=back,
        level_mm=scene.level_mm,
    )
    y = rays.entry[:, 1]
    cap_low = vessel.body_mm + _SHOULDER_MM + _NECK_MM
    top_end = cap_low + _CAP_MM
    alpha = np.clip(inside * px_per_mm + 0.5, 0.0, 1.0)
    alpha *= np.clip(y * px_per_mm + 0.5, 0.0, 1.0)
    alpha *= np.clip((top_end - y_axis) * px_per_mm + 0.5, 0.0, 1.0)
    rho = _density_profile(scene, rays.height_mm)
    film = None
    if scene.film > 0.0 or scene.film_ring > 0.0:
        film = through_film(film_tables(scene), *film_depths(scene, vessel, rays, shape))
    body = _through_fluid(world, light, rays, shape, rho, film)
    if scene.aeration > 0.0:
        lit = _light_in_front(world, rays, shape)
        body = with_bubbles(body, scene, vessel, rays, shape, light, lit)
    if scene.foam_mm > 0.0 and scene.foam_cell_mm > 0.0:
        lit = _light_in_front(world, rays, shape)
        body = with_foam(body, scene, vessel, rays, shape, light, lit)
    body *= _bubbles(scene, vessel, rays, shape)[:, None]
    if vessel.shape == "bag":
        folds = with_wrinkles(vessel, rays, shape, seed=scene.seed, x_mm=scene.x_mm)
        body *= folds[:, None]
    body = _glass_lights(scene, vessel, rays, body)

    under = picture[y0:y1, x0:x1].reshape(-1, 3)
    above = np.clip((y_axis - vessel.body_mm) / 2.0, 0.0, 1.0)[:, None]
    edge = np.exp(-np.maximum(inside, 0.0) / 2.5)[:, None]
    neck = under * (0.82 - 0.4 * edge) + 0.05 * scene.haze + 0.10 * edge * scene.haze
    body = body * (1.0 - above) + neck * above
    is_cap = np.clip((y_axis - cap_low) * px_per_mm + 0.5, 0.0, 1.0)[:, None]
    turn = np.sqrt(np.clip(inside / np.maximum(half, 1.0), 0.0, 1.0))[:, None]
    ridge = 1.0 + 0.06 * np.sin(inside * 2.2)[:, None]
    rng = np.random.default_rng([scene.room_seed, 31])
    cap_colour = np.array([[0.10, 0.16, 0.32], [0.55, 0.55, 0.53], [0.09, 0.09, 0.09]])
    cap = cap_colour[int(rng.integers(3))].astype(np.float32) * (0.35 + 0.75 * turn) * ridge
    body = body * (1.0 - is_cap) + cap * is_cap
    mixed = under * (1.0 - alpha[:, None]) + body * alpha[:, None]
    picture[y0:y1, x0:x1] = mixed.reshape(*shape, 3)


def _draw_hand(picture: Array, camera: Camera, layout: CardLayout) -> None:
    """Lay a hand over the card's right half, in place."""
    import cv2

    w, fold = layout.width_mm, layout.base_line_y_mm

    def px(points: list[tuple[float, float]]) -> NDArray[np.int32]:
        flat = np.array(points, dtype=float)
        places: NDArray[np.int32] = (
            project(camera, sheet_to_world(layout, flat)).round().astype(np.int32)
        )
        return places

    mask = np.zeros(picture.shape[:2], dtype=np.float32)
    scale = camera.focal_px / camera.place[2]
    palm = [(0.62 * w, 0.30 * fold), (1.25 * w, 0.22 * fold), (1.25 * w, 0.98 * fold),
            (0.72 * w, 0.92 * fold)]  # fmt: skip
    cv2.fillPoly(mask, [px(palm)], 1.0)
    for n, reach in enumerate((0.44, 0.36, 0.35, 0.42)):
        ends = px([(0.75 * w, (0.33 + 0.17 * n) * fold), (reach * w, (0.22 + 0.19 * n) * fold)])
        cv2.line(mask, ends[0].tolist(), ends[1].tolist(), 1.0, int(22 * scale), cv2.LINE_AA)
    soft = cv2.GaussianBlur(mask, (0, 0), 4.0 * scale)
    edge = cv2.GaussianBlur(mask, (0, 0), 0.9 * scale)[..., None]
    skin = np.array([0.52, 0.33, 0.24], dtype=np.float32) * (0.35 + 0.65 * soft[..., None])
    picture *= 1.0 - edge
    picture += skin * edge


def _streak(motion: tuple[float, float], scale: float) -> Array:
    """Return the kernel of a phone that moved evenly while it exposed."""
    import cv2

    reach = np.array(motion) * scale / 2.0
    half = int(np.ceil(np.abs(reach).max())) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), dtype=np.float32)
    ends = np.round(half + np.array([-reach, reach])).astype(int).tolist()
    cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_AA)
    streak: Array = kernel / kernel.sum()
    return streak


def _develop(picture: Array, scene: Scene, gains: Array) -> NDArray[np.uint8]:
    """Expose, blur, add noise, correct colour, bend the tone, sharpen, to 8 bit."""
    import cv2

    phone = phone_of(scene.phone)
    height, width = picture.shape[:2]
    scale = max(width, height) / 1600.0
    u = (np.arange(width, dtype=np.float32) - width / 2.0) / width
    w = (np.arange(height, dtype=np.float32) - height / 2.0) / width
    picture = (
        picture * (scene.exposure * (1.0 - 0.18 * (u[None, :] ** 2 + w[:, None] ** 2)))[..., None]
    )
    picture *= np.array([scene.balance_error[0], 1.0, scene.balance_error[1]], dtype=np.float32)
    sigma = float(np.hypot(phone.softness_px * max(scale, 0.8), scene.blur_px * scale))
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), np.float32)
    if scene.motion != (0.0, 0.0):
        moved = cv2.filter2D(picture, -1, _streak(scene.motion, scale))
        picture = np.asarray(moved, np.float32)
    if scene.flicker[0] > 0.0:
        turns = scene.flicker[1] * np.arange(height, dtype=np.float32) / height
        bands = 1.0 + scene.flicker[0] * np.sin(2.0 * np.pi * turns)
        picture = picture * bands[:, None, None].astype(np.float32)

    rng = np.random.default_rng([scene.seed, 47])
    shot = gains * np.float32(scene.grain / phone.full_well)
    read = (gains * np.float32(phone.read_noise)) ** 2 * np.float32(scene.grain)
    quanta = rng.standard_normal(picture.shape, dtype=np.float32)
    noise = cv2.GaussianBlur(quanta, (0, 0), 0.6)  # the mosaic spreads each quantum's error
    picture += noise * np.sqrt(np.maximum(picture, 0.0) * shot + read)
    np.minimum(picture, 1.0, out=picture)  # the sensor is full

    matrix = colour_matrix(phone).astype(np.float32)
    picture = np.asarray(cv2.transform(picture, matrix), np.float32)
    table = (tone_table(phone) * 255.0).astype(np.float32)
    index = np.clip(picture * (table.size - 1), 0, table.size - 1).astype(np.uint16)
    code = table[index]
    if phone.sharpening > 0.0:
        soft = cv2.GaussianBlur(code, (0, 0), 1.2 * scale)
        code += phone.sharpening * (code - soft)
    developed: NDArray[np.uint8] = np.clip(code + 0.5, 0, 255).astype(np.uint8)
    return developed


def _stamp(image: NDArray[np.uint8], keep_clear: NDArray[np.uint8]) -> None:
    """Write `MARK` on the background in place, clear of the card and the vessel."""
    import cv2

    height, width = image.shape[:2]
    font = cv2.FONT_HERSHEY_SIMPLEX
    for share in (0.030, 0.024, 0.018, 0.014, 0.010):
        size = share * height / 22.0
        thick = max(round(size * 2.0), 1)
        (w, h), base = cv2.getTextSize(MARK, font, size, thick)
        pad = max(h // 3, 3)
        wide, tall = w + 2 * pad, h + base + 2 * pad
        lefts = [pad, width - wide - pad, (width - wide) // 2]
        tops = [pad, height - tall - pad, (height - tall) // 2]
        for top in tops:
            for left in lefts:
                if left < 0 or top < 0 or keep_clear[top : top + tall, left : left + wide].any():
                    continue
                box = image[top : top + tall, left : left + wide]
                box[:] = (box * 0.45).astype(np.uint8)
                where = (left + pad, top + pad + h)
                cv2.putText(image, MARK, where, font, size, (235, 235, 235), thick, cv2.LINE_AA)
                return
    raise ValueError("the card leaves no room for the mark; lower fill")


def _clear_of(
    scene: Scene, camera: Camera, layout: CardLayout, box: tuple[float, ...] | None
) -> NDArray[np.uint8]:
    """Return a mask of what the mark must not touch: the sheet and the vessel."""
    import cv2

    width, height = camera.size_px
    mask = np.zeros((height, width), dtype=np.uint8)
    w, fold, h = layout.width_mm, layout.base_line_y_mm, layout.height_mm
    for ring in ([(0, 0), (w, 0), (w, fold), (0, fold)], [(0, fold), (w, fold), (w, h), (0, h)]):
        flat = np.array(ring, dtype=float)
        seen = project(camera, sheet_to_world(layout, flat)).round().astype(np.int32)
        cv2.fillPoly(mask, [seen], 1)
    margin = max(round(0.008 * width), 2)
    wider = cv2.dilate(mask, np.ones((2 * margin + 1, 2 * margin + 1), dtype=np.uint8))
    clear = np.asarray(wider, np.uint8)
    if box is not None:
        left, top, right, bottom = (round(b) for b in box)
        clear[max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)] = 1
    return clear


def render(scene: Scene) -> tuple[NDArray[np.uint8], Truth]:
    """Return the picture of a scene as the phone would show it upright, and its truth.

    Parameters
    ----------
    scene : Scene
        The shot.

    Returns
    -------
    image : ndarray of uint8, shape (height, width, 3)
        sRGB-like code values, red, green, blue, before JPEG. Says "SIMULATED" on the
        background.
    truth : Truth
        What is known of it; places are those of the picture before it is mirrored.

    Raises
    ------
    ValueError
        When the card fills the frame so far that the mark finds no room.
    """
    layout = card_layout(scene.paper)
    camera = hold(scene, layout)
    width, height = scene.size_px
    px_per_mm = camera.focal_px / float(camera.place[2])
    scale = float(np.clip(np.ceil(px_per_mm * 2.4) / 2.0, 2.0, 16.0))
    vessel = as_vessel(scene.vessel) if scene.vessel else None
    behind = layout.gap_mm + scene.gap_error_mm + (vessel.wall_mm if vessel else 0.0)
    light = tables(scene, behind_mm=behind)
    world = _make_world(scene, layout, scale)

    grid = np.broadcast_arrays(
        np.arange(width, dtype=np.float32)[None, :], np.arange(height, dtype=np.float32)[:, None]
    )
    direction = lines_of_sight(camera, grid[0], grid[1])
    start = np.broadcast_to(camera.place.astype(np.float32), direction.shape)
    x, v = (part.reshape(height, width) for part in land(start, direction))
    weights = _over_room(world, world.sheet, scale, x, v, _in_room(world.room.weights, x, v))
    lit = _in_room(world.room.light, x, v)
    picture = _coloured(weights, light.beside, light.beside_shaded, lit[..., 1:])
    picture *= lit[..., :1]

    box = None
    attenuation = None
    if vessel is not None:
        for place in scene.places_mm:
            stood = replace(scene, x_mm=place)
            _draw_vessel(picture, stood, vessel, camera, world, light)
        box = _vessel_box(vessel, camera, scene.x_mm, layout.gap_mm + scene.gap_error_mm)
        fluid = medium(
            SPECIES[scene.species],
            cells_per_ml=scene.cells_per_ml,
            pigment_scale=scene.pigment_scale,
            extra_scatter=scene.extra_scatter,
        )
        attenuation = contrast_attenuation(fluid, path_mm=vessel.path_mm, behind_mm=behind)
    if scene.defect == "hand":
        _draw_hand(picture, camera, layout)
    image = _develop(picture, scene, light.gains)
    keep_clear = _clear_of(scene, camera, layout, box)
    if scene.mirrored:
        image = np.ascontiguousarray(image[:, ::-1])
        keep_clear = np.ascontiguousarray(keep_clear[:, ::-1])
    _stamp(image, keep_clear)

    w, fold = layout.width_mm, layout.base_line_y_mm
    card = np.array([(0, 0), (w, 0), (w, fold), (0, fold)], dtype=float)
    markers = np.array(
        [
            [
                (m.x_mm, m.y_mm),
                (m.right_mm, m.y_mm),
                (m.right_mm, m.bottom_mm),
                (m.x_mm, m.bottom_mm),
            ]
            for m in (marker.rect for marker in layout.markers)
        ]
    )
    seen = project(camera, sheet_to_world(layout, markers.reshape(-1, 2)))
    truth = Truth(
        cells_per_ml=scene.cells_per_ml,
        species=scene.species,
        path_mm=vessel.path_mm if vessel else None,
        attenuation=attenuation,
        card_corners_px=project(camera, sheet_to_world(layout, card)),
        marker_corners_px=seen.reshape(-1, 4, 2),
        vessel_box_px=box,
        note=scene.note,
    )
    return image, truth

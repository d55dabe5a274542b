"""The deposits of one view, measured in micrometres where they lie on the connector.

Films, residues, liquids and damage lie flat: their area is the surface area their pixels cover.
Grains and lint stand up, and seen at a slant they cover more surface than they stand on; their area
is counted across the line of sight. A grain's is then turned to the view from above, the one its
size is stated for, as that of a spheroid lying on its broad side, `GRAIN_HEIGHT` as high as wide:
seen at the cosine f its outline has sqrt(f^2 + h^2 (1 - f^2)) of the area seen from above. A thread
lies down lengthwise, so its length is taken on the surface, its width across the line of sight.
Lengths use one metric per deposit (px -> um, from the slopes of s and theta in the picture).

A pixel's surface area grows as 1 / cosine toward the silhouette; below `LEAST_FACING` it is held.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.camera import SurfaceCoordinates
from ...model.kinds import Kind
from ...model.surfaces import Surface
from .outline import centre_line_um, corners_px, hull_diameters, inscribed_px
from .places import (
    FLAT,
    PiecePixels,
    divide,
    host_shares,
    hosts,
    metrics,
    places,
    scale_elsewhere,
    split_by_kind,
)
from .segment import Segmentation

__all__ = ["GRAIN_HEIGHT", "LEAST_FACING", "SeenDeposit", "measure_deposits"]

LEAST_FACING, LEAST_FACING_LINT = 0.1, 0.3
GRAIN_HEIGHT = 0.65  # an assumption, the middle of what the renderer draws; no source
IN_ZONE_UM = 125.0
SPREAD = 0.1  # resultant length of theta below which a deposit lies all round

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class SeenDeposit:
    """One deposit in one view. Lengths um, areas um2; None where it cannot be said.

    `view`: index of the view. `confidence`: mean probability of any deposit over its pixels, 0..1,
    corrected where the model carries a calibration.
    `y0`, `x0`, `mask`: the bounding box's first row and column, and its pixels, bool [h, w].
    `xy_px`: centroid in the picture. `s_um`: mean travel distance; `theta_deg`: circular mean in
    [0, 360), None when spread all round; `s_min_um`, `s_max_um`: extremes. `size_um`: diameter of
    the circle of equal area (ISO 13322-1). `feret_max_um`: longest distance between parallel
    tangents. `width_um`: the shortest one; for lint the largest inscribed circle (ISO 16232).
    `length_um`: lint only, along the centre line. `enclosing_um`: diameter of the smallest
    enclosing circle. `in_zone_area_um2`: the part of `area_um2` within 125 um of the axis.
    `unsure`: between the detection floor and the threshold. `metric`: the 2 x 2 matrix that takes
    (x, y) in px to um on the deposit's surface. `on_host`: share of its pixels behind which lies
    the surface that it is on; small where it sticks out beyond the silhouette.
    """

    view: int
    kind: Kind
    surface: Surface
    confidence: float
    pixel_count: int
    y0: int
    x0: int
    mask: npt.NDArray[np.bool_]
    xy_px: tuple[float, float]
    s_um: float | None
    theta_deg: float | None
    s_min_um: float | None
    s_max_um: float | None
    area_um2: float
    size_um: float
    feret_max_um: float
    width_um: float
    length_um: float | None
    enclosing_um: float
    in_zone_area_um2: float
    unsure: bool
    metric: tuple[tuple[float, float], tuple[float, float]] | None = None
    on_host: float = 1.0


def measure_deposits(
    segmentation: Segmentation, coordinates: SurfaceCoordinates, view: int
) -> tuple[SeenDeposit, ...]:
    """Every deposit and unsure piece of one view, in raster order of their first pixels.

    Touching deposits of different kinds are listed apart. Pieces that lie wholly on the surround,
    farther than 2 px from the connector, are no deposits of it and are left out.
    """
    if segmentation.kind.shape != coordinates.surface.shape:
        raise ValueError(
            f"expected coordinates of the picture's {segmentation.kind.shape} pixels, "
            f"got {coordinates.surface.shape}"
        )
    found: list[tuple[int, int, SeenDeposit]] = []
    for kinds, unsure in ((segmentation.kind, False), (segmentation.doubtful, True)):
        if kinds is None:
            continue
        pixels = split_by_kind(kinds, segmentation.min_px)
        if pixels.kind.size:
            seen = _measured(pixels, segmentation, coordinates)
            first = pixels.starts[:-1]
            for number, deposit in enumerate(_records(seen, view, unsure)):
                if deposit is not None:
                    at = first[number]
                    found.append((int(pixels.y[at]), int(pixels.x[at]), deposit))
    found.sort(key=lambda item: item[:2])
    return tuple(deposit for _, _, deposit in found)


@dataclass(frozen=True)
class _Measured:
    """Per deposit [m]: its pixels, host, place, scale and metric; NaN where unknown."""

    pixels: PiecePixels
    host: Ints
    confidence: Floats
    s_um: Floats
    theta_deg: Floats
    s_min_um: Floats
    s_max_um: Floats
    um_per_px: Floats
    metric: Floats  # [m, 2, 2]
    area_um2: Floats
    in_zone_um2: Floats
    on_host: Floats


def _measured(
    pixels: PiecePixels, segmentation: Segmentation, coordinates: SurfaceCoordinates
) -> _Measured:
    host = hosts(pixels, segmentation.surface)
    place = places(pixels, host, coordinates)
    at = place.y, place.x
    s, theta = coordinates.s_um[at], np.radians(coordinates.theta_deg[at])
    facing = coordinates.facing[at].astype(np.float64)
    across = coordinates.pixel_area_um2[at] * facing
    least = np.where(pixels.kind == Kind.LINT, LEAST_FACING_LINT, LEAST_FACING)
    area = across / _shown(facing, pixels.kind[place.number], least[place.number])
    with np.errstate(invalid="ignore", divide="ignore"):
        total, known = place.sums(area), place.sums(np.ones(area.size))
        size = np.diff(pixels.starts)
        cos = place.sums(area * np.cos(theta)) / total
        sin = place.sums(area * np.sin(theta)) / total
        um_per_px = np.sqrt(place.sums(across) / known)
        in_zone = place.sums(area * (s <= IN_ZONE_UM)) * size / known
    theta_deg = np.where(
        np.hypot(cos, sin) < SPREAD, np.nan, np.degrees(np.arctan2(sin, cos)) % 360
    )
    um_per_px = scale_elsewhere(um_per_px, pixels, coordinates)
    metric = metrics(place, coordinates, um_per_px, least)
    return _Measured(
        pixels=pixels,
        host=host,
        confidence=_confidence(pixels, size, segmentation),
        s_um=divide(place.sums(area * s), total),
        theta_deg=theta_deg,
        s_min_um=_extreme(np.minimum, s, place),
        s_max_um=_extreme(np.maximum, s, place),
        um_per_px=um_per_px,
        metric=metric,
        area_um2=np.where(known > 0, divide(total, known), um_per_px**2) * size,
        in_zone_um2=np.where(known > 0, in_zone, 0.0),
        on_host=host_shares(pixels, host, coordinates),
    )


def _confidence(pixels: PiecePixels, size: Floats, segmentation: Segmentation) -> Floats:
    """Per deposit, how sure it is one, 0..1."""
    mean = pixels.sums(segmentation.deposit_p[pixels.y, pixels.x]) / size
    if (calibration := segmentation.calibration) is None:
        return mean
    return np.array([calibration.of(p, n) for p, n in zip(mean, size.astype(int), strict=True)])


def _shown(facing: Floats, kind: Ints, least: Floats) -> Floats:
    """Area across the line of sight over the area a deposit's size is stated for, per pixel."""
    grain = np.sqrt(facing**2 + GRAIN_HEIGHT**2 * (1 - facing**2))
    standing = np.where(kind == Kind.PARTICLE, grain, 1.0)
    return np.where(FLAT[kind], np.maximum(facing, least), standing)


def _extreme(ufunc: Any, values: npt.NDArray[np.float32], place: PiecePixels) -> Floats:
    """Per deposit, the least or greatest value; NaN for a deposit without pixels."""
    filled = np.flatnonzero(np.diff(place.starts))
    out = np.full(place.kind.size, np.nan)
    if filled.size:
        out[filled] = ufunc.reduceat(values, place.starts[filled])
    return out


def _records(seen: _Measured, view: int, unsure: bool) -> Iterator[SeenDeposit | None]:
    """The deposits one by one; None for a piece that lies on no part of the connector."""
    pixels = seen.pixels
    new_row = np.flatnonzero(
        (np.diff(pixels.y, prepend=-1) != 0) | (np.diff(pixels.number, prepend=-1) != 0)
    )
    row_end = np.append(new_row[1:], pixels.y.size) - 1
    rows = np.searchsorted(new_row, pixels.starts)
    for number in range(pixels.kind.size):
        if seen.host[number] < 0:
            yield None
            continue
        part = slice(pixels.starts[number], pixels.starts[number + 1])
        run = slice(rows[number], rows[number + 1])
        outline = corners_px(pixels.y[new_row[run]], pixels.x[new_row[run]], pixels.x[row_end[run]])
        yield _record(seen, number, (pixels.y[part], pixels.x[part], outline), (view, unsure))


def _record(
    seen: _Measured, number: int, pixels: tuple[Ints, Ints, Floats], which: tuple[int, bool]
) -> SeenDeposit:
    y, x, outline = pixels
    y0, x0, mask = _window(y, x)
    metric = seen.metric[number]
    points = (outline - outline[0]) @ metric.T
    longest, width, enclosing = hull_diameters(points)
    kind, length = Kind(int(seen.pixels.kind[number])), None
    if kind == Kind.LINT:
        length = centre_line_um(mask, metric)
        width = inscribed_px(mask) * float(seen.um_per_px[number])
    s, theta, s_min, s_max = (
        None if np.isnan(v[number]) else float(v[number])
        for v in (seen.s_um, seen.theta_deg, seen.s_min_um, seen.s_max_um)
    )
    area = float(seen.area_um2[number])
    return SeenDeposit(
        view=which[0],
        kind=kind,
        surface=Surface(int(seen.host[number])),
        confidence=float(seen.confidence[number]),
        pixel_count=int(y.size),
        y0=y0,
        x0=x0,
        mask=mask,
        xy_px=(float(x.mean()) + 0.5, float(y.mean()) + 0.5),
        s_um=s,
        theta_deg=theta,
        s_min_um=s_min,
        s_max_um=s_max,
        area_um2=area,
        size_um=float(np.sqrt(4 * area / np.pi)),
        feret_max_um=longest,
        width_um=width,
        length_um=length,
        enclosing_um=enclosing,
        in_zone_area_um2=float(seen.in_zone_um2[number]),
        unsure=which[1],
        metric=_rows(metric),
        on_host=float(seen.on_host[number]),
    )


def _window(y: Ints, x: Ints) -> tuple[int, int, npt.NDArray[np.bool_]]:
    """The upper left corner of pixels and their mask from there."""
    y0, x0 = int(y.min()), int(x.min())
    mask = np.zeros((int(y.max()) - y0 + 1, int(x.max()) - x0 + 1), bool)
    mask[y - y0, x - x0] = True
    return y0, x0, mask


def _rows(metric: Floats) -> tuple[tuple[float, float], tuple[float, float]]:
    (xx, xy), (yx, yy) = metric.tolist()
    return (xx, xy), (yx, yy)

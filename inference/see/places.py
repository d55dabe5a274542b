"""Where the pieces of a kind map lie: their pixels, host surfaces, and px -> um on the surface."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.camera import SurfaceCoordinates
from ...model.kinds import Kind
from ...model.surfaces import SURFACES, Surface
from .pieces import connected_pieces, ring_around

__all__ = [
    "FLAT",
    "PiecePixels",
    "divide",
    "host_shares",
    "hosts",
    "metrics",
    "places",
    "scale_elsewhere",
    "split_by_kind",
]

NEAR_PX = 2  # a standing deposit's foot may be hidden; its host is looked for this far away
FOOT_SHARE = 0.2  # share of its pixels on the ferrule that makes the ferrule a deposit's host
SLOPE_SAMPLES = 128  # pixels per deposit that its metric is averaged over
FLAT = np.array([False, False, False, True, True, True, True])  # by kind
ON_FERRULE = np.array([row.on_ferrule for row in SURFACES])
GROUP = np.array([*range(6), int(Surface.ENDFACE)], np.uint8)  # the fibre is part of the dome

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class PiecePixels:
    """The pixels of all deposits, deposit by deposit, each in raster order.

    `kind` [m] per deposit; `number` (0..m-1), `y`, `x` [n] per pixel; deposit i has the pixels
    starts[i]:starts[i + 1].
    """

    kind: Ints
    number: Ints
    y: Ints
    x: Ints
    starts: Ints

    def sums(self, values: npt.ArrayLike) -> Floats:
        """Per deposit, the sum of a value per pixel."""
        weights = np.asarray(values, np.float64)
        return np.bincount(self.number, weights, self.kind.size).astype(np.float64)

    def pick(self, keep: Mask) -> "PiecePixels":
        """The pixels to keep; deposits keep their numbers."""
        number = self.number[keep]
        starts = np.searchsorted(number, np.arange(self.kind.size + 1))
        return PiecePixels(self.kind, number, self.y[keep], self.x[keep], starts)


def split_by_kind(kinds: npt.NDArray[np.uint8], min_px: int) -> PiecePixels:
    """The deposits of a kind map: connected pieces, cut where the kind changes."""
    pieces = connected_pieces(kinds > 0)
    y, x = np.nonzero(pieces.labels)
    label, kind = pieces.labels[y, x].astype(np.int64), kinds[y, x].astype(np.int64)
    order = np.argsort(label, kind="stable")
    y, x, label, kind = y[order], x[order], label[order], kind[order]
    count = pieces.area.size
    of_kind = np.bincount(label * len(FLAT) + kind, minlength=count * len(FLAT))
    mixed = np.flatnonzero((of_kind.reshape(count, -1) > 0).sum(axis=1) > 1)
    edges = np.searchsorted(label, np.arange(count + 1))
    for piece in mixed:
        part = slice(edges[piece], edges[piece + 1])
        count = _cut(kinds, (y[part], x[part]), label[part], count)
    order = np.argsort(label, kind="stable")
    label = label[order]
    size = np.bincount(label, minlength=count)
    keep = (size >= max(min_px, 1))[label]
    order, label = order[keep], label[keep]
    starts = np.flatnonzero(np.diff(label, prepend=-1))
    number = np.repeat(np.arange(starts.size), np.diff(starts, append=label.size))
    starts = np.append(starts, label.size)
    return PiecePixels(kind[order][starts[:-1]], number, y[order], x[order], starts)


def _cut(kinds: npt.NDArray[np.uint8], at: tuple[Ints, Ints], label: Ints, count: int) -> int:
    """Relabel one piece's pixels by connected kind, in place; returns the next free label."""
    y, x = at[0] - at[0].min(), at[1] - at[1].min()
    crop = np.zeros((y.max() + 1, x.max() + 1), np.uint8)
    crop[y, x] = kinds[at]
    for kind in np.unique(crop[y, x]):
        parts = connected_pieces(crop == kind)
        mine = parts.labels[y, x]
        label[mine > 0] = mine[mine > 0] + (count - 1)
        count += parts.area.size - 1
    return count


def hosts(pixels: PiecePixels, surface: npt.NDArray[np.uint8]) -> Ints:
    """Per deposit, the surface it lies on; -1 where it lies on none.

    The surface most of its pixels show. A grain on the ferrule's silhouette hides what is behind:
    where a share of its pixels shows the ferrule, the ferrule is its host, and where all show the
    surround, whatever of the connector lies within 2 px, the ferrule first.
    """
    count, surfaces = pixels.kind.size, len(SURFACES)
    votes = np.bincount(
        pixels.number * surfaces + surface[pixels.y, pixels.x], minlength=count * surfaces
    ).reshape(count, surfaces)
    size = votes.sum(axis=1)
    votes[:, Surface.SURROUND] = 0
    for number in np.flatnonzero(votes.sum(axis=1) == 0):
        near = _near(pixels, int(number), surface.shape)
        votes[number] = np.bincount(surface[near], minlength=surfaces)
        votes[number, Surface.SURROUND] = 0
        size[number] = 0
    ferrule = votes * ON_FERRULE
    standing = (ferrule.sum(axis=1) >= FOOT_SHARE * size) & (ferrule.sum(axis=1) > 0)
    votes = np.where(standing[:, None], ferrule, votes)
    return np.where(votes.sum(axis=1) > 0, votes.argmax(axis=1), -1)


def _near(pixels: PiecePixels, number: int, shape: tuple[int, ...]) -> tuple[Ints, Ints]:
    """Rows and columns of the pixels within NEAR_PX of a deposit but outside it."""
    part = slice(pixels.starts[number], pixels.starts[number + 1])
    y, x = pixels.y[part], pixels.x[part]
    y0, x0 = y.min() - NEAR_PX, x.min() - NEAR_PX
    crop = np.zeros((y.max() - y0 + 1 + NEAR_PX, x.max() - x0 + 1 + NEAR_PX), bool)
    crop[y - y0, x - x0] = True
    rows, cols = np.nonzero(ring_around(crop, NEAR_PX))
    rows, cols = rows + y0, cols + x0
    inside = (rows >= 0) & (rows < shape[0]) & (cols >= 0) & (cols < shape[1])
    return rows[inside], cols[inside]


def divide(a: Floats, b: Floats) -> Floats:
    """a / b, NaN where b is not positive."""
    return np.divide(a, b, out=np.full(a.shape, np.nan), where=b > 0)


def _shows(coordinates: SurfaceCoordinates, y: Ints, x: Ints, wanted: Ints) -> Mask:
    """Which pixels show a surface of the wanted group."""
    known = np.isfinite(coordinates.pixel_area_um2[y, x]) & (coordinates.facing[y, x] > 0)
    return known & (GROUP[coordinates.surface[y, x]] == wanted)


def host_shares(pixels: PiecePixels, host: Ints, coordinates: SurfaceCoordinates) -> Floats:
    """Per deposit, the share of its pixels behind which its host lies."""
    wanted = np.where(host >= 0, GROUP[host], 255)[pixels.number]
    return pixels.sums(_shows(coordinates, pixels.y, pixels.x, wanted)) / np.diff(pixels.starts)


def places(pixels: PiecePixels, host: Ints, coordinates: SurfaceCoordinates) -> PiecePixels:
    """The pixels that say where each deposit lies: its own that show its host, else near it."""
    group = np.where(host >= 0, GROUP[host], 255)

    def shows(y: Ints, x: Ints, wanted: Ints) -> Mask:
        return _shows(coordinates, y, x, wanted)

    own = pixels.pick(shows(pixels.y, pixels.x, group[pixels.number]))
    more: list[tuple[Ints, Ints, Ints]] = []
    for number in np.flatnonzero(np.diff(own.starts) == 0):
        y, x = _near(pixels, int(number), coordinates.surface.shape)
        near = shows(y, x, group[number])
        more.append((np.full(int(near.sum()), number), y[near], x[near]))
    if not more:
        return own
    number, y, x = (
        np.concatenate([mine, *extra])
        for mine, extra in zip((own.number, own.y, own.x), zip(*more, strict=True), strict=True)
    )
    order = np.argsort(number, kind="stable")
    starts = np.searchsorted(number[order], np.arange(pixels.kind.size + 1))
    return PiecePixels(pixels.kind, number[order], y[order], x[order], starts)


def scale_elsewhere(
    um_per_px: Floats, pixels: PiecePixels, coordinates: SurfaceCoordinates
) -> Floats:
    """Fill in the scale of deposits on no modelled surface: that of the nearest modelled place."""
    missing = np.flatnonzero(~np.isfinite(um_per_px))
    if not missing.size:
        return um_per_px
    coarse = np.s_[
        :: max(1, coordinates.facing.shape[0] // 128), :: max(1, coordinates.facing.shape[1] // 128)
    ]
    across = coordinates.pixel_area_um2[coarse] * coordinates.facing[coarse]
    y, x = np.nonzero(np.isfinite(across) & (across > 0))
    if not y.size:
        raise ValueError("expected coordinates that hold some part of a connector, got none")
    scale = np.sqrt(across[y, x].astype(np.float64))
    y, x = y * coarse[0].step, x * coarse[1].step
    out = um_per_px.copy()
    for number in missing:
        first = pixels.starts[number]
        away = np.hypot(y - pixels.y[first], x - pixels.x[first])
        out[number] = scale[away.argmin()]
    return out


def metrics(
    place: PiecePixels, coordinates: SurfaceCoordinates, um_per_px: Floats, least: Floats
) -> Floats:
    """Per deposit, the symmetric matrix [2, 2] that takes (x, y) in px to um on its surface.

    From the mean slopes of (s cos theta, s sin theta) on the dome, of (s, r theta) elsewhere, with
    r such that the pixel's area comes out. Standing deposits get the scale across the view.
    """
    count = place.kind.size
    across = um_per_px**2
    metric = np.zeros((count, 2, 2))
    metric[:, 0, 0] = metric[:, 1, 1] = um_per_px
    rank = np.arange(place.number.size) - place.starts[place.number]
    size = np.diff(place.starts)
    every = np.maximum(1, size // SLOPE_SAMPLES)
    lying = (FLAT[place.kind] | (place.kind == Kind.LINT))[place.number]
    some = place.pick(lying & (rank % every[place.number] == 0))
    slopes, area, known = _slopes(some, coordinates)
    some, slopes, area = some.pick(known), slopes[known], area[known]
    has = np.flatnonzero(np.diff(some.starts))
    if not has.size:
        return metric
    n = np.diff(some.starts)[has]
    mean = np.stack([some.sums(v)[has] / n for v in slopes.reshape(-1, 4).T], axis=-1)
    mean = mean.reshape(-1, 2, 2)
    dome = GROUP[coordinates.surface[some.y, some.x]][some.starts[has]] == Surface.ENDFACE
    turned = np.abs(np.linalg.det(mean))
    radius = np.where(dome, 1.0, divide(some.sums(area)[has] / n, turned))
    mean[:, 1] *= np.nan_to_num(radius)[:, None]
    squared, axes = np.linalg.eigh(mean.transpose(0, 2, 1) @ mean)
    low = across[has][:, None]
    squared = np.clip(squared, low, low / least[has][:, None] ** 2)
    metric[has] = axes * np.sqrt(squared)[:, None] @ axes.transpose(0, 2, 1)
    return metric


def _slopes(pixels: PiecePixels, coordinates: SurfaceCoordinates) -> tuple[Floats, Floats, Mask]:
    """Per pixel: slopes [n, 2, 2] (of two surface coordinates by x and y), area, whether known."""
    y, x = pixels.y, pixels.x
    group = GROUP[coordinates.surface[y, x]]
    bottom, right = (n - 1 for n in coordinates.surface.shape)
    slopes = np.empty((y.size, 2, 2))
    known = np.ones(y.size, bool)
    for axis, (dy, dx) in enumerate(((0, 1), (1, 0))):
        before = np.maximum(y - dy, 0), np.maximum(x - dx, 0)
        after = np.minimum(y + dy, bottom), np.minimum(x + dx, right)
        for at in (before, after):
            known &= GROUP[coordinates.surface[at]] == group
        span = np.maximum(after[0] - before[0] + after[1] - before[1], 1)  # 1: a picture 1 px wide
        s0, s1 = (coordinates.s_um[at].astype(np.float64) for at in (before, after))
        t0, t1 = (
            np.radians(coordinates.theta_deg[at].astype(np.float64)) for at in (before, after)
        )
        around = (t1 - t0 + np.pi) % (2 * np.pi) - np.pi
        dome = group == Surface.ENDFACE
        slopes[:, 0, axis] = np.where(dome, s1 * np.cos(t1) - s0 * np.cos(t0), s1 - s0) / span
        slopes[:, 1, axis] = np.where(dome, s1 * np.sin(t1) - s0 * np.sin(t0), around) / span
    known &= np.isfinite(slopes).all(axis=(1, 2))
    return slopes, coordinates.pixel_area_um2[y, x].astype(np.float64), known

"""Sizes of one shape: Feret diameters, enclosing and inscribed circle, centre line."""

from importlib import import_module
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["centre_line_um", "corners_px", "hull_diameters", "inscribed_px"]

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


def corners_px(row: npt.ArrayLike, first: npt.ArrayLike, last: npt.ArrayLike) -> Floats:
    """Corners [4 n, 2] (x, y) of the pixel runs first..last in n rows: pixels have extent."""
    y, x0, x1 = (np.asarray(v, np.float64) for v in (row, first, last))
    x = np.concatenate([x0, x0, x1 + 1, x1 + 1])
    return np.stack([x, np.concatenate([y, y + 1, y, y + 1])], axis=-1)


def hull_diameters(points: Floats) -> tuple[float, float, float]:
    """The longest and the shortest Feret diameter of points [n, 2] and their enclosing circle's.

    Feret: the distance between parallel tangents. The longest is the hull's longest chord; the
    shortest has one tangent along a hull edge.
    """
    import cv2

    cv: Any = cv2
    # float32 is what OpenCV takes; about the points' own middle it is exact enough.
    rounded = cv.convexHull((points - points.mean(axis=0)).astype(np.float32)).reshape(-1, 2)
    _, radius = cv.minEnclosingCircle(rounded)
    hull = rounded.astype(np.float64)
    chords = hull[:, None] - hull[None]
    longest = float(np.sqrt((chords**2).sum(axis=-1).max()))
    edges = np.concatenate([hull[1:], hull[:1]]) - hull
    length = np.hypot(edges[:, 0], edges[:, 1])
    edges, length = edges[length > 0], length[length > 0]
    normal = np.stack([-edges[:, 1], edges[:, 0]]) / length
    across = hull @ normal
    return longest, float(np.ptp(across, axis=0).min()), 2.0 * float(radius)


def inscribed_px(mask: Mask) -> float:
    """The diameter of the largest circle inside a mask [h, w], px.

    Measured at twice the resolution, where bars of any whole width along an axis come out exact.
    """
    import cv2

    cv: Any = cv2
    double = np.pad(mask.view(np.uint8).repeat(2, axis=0).repeat(2, axis=1), 1)
    return float(cv.distanceTransform(double, cv.DIST_L2, cv.DIST_MASK_PRECISE).max())


def centre_line_um(mask: Mask, metric: Floats) -> float:
    """The length of a thread along its centre line, um.

    mask [h, w]; metric [2, 2] takes (x, y) in px to um. The line is the cheapest path between the
    two ends that lie farthest apart, where a step costs less the deeper it runs inside; then
    smoothed over the thread's width, so that the pixel stairs do not lengthen it. Where the thread
    crosses itself the path takes short cuts, so the length is at least area / width.
    """
    import cv2

    cv: Any = cv2
    depth = cv.distanceTransform(np.pad(mask.view(np.uint8), 1), cv.DIST_L2, cv.DIST_MASK_PRECISE)
    depth = depth[1:-1, 1:-1].astype(np.float64)
    width = max(float(depth.max()), 1.0)
    path = _longest_path(mask, depth) + 0.5
    path = _smoothed(path, max(1, round(width)))
    steps = np.diff(path, axis=0) @ metric.T
    along = float(np.hypot(steps[:, 0], steps[:, 1]).sum())
    scale = float(np.sqrt(abs(np.linalg.det(metric))))
    ends = scale  # from the outer pixels' centres to their rims
    return max(along + ends, float(mask.sum()) / max(inscribed_px(mask), 1.0) * scale)


def _longest_path(mask: Mask, depth: Floats) -> Floats:
    """The points (x, y) of the centre line from end to end, px."""
    sparse: Any = import_module("scipy.sparse")
    solve: Any = import_module("scipy.sparse.csgraph").dijkstra
    number = np.full(mask.shape, -1)
    rows, cols = np.nonzero(mask)
    number[rows, cols] = np.arange(rows.size)
    tails: list[Any] = []
    heads: list[Any] = []
    costs: list[Any] = []
    for dy, dx in ((0, 1), (1, 0), (1, 1), (1, -1)):
        y, x = rows + dy, cols + dx
        inside = (y < mask.shape[0]) & (x >= 0) & (x < mask.shape[1])
        tail = np.flatnonzero(inside)
        head = number[y[tail], x[tail]]
        tail, head = tail[head >= 0], head[head >= 0]
        deep = depth[rows[tail], cols[tail]] + depth[rows[head], cols[head]]
        tails.append(tail)
        heads.append(head)
        costs.append(np.hypot(dy, dx) / deep**2)
    weights = np.concatenate(costs), (np.concatenate(tails), np.concatenate(heads))
    graph = sparse.csr_array(weights, shape=(rows.size, rows.size))
    far: Any = solve(graph, directed=False, indices=0)
    start = int(np.argmax(np.where(np.isfinite(far), far, -1)))
    solved = solve(graph, directed=False, indices=start, return_predecessors=True)
    far, before = solved[0], solved[1]
    at = int(np.argmax(np.where(np.isfinite(far), far, -1)))
    path = [at]
    while at != start:
        at = int(before[at])
        path.append(at)
    return np.stack([cols[path], rows[path]], axis=-1).astype(np.float64)


def _smoothed(path: Floats, reach: int) -> Floats:
    """Each point averaged over up to `reach` neighbours on both sides, as many on each."""
    n = len(path)
    total = np.concatenate([np.zeros((1, 2)), np.cumsum(path, axis=0)])
    at = np.arange(n)
    half = np.minimum(reach, np.minimum(at, n - 1 - at))
    return (total[at + half + 1] - total[at - half]) / (2 * half + 1)[:, None]

"""The deposits of one view, measured in micrometres where they lie on the connector.

Grains and lint stand up from the surface, films, residues, liquids and damage lie flat in it. A
standing deposit covers, seen at a slant, more surface than it stands on, so its area is the pixel
count times the pixel's area *across the line of sight*; a flat one's is the surface area its pixels
cover. A thread lies down lengthwise, so its length is taken on the surface, its width across the line
of sight. Lengths use one metric per deposit (px -> um, from the slopes of s and theta in the picture).

A pixel's surface area grows as 1 / cosine toward the silhouette; below `LEAST_FACING` it is held.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.camera import SurfaceCoordinates
from ...model.kinds import Kind
from ...model.surfaces import Surface
from .segment import Segmentation

__all__ = ["SeenDeposit", "measure_deposits"]


@dataclass(frozen=True)
class SeenDeposit:
    """One deposit in one view. Lengths um, areas um2; None where it cannot be said.

    `view`: index of the view. `confidence`: mean probability of any deposit over its pixels, 0..1.
    `y0`, `x0`, `mask`: bounding box's first row and column, and its pixels in the box (bool [h, w]).
    `xy_px`: centroid in the picture. `s_um`: mean travel distance; `theta_deg`: circular mean in
    [0, 360), None when spread all round; `s_min_um`, `s_max_um`: its extremes. `size_um`: diameter of
    the circle of equal area (ISO 13322-1). `feret_max_um`: longest distance between parallel
    tangents. `width_um`: the shortest one; for lint the largest inscribed circle (ISO 16232).
    `length_um`: lint only, along the centre line. `enclosing_um`: diameter of the smallest enclosing
    circle. `in_zone_area_um2`: the part of `area_um2` within 125 um of the axis. `unsure`: between
    the detection floor and the threshold.
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

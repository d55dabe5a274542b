"""Which ferrule it is, stated or told from the fibre's 125 um, and what its family brings."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ...model.camera import Camera
from ...model.errors import UsageError
from ...model.families import ConnectorFamily, find_family
from ...model.shape import FIBER_RADIUS_UM
from .connector_fit import BARREL, BOW, CHAMFER, EDGE, SHAPE_SIZE, Prior
from .ellipse import robust_ellipse
from .rims import FiberDisc, ViewOutlines

__all__ = ["check_fiber", "family_of", "shape_prior"]

Floats = npt.NDArray[np.float64]

LEAST_SMOOTH = 0.75  # of a fibre's outline, for its size to count
MOST_OFF_FLAT = 0.2  # how far its flatness may be off
MOST_SPREAD = 0.35  # of the log of the fibre's size between views that speak of one fibre
RATIO = 200**0.5  # ferrule over fibre: between 10 and 20


def family_of(ferrule_mm: float | None, lines: Sequence[ViewOutlines]) -> ConnectorFamily | None:
    """The stated family, or the one whose fibre is as large against the front as seen."""
    if ferrule_mm is not None:
        try:
            return find_family(ferrule_mm)
        except KeyError:
            raise UsageError(f"--ferrule {ferrule_mm:g}: expected 2.5 or 1.25") from None
    ratios: list[float] = []
    for line in lines:
        ellipse = robust_ellipse(line.endface.px)
        if line.fiber is None or ellipse is None or line.front.cut_share > 0.1:
            continue
        if not _is_disc(line.fiber, ellipse.short_px / ellipse.long_px):
            continue
        across = line.front.px @ np.array([-ellipse.short_axis[1], ellipse.short_axis[0]])
        flatness = ellipse.short_px / ellipse.long_px
        fiber = 2 * np.sqrt(line.fiber.area_px / (np.pi * flatness))
        ratios.append(float(np.ptp(across)) / fiber)
    if not ratios:
        return None
    return find_family(2.5 if np.median(ratios) > RATIO else 1.25)


def shape_prior(family: ConnectorFamily, edge: float) -> tuple[Floats, Prior]:
    """A start for the shape and what is known of it, in ferrule radii.

    The housing's dimensions are assumptions with wide ranges: half the range is one deviation.
    """
    unit = family.ferrule_diameter.nominal / 2
    mean, sd = np.zeros(SHAPE_SIZE), np.zeros(SHAPE_SIZE)
    mean[EDGE], sd[EDGE] = edge, 0.5
    mean[CHAMFER], sd[CHAMFER] = 0.7 * (1 - edge), 0.5 * (1 - edge)
    bows = [unit / family.dome_radius.high, unit / family.dome_radius.low]
    mean[BOW], sd[BOW] = np.mean(bows), np.ptp(bows) / 2
    barrel = family.barrel_length
    mean[BARREL], sd[BARREL] = barrel.nominal / unit, (barrel.high - barrel.low) / 2 / unit
    # cameras stand from 1 cm to far away: nearness 0.12 (2.5 mm ferrule at 1 cm) down to 0
    return mean, Prior(mean, sd, 0.03 if unit > 1000 else 0.015, 0.03 if unit > 1000 else 0.015)


def _is_disc(fiber: FiberDisc, flatness: float) -> bool:
    """Whether what is labelled fibre looks like a disc seen at that flatness (short over long)."""
    return fiber.smooth_share >= LEAST_SMOOTH and abs(fiber.flatness - flatness) <= MOST_OFF_FLAT


def check_fiber(seen: Sequence[tuple[Camera, FiberDisc | None]], ferrule_mm: float) -> None:
    """Raise UsageError where the fibre as seen cannot have 125 um at the stated ferrule's scale.

    `seen`: the fitted views. Dirt hides a fibre or is taken for one, so only a smooth disc as flat
    as the tilt makes it counts, two views must say so (if two are given) and all must agree.
    """
    logs: list[float] = []
    sds: list[float] = []
    for camera, fiber in seen:
        flat = max(float(np.cos(np.radians(camera.tilt_deg))), 0.2)
        if fiber is None or not _is_disc(fiber, flat):
            continue
        radius_px = float(np.sqrt(fiber.area_px / (np.pi * flat)))
        logs.append(float(np.log(radius_px * camera.um_per_px / FIBER_RADIUS_UM)))
        # an edge labelled one pixel off all round, and dirt that hides or adds a tenth
        sds.append(float(np.hypot(1.0 / radius_px, 0.1)))
    if len(logs) < min(2, len(seen)) or not logs or max(logs) - min(logs) > MOST_SPREAD:
        return
    agrees = any(abs(log) <= 1.96 * sd for log, sd in zip(logs, sds, strict=True))
    middle, sd = float(np.median(logs)), float(np.median(sds))
    if not agrees and abs(abs(middle) - np.log(2)) < 1.96 * sd:
        other = 1.25 if ferrule_mm > 2 else 2.5
        raise UsageError(
            f"--ferrule {ferrule_mm:g} contradicts the pictures: the fibre would be "
            f"{2 * FIBER_RADIUS_UM * np.exp(middle):.0f} um wide instead of 125; "
            f"is it a {other:g} mm ferrule?"
        )

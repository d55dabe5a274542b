"""How fast a grain sticks to a surface: pull-off forces against its weight.

Adhesion grows with the grain's size, its weight with the cube: below about a millimetre a grain
never falls off by itself (scaling as on public adhesion pages; checked by the numbers in the
tests).
"""

from math import pi

__all__ = ["dmt_pull_off_n", "jkr_pull_off_n", "times_own_weight", "weight_n"]

WORK_OF_ADHESION_J_M2 = 0.05  # order of magnitude for dry oxide surfaces, from memory
QUARTZ_KG_M3 = 2650.0  # ISO 12103-1 test dust is mostly quartz
GRAVITY_M_S2 = 9.81


def jkr_pull_off_n(size_um: float, work_j_m2: float = WORK_OF_ADHESION_J_M2) -> float:
    """Pull-off force (N) of a sphere of diameter `size_um` after JKR: 3/2 pi W R."""
    return 1.5 * pi * work_j_m2 * size_um * 0.5e-6


def dmt_pull_off_n(size_um: float, work_j_m2: float = WORK_OF_ADHESION_J_M2) -> float:
    """Pull-off force (N) of a sphere of diameter `size_um` after DMT: 2 pi W R."""
    return 2 * pi * work_j_m2 * size_um * 0.5e-6


def weight_n(size_um: float, density_kg_m3: float = QUARTZ_KG_M3) -> float:
    """Weight (N) of a sphere of diameter `size_um`."""
    return density_kg_m3 * pi / 6 * (size_um * 1e-6) ** 3 * GRAVITY_M_S2


def times_own_weight(size_um: float) -> float:
    """How many times its own weight holds a dry quartz sphere, JKR."""
    return jkr_pull_off_n(size_um) / weight_n(size_um)

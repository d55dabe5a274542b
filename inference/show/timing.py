"""How long an inspection takes on this machine, and how many threads are worth their while.

The rate of a product of two matrices bounds what any net can reach here; a machine that is busy
with other work shows in it too.
"""

import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..pipeline import Inspector
from ..request import Request
from ..see.model_file import allowed_threads
from ..see.picture import read_picture
from ..see.segment import Segmenter
from .outputs import write_outputs

__all__ = ["Timing", "measure_timing", "steps_of_threads"]

MATRIX = 1536
REPEATS = 3
WORTH = 1.1  # more threads have to be faster by this factor to be worth having
PICTURES = Path(__file__).parent / "demo"
TURNS_DEG = (0.0, 0.0, 120.0, 240.0)


@dataclass(frozen=True)
class Timing:
    """Wall times, each the least of `REPEATS`, on the demonstration's pictures of 1280 x 960 px.

    `gflop_per_s`: rate of a product of two `MATRIX` x `MATRIX` float32 matrices, 1e9 operations a
    second, with as many threads as the process may use. `net_s`: seconds of the net for a view, by
    threads. `threads`: the fewest that are as good as the best. `view_s`: of the whole inspection,
    pictures and report written, per view of four, in a running program with these threads.
    """

    gflop_per_s: float
    net_s: dict[int, float]
    threads: int
    view_s: float


def measure_timing(model: Path, most_threads: int | None = None) -> Timing:
    """Time the net at `model`; with at most so many threads, None for all that are allowed.

    Takes some twenty times as long as the net takes for a view. Raises ModelError for a net that
    cannot be used.
    """
    rgb = read_picture(PICTURES / "front.jpg").rgb
    net_s: dict[int, float] = {}
    for threads in steps_of_threads(most_threads or allowed_threads()):
        segmenter = Segmenter(model, threads)
        net_s[threads] = least_wall_s(lambda s=segmenter: s(rgb))
    threads = min(n for n, s in net_s.items() if s <= WORTH * min(net_s.values()))
    return Timing(matrix_gflop_per_s(), net_s, threads, whole_s(model, threads))


def steps_of_threads(most: int) -> list[int]:
    """1, 2, 4 .. and `most`."""
    steps = [1]
    while steps[-1] * 2 < most:
        steps.append(steps[-1] * 2)
    return steps if steps[-1] == most else [*steps, most]


def matrix_gflop_per_s() -> float:
    """The rate of a product of two float32 matrices; a multiplication and an addition are two."""
    matrix = np.random.default_rng(0).random((MATRIX, MATRIX), np.float32)
    return 2 * MATRIX**3 / least_wall_s(lambda: matrix @ matrix) / 1e9


def whole_s(model: Path, threads: int) -> float:
    """Seconds per view of an inspection of the demonstration's connector, results written."""
    inspector = Inspector(model, threads=threads)
    request = Request(tuple(sorted(PICTURES.glob("*.jpg"))), turns_deg=TURNS_DEG)

    def inspect() -> None:
        with tempfile.TemporaryDirectory(prefix="fiberward-") as folder:
            write_outputs(inspector.inspect(request), Path(folder), request.pictures)

    return least_wall_s(inspect) / len(request.pictures)


def least_wall_s(work: Callable[[], object]) -> float:
    """The least of `REPEATS` runs after a first one that does not count."""
    work()
    taken: list[float] = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return min(taken)

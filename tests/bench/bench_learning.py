"""What a step of retraining costs, beside a look of the same net; what measuring costs by deposits.

    python tests/bench/bench_learning.py [--threads 2] [--repeats 3]

A step of retraining descends on four batches of two windows, as `fiberward retrain` does; the
pictures are noise, which costs as much as any. Given is the least processor time, all threads
together. Needs the `train` extra.
"""

import argparse
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import torch

from fiberward.inference.see.deposits import measure_deposits
from fiberward.inference.see.look import faultless_view
from fiberward.inference.see.segment import Segmentation
from fiberward.model.camera import Camera, surface_coordinates
from fiberward.model.families import default_shape, find_family
from fiberward.model.net import Logits, SightNet
from fiberward.training.losses import Batch, loss
from fiberward.training.optimiser import make_optimisers
from fiberward.training.retrain import RetrainSettings

GRIDS = ((5, 5), (10, 10), (20, 20))  # of discs, rows and columns
SIZE_HW = (960, 1280)


def least_cpu_s(work: Callable[[], object], repeats: int) -> float:
    """The least processor time of some runs after one that does not count."""
    work()
    taken: list[float] = []
    for _ in range(repeats):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return min(taken)


def noise_batch(settings: RetrainSettings) -> Batch:
    """As many windows of noise as a batch has, with labels of noise."""
    draw = torch.Generator().manual_seed(0)
    count = settings.plan.crops + settings.plan.replayed_crops
    shape = (count, *settings.plan.crop_hw)

    def whole(high: int, *size: int) -> Any:
        return torch.randint(0, high, size, generator=draw)

    return Batch(
        picture=whole(256, *shape, 3).to(torch.uint8),
        surface=whole(7, *shape),
        kind=whole(7, *shape),
        surface_weight=torch.ones(shape),
        kind_weight=torch.ones(shape),
        unseen=torch.zeros(shape),
        unlike=torch.zeros(count),
    )


def learning(repeats: int) -> dict[str, float]:
    """A step of retraining, and a look at as many pixels by the same net in torch."""
    settings = RetrainSettings()
    config = settings.config()
    net = SightNet(settings.net)
    (optimiser,), batch = make_optimisers(net, config), noise_batch(settings)

    def step() -> None:
        optimiser.zero_grad(set_to_none=True)
        for _ in range(settings.batches):
            out: Logits = net(batch.picture)
            (loss(out, batch, config.loss).total / settings.batches).backward()
        optimiser.step()

    def look() -> None:
        with torch.inference_mode():
            for _ in range(settings.batches):
                net(batch.picture)

    return {"a look": least_cpu_s(look, repeats), "a step": least_cpu_s(step, repeats)}


def discs(rows: int, columns: int) -> Callable[[], object]:
    """Measuring a grid of discs that cover the same share of a picture, however many they are."""
    camera = Camera(0.0, 0.0, 0.0, 2.6, (SIZE_HW[1] / 2, SIZE_HW[0] / 2), 60_000.0, SIZE_HW)
    shape = default_shape(find_family(2.5))
    view, coordinates = faultless_view(camera, shape, 3.0), surface_coordinates(camera, shape)
    high, wide = SIZE_HW[0] // rows, SIZE_HW[1] // columns
    y, x = np.mgrid[: SIZE_HW[0], : SIZE_HW[1]]
    kind = (np.hypot(y % high - high / 2, x % wide - wide / 2) < 0.2 * high).astype(np.uint8)
    seen = Segmentation(view.surface, kind, kind.astype(np.float32), view.unseen, 0.0, None, 8)
    return lambda: measure_deposits(seen, coordinates, 0)


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--repeats", type=int, default=3)
    given = parser.parse_args()
    torch.set_num_threads(given.threads)
    best = learning(given.repeats)
    print(f"retraining, {given.threads} threads")
    for name, seconds in best.items():
        print(f"  {name:<24} {seconds:8.3f} s  {seconds / best['a look']:6.2f} of a look")
    print("measuring discs of one total area in a view of 1280 x 960 px")
    for rows, columns in GRIDS:
        count, seconds = rows * columns, least_cpu_s(discs(rows, columns), given.repeats)
        print(f"  {count:<24} {seconds:8.3f} s  {1000 * seconds / count:6.2f} ms each")
    return 0


if __name__ == "__main__":
    sys.exit(main())

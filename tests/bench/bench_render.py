"""Pictures per second of the renderer: `python -m tests.bench.bench_render` or by path.

Burn-in first, the device waited for before each clock reading; prints one line per plan.
"""

import sys
import time

import torch

from fiberward.synthetic.render import RenderPlan, render_batch

PLANS = {
    "crops 640x640": RenderPlan(10, 2, (640, 640), crop=True, clean_share=0.2, negative_share=0.04),
    "frames 960x1280": RenderPlan(4, 2, (960, 1280), clean_share=0.25, negative_share=0.1),
    "frames 480x640": RenderPlan(12, 2, (480, 640), clean_share=0.2, negative_share=0.04),
}


def wait(device: torch.device) -> None:
    """Let the device finish what was queued."""
    if device.type == "cuda":
        torch.cuda.synchronize(device)


def pictures_per_second(
    plan: RenderPlan, device: torch.device, repeats: int
) -> tuple[float, float]:
    """Pictures per second and megapixels per second over `repeats` batches."""
    render_batch(plan, 0, device)
    wait(device)
    begun, count = time.perf_counter(), 0
    for k in range(repeats):
        count += len(render_batch(plan, k + 1, device).truth)
    wait(device)
    took = time.perf_counter() - begun
    return count / took, count * plan.size_hw[0] * plan.size_hw[1] / took / 1e6


def main() -> None:
    """Print a line per plan."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    repeats = 12 if device.type == "cuda" else 1
    name = (
        torch.cuda.get_device_name()
        if device.type == "cuda"
        else f"CPU, {torch.get_num_threads()} threads"
    )
    for label, plan in PLANS.items():
        rate, mega = pictures_per_second(plan, device, repeats)
        print(f"{label}: {rate:.1f} pictures/s, {mega:.1f} Mpx/s on {name}")
    if device.type == "cuda":
        print(f"peak memory {torch.cuda.max_memory_allocated() / 2**30:.1f} GiB")


if __name__ == "__main__":
    sys.exit(main())

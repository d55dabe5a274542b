"""The net and the measuring held against others, and against what this machine can do at all.

    python tests/bench/bench_ratios.py [--model FILE] [--threads 1] [--repeats 5]

All contestants take turns, so that what else the machine does falls on all alike; told is the least
processor time (user and system, all threads) of each and its ratio to ours. Needs the `train` and
`dev` extras; all runs are on one 1280 x 960 picture of the shipped demo.

- net: ours in onnxruntime; the same net in torch, eager; torchvision's LR-ASPP with MobileNetV3
  (untrained: its weights do not change its speed) in onnxruntime, with our outputs.
- its limit: the net's multiplications and additions over the measured rate of a product of two
  1,536 x 1,536 float32 matrices.
- measuring: our deposits of 400 discs; scikit-image's regionprops with area, centroid, Feret
  diameter and axes of the same.
- reading: `read_picture` of a JPEG and a PNG against Pillow's decoder alone.
"""

import argparse
import importlib
import io
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image
from skimage.measure import label, regionprops_table

from fiberward.inference.see.deposits import measure_deposits
from fiberward.inference.see.look import faultless_view
from fiberward.inference.see.picture import read_picture
from fiberward.inference.see.segment import Segmentation, Segmenter
from fiberward.model.camera import Camera, surface_coordinates
from fiberward.model.families import default_shape, find_family
from fiberward.model.net import NetShape, SightNet, WithProbabilities
from fiberward.model.shipped import SHIPPED_MODEL
from fiberward.training.checkpoint import fill, read_tensors
from fiberward.training.export import trace
from fiberward.training.nets import build_net, gflop

DEMO = Path(__file__).resolve().parents[2] / "inference" / "show" / "demo" / "front.jpg"
MATRIX = 1536
PROPERTIES = ("area", "centroid", "feret_diameter_max", "axis_major_length", "axis_minor_length")


def least_cpu_s(contestants: dict[str, Callable[[], object]], repeats: int) -> dict[str, float]:
    """The least processor time of each, in turns; the first turn is not counted."""
    best = dict.fromkeys(contestants, float("inf"))
    for turn in range(repeats + 1):
        for name, run in contestants.items():
            begun = time.process_time()
            run()
            if turn:
                best[name] = min(best[name], time.process_time() - begun)
    return best


def session(path: Path, threads: int) -> Any:
    """An onnxruntime session as the product opens it."""
    runtime: Any = importlib.import_module("onnxruntime")
    options = runtime.SessionOptions()
    options.intra_op_num_threads, options.inter_op_num_threads = threads, 1
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    return runtime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])


def nets(model: Path, threads: int, folder: Path) -> dict[str, Callable[[], object]]:
    """Our net in both runtimes and the borrowed one, on one picture."""
    torch.set_num_threads(threads)
    rgb = np.asarray(Image.open(DEMO).convert("RGB"))[None]
    weights = model.with_suffix(".pt")
    net = SightNet(NetShape())
    fill(net, read_tensors(weights), weights)
    eager = WithProbabilities(net.eval()).eval()
    trace(build_net("lraspp-mobilenet-v3", NetShape()).eval(), folder / "borrowed.onnx")
    ours, borrowed = session(model, threads), session(folder / "borrowed.onnx", threads)
    a = np.random.default_rng(0).random((MATRIX, MATRIX), np.float32)
    b, tensor = torch.as_tensor(a), torch.as_tensor(rgb)

    def in_torch() -> object:
        with torch.inference_mode():
            return eager(tensor)

    return {
        "ours, onnxruntime": lambda: ours.run(None, {"picture": rgb}),
        "ours, torch eager": in_torch,
        "LR-ASPP MobileNetV3, onnxruntime": lambda: borrowed.run(None, {"picture": rgb}),
        "product of matrices": lambda: b @ b,
    }


def measuring() -> dict[str, Callable[[], object]]:
    """400 discs on an endface, measured by us and by scikit-image."""
    size_hw = (960, 1280)
    camera = Camera(0.0, 0.0, 0.0, 2.6, (640.0, 480.0), 60_000.0, size_hw)
    shape = default_shape(find_family(2.5))
    view, coordinates = faultless_view(camera, shape, 3.0), surface_coordinates(camera, shape)
    y, x = np.mgrid[: size_hw[0], : size_hw[1]]
    kind = (np.hypot(y % 46 - 23, x % 62 - 31) < 8).astype(np.uint8)
    share = kind.astype(np.float32)
    seen = Segmentation(view.surface, kind, share, view.unseen, 0.0, None, 8)
    return {
        "ours": lambda: measure_deposits(seen, coordinates, 0),
        "scikit-image": lambda: regionprops_table(label(kind), properties=PROPERTIES),
    }


def reading(folder: Path) -> dict[str, Callable[[], object]]:
    """The demo's picture as JPEG and PNG."""
    image = Image.open(DEMO).convert("RGB")
    image.save(folder / "a.png")
    (folder / "a.jpg").write_bytes(DEMO.read_bytes())
    runs: dict[str, Callable[[], object]] = {}
    for form in ("jpg", "png"):
        path = folder / f"a.{form}"
        data = path.read_bytes()
        runs[f"ours, {form}"] = lambda path=path: read_picture(path)
        runs[f"Pillow alone, {form}"] = lambda data=data: np.asarray(
            Image.open(io.BytesIO(data)).convert("RGB")
        )
    return runs


def tell(title: str, best: dict[str, float]) -> None:
    """A line for each contestant."""
    ours = next(iter(best.values()))
    print(title)
    for name, seconds in best.items():
        print(f"  {name:<36} {seconds:8.3f} s  {seconds / ours:6.2f} of ours")


def main() -> int:
    """Run the contests and tell their ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--model", type=Path, default=SHIPPED_MODEL)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--repeats", type=int, default=5)
    given = parser.parse_args()
    Segmenter(given.model)  # refuses a file that is none, in words
    with tempfile.TemporaryDirectory(prefix="fiberward-bench-") as made:
        folder = Path(made)
        best = least_cpu_s(nets(given.model, given.threads, folder), given.repeats)
        rate = 2 * MATRIX**3 / best.pop("product of matrices") / 1e9
        tell(f"net, 1280 x 960, {given.threads} threads", best)
        operations = gflop("sight", NetShape(), (960, 1280))
        least = operations / rate
        print(f"  {operations:.0f} Gflop at the measured {rate:.0f} Gflop/s: {least:.3f} s,")
        print(f"  so the net runs at {least / best['ours, onnxruntime']:.0%} of the product's rate")
        tell("measuring 400 deposits", least_cpu_s(measuring(), given.repeats))
        tell("reading", least_cpu_s(reading(folder), given.repeats))
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""What a run tells as it goes: per check one line in `log.jsonl` and one on stderr.

Plain lines, not a drawn bar: a bare machine may lack the packages for one.
"""

import json
import platform
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Any

import torch
from torch import Tensor

from .config import TrainingConfig

__all__ = ["Reporter", "machine"]


def machine(device: torch.device, world: int) -> dict[str, Any]:
    """On what this was computed; plain values for the checkpoint and the log."""
    name = torch.cuda.get_device_name(device) if device.type == "cuda" else platform.processor()
    return {"device": name or device.type, "processes": world, "torch": torch.__version__}


class Reporter:
    """Collects device scalars without waiting, and writes their means when asked."""

    def __init__(self, run: Path, config: TrainingConfig, quiet: bool) -> None:
        self.path, self.config, self.quiet = run / "log.jsonl", config, quiet
        self.parts: list[dict[str, Tensor]] = []
        self.pictures = 0
        self.begun_s = self.since_s = time.perf_counter()

    def __enter__(self) -> "Reporter":
        if not self.quiet:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is not None and not self.quiet:
            self.append({"event": "stopped", "why": str(error)})

    def append(self, row: dict[str, Any]) -> None:
        """One line more in the log."""
        with self.path.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps({"time": round(time.time(), 1)} | row) + "\n")

    def note(self, text: str) -> None:
        """A sentence, to both."""
        if not self.quiet:
            self.append({"event": text})
            print(f"fiberward: {text}", file=sys.stderr, flush=True)

    def add(self, parts: dict[str, Tensor], pictures: int) -> None:
        """One step's loss parts."""
        self.parts.append(parts)
        self.pictures += pictures

    def write(self, step: int, rate: float, render_s: float) -> None:
        """Means since the last call, speed, and the renderer's share of the time."""
        now = time.perf_counter()
        elapsed = max(now - self.since_s, 1e-9)
        means = {
            k: float(torch.stack([p[k].float() for p in self.parts]).mean()) for k in self.parts[0]
        }
        speed = {
            "steps_per_s": round(len(self.parts) / elapsed, 3),
            "pictures_per_s": round(self.pictures / elapsed, 1),
            "render_share": round(render_s / elapsed, 3),
        }
        self.parts, self.pictures, self.since_s = [], 0, now
        if self.quiet:
            return
        row = {"step": step, "rate": rate} | {k: round(v, 5) for k, v in means.items()} | speed
        self.append(row)
        left_s = (self.config.steps - step) / max(speed["steps_per_s"], 1e-9)
        losses = " ".join(f"{k} {v:.3f}" for k, v in means.items())
        print(
            f"step {step}/{self.config.steps} {losses} | {speed['steps_per_s']:.2f} steps/s "
            f"{speed['pictures_per_s']:.0f} pictures/s render {100 * speed['render_share']:.0f} % "
            f"left {left_s / 60:.1f} min",
            file=sys.stderr,
            flush=True,
        )

    def figures(self, step: int, figures: dict[str, Any]) -> None:
        """Validation figures, to both."""
        if not self.quiet:
            self.append({"step": step, "validation": figures})
            print(f"validation at step {step}: {json.dumps(figures)}", file=sys.stderr, flush=True)

"""What an inspection costs, stage by stage, by size of picture and number of threads.

    python tests/bench/bench_inspect.py [--model FILE] [--megapixels 1.2,5,20] [--threads 1,2]
                                        [--repeats 3] [--json FILE]

The pictures are the shipped demo's four, enlarged; each case runs in a process of its own, so that
its peak memory is its own. Given are seconds of processor time (user and system, all threads) per
connector of four pictures, the least of the repeats: on a machine that does other work they hardly
change, while wall time, given beside them, may double. The stages are timed one by one; "abreast"
is the same work with two pictures in hand at a time, as it is done otherwise. Cold: the first
inspection of a process, with all imports and the loading of the model; warm: the following ones.
"""

import argparse
import contextlib
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np

DEMO = Path(__file__).resolve().parents[2] / "inference" / "show" / "demo"
TURNS_DEG = (0.0, 0.0, 120.0, 240.0)
STAGES = ("read", "net", "find", "quality", "pose", "deposits", "map", "judge", "write")
# Which functions belong to which stage; what they call of another stage counts for that one.
PARTS = {
    "fiberward.inference.read_views": {"read_picture": "read"},
    "fiberward.inference.pipeline": {
        "measure_quality": "quality",
        "_place": "pose",
        "_measured": "deposits",
        "_aligned": "deposits",
        "_fused": "deposits",
    },
    "fiberward.inference.pipeline.Inspector": {"_cover": "map", "_judge": "judge"},
    "fiberward.inference.see.segment.Segmenter": {"__call__": "find", "_run": "net"},
    "fiberward.inference.show.outputs": {"write_outputs": "write"},
}


@dataclass
class Clock:
    """Processor and wall seconds by stage, each second in one stage only."""

    cpu_s: Counter[str] = field(default_factory=Counter)
    wall_s: Counter[str] = field(default_factory=Counter)
    stack: list[str] = field(default_factory=list)
    last: tuple[float, float] = (0.0, 0.0)

    def tick(self) -> None:
        """Book the time since the last tick on the stage in hand."""
        now = time.process_time(), time.perf_counter()
        if self.stack:
            self.cpu_s[self.stack[-1]] += now[0] - self.last[0]
            self.wall_s[self.stack[-1]] += now[1] - self.last[1]
        self.last = now

    @contextlib.contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Book the time within on `name`."""
        self.tick()
        self.stack.append(name)
        try:
            yield
        finally:
            self.tick()
            self.stack.pop()

    def around(self, function: Callable[..., Any], name: str) -> Callable[..., Any]:
        """The function, booked on `name`."""

        def timed(*args: Any, **kwargs: Any) -> Any:
            with self.stage(name):
                return function(*args, **kwargs)

        return timed


@contextlib.contextmanager
def watched(clock: Clock) -> Iterator[None]:
    """Within, the stages' functions are booked on the clock."""
    before: list[tuple[Any, str, Any]] = []
    for where, parts in PARTS.items():
        module, _, name = where.rpartition(".")
        home = getattr(import_module(module), name) if name[0].isupper() else import_module(where)
        for function, stage in parts.items():
            before.append((home, function, getattr(home, function)))
            setattr(home, function, clock.around(getattr(home, function), stage))
    yield
    for home, function, plain in before:
        setattr(home, function, plain)


def enlarged(megapixels: float, folder: Path) -> list[Path]:
    """The demo's pictures at about so many megapixels, as JPEG files."""
    from PIL import Image

    paths: list[Path] = []
    for path in sorted(DEMO.glob("*.jpg")):
        picture = Image.open(path)
        grow = (megapixels * 1e6 / (picture.width * picture.height)) ** 0.5
        grow = 1.0 if abs(grow - 1) < 0.02 else grow
        size = round(picture.width * grow), round(picture.height * grow)
        paths.append(folder / path.name)
        picture.resize(size, Image.Resampling.BICUBIC).save(paths[-1], quality=92)
    return paths


def run_case(folder: Path, model: Path | None, threads: int, repeats: int) -> dict[str, Any]:
    """One process's inspections of the pictures in `folder`: cold, then warm."""
    began = time.process_time(), time.perf_counter()
    outputs: Any = import_module("fiberward.inference.show.outputs")
    pipeline: Any = import_module("fiberward.inference.pipeline")
    from fiberward.inference.request import Request
    from fiberward.model.shipped import SHIPPED_MODEL

    request = Request(tuple(sorted(folder.glob("*.jpg"))), turns_deg=TURNS_DEG)

    def inspect(inspector: Any) -> Any:
        result = inspector.inspect(request)
        outputs.write_outputs(result, folder / "out", request.pictures)
        return result

    inspector = pipeline.Inspector(model or SHIPPED_MODEL, threads=threads)
    result = inspect(inspector)
    pixels = sum(int(np.prod(v.picture.own_hw)) for v in result.views) // len(result.views)
    deposits = len(result.deposits)
    del result  # or it would count as memory of the next one
    cold = time.process_time() - began[0], time.perf_counter() - began[1]
    abreast: list[tuple[float, float]] = []
    for _ in range(repeats):
        at = time.process_time(), time.perf_counter()
        inspect(inspector)
        abreast.append((time.process_time() - at[0], time.perf_counter() - at[1]))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    pipeline.MOST_ABREAST = outputs.MOST_ABREAST = 1
    inspector = pipeline.Inspector(model or SHIPPED_MODEL, threads=threads)
    runs: list[Clock] = []
    for _ in range(repeats):
        runs.append(Clock())
        with watched(runs[-1]), runs[-1].stage("rest"):
            inspect(inspector)
    names = (*STAGES, "rest")
    return {
        "pixels": pixels,
        "threads": threads,
        "deposits": deposits,
        "cold_cpu_s": cold[0],
        "cold_wall_s": cold[1],
        "abreast_cpu_s": min(cpu for cpu, _ in abreast),
        "abreast_wall_s": min(wall for _, wall in abreast),
        "warm_cpu_s": min(sum(run.cpu_s.values()) for run in runs),
        "warm_wall_s": min(sum(run.wall_s.values()) for run in runs),
        "stages_cpu_s": {name: min(run.cpu_s[name] for run in runs) for name in names},
        "stages_wall_s": {name: min(run.wall_s[name] for run in runs) for name in names},
        "peak_mib": peak,
    }


def in_its_own_process(args: list[str]) -> dict[str, Any]:
    """The case's figures from a fresh process."""
    done = subprocess.run([sys.executable, __file__, *args], check=True, stdout=subprocess.PIPE)
    return json.loads(done.stdout)


def table(cases: list[dict[str, Any]]) -> str:
    """The cases in columns, processor seconds per connector of four pictures."""
    rows = [
        ("megapixels", [f"{c['pixels'] / 1e6:.1f}" for c in cases]),
        ("threads", [str(c["threads"]) for c in cases]),
        ("deposits", [str(c["deposits"]) for c in cases]),
        *((s, [f"{c['stages_cpu_s'][s]:.2f}" for c in cases]) for s in (*STAGES, "rest")),
        ("warm, all", [f"{c['warm_cpu_s']:.2f}" for c in cases]),
        (".. wall", [f"{c['warm_wall_s']:.2f}" for c in cases]),
        ("abreast", [f"{c['abreast_cpu_s']:.2f}" for c in cases]),
        (".. wall", [f"{c['abreast_wall_s']:.2f}" for c in cases]),
        ("cold, all", [f"{c['cold_cpu_s']:.2f}" for c in cases]),
        (".. wall", [f"{c['cold_wall_s']:.2f}" for c in cases]),
        ("peak MiB", [f"{c['peak_mib']:.0f}" for c in cases]),
        (
            "per Mpixel",
            [f"{c['warm_cpu_s'] / len(TURNS_DEG) / c['pixels'] * 1e6:.3f}" for c in cases],
        ),
    ]
    return "\n".join(f"{name:<12}" + "".join(f"{v:>9}" for v in values) for name, values in rows)


def main() -> int:
    """Run all cases, or (`--case`) one of them in this process."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--model", type=Path)
    parser.add_argument("--megapixels", default="1.2,5,20")
    parser.add_argument("--threads", default="1,2")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--case", nargs=2, metavar=("FOLDER", "THREADS"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.case:
        folder, threads = Path(given.case[0]), int(given.case[1])
        print(json.dumps(run_case(folder, given.model, threads, given.repeats)))
        return 0
    cases: list[dict[str, Any]] = []
    model = ["--model", str(given.model)] if given.model else []
    for megapixels in map(float, given.megapixels.split(",")):
        with tempfile.TemporaryDirectory(prefix="fiberward-bench-") as made:
            enlarged(megapixels, Path(made))
            for threads in given.threads.split(","):
                repeats = str(given.repeats if megapixels < 4 else 1)
                case = ["--case", made, threads, "--repeats", repeats, *model]
                cases.append(in_its_own_process(case))
                print(f"{megapixels:g} megapixels, {threads} threads: done", file=sys.stderr)
    print("Processor seconds per connector of four pictures; load", os.getloadavg()[0])
    print(table(cases))
    if given.json:
        given.json.write_text(json.dumps(cases, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

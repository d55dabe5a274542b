"""What an archive costs by the number of workers: `python tests/bench/bench_workers.py [FOLDER]`.

FOLDER holds a folder per connector; without it, `--connectors` are drawn first. The archive is
inspected by one process that uses all processors, then by 1, 2 and 4 processes (`--jobs`), then by
as many workers of a Dask cluster on this machine, each a process of one thread; half of the
archive and the whole, so that what a run costs before its first picture is told from what
each picture costs. Given are wall seconds and processor seconds (children's, scheduler and workers
included). Larger archives are reckoned from the two, and marked so.
"""

import argparse
import contextlib
import resource
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Generator
from pathlib import Path

RECKONED = (100, 1_000, 10_000)  # pictures


def fiberward(*arguments: str) -> None:
    """Run the command line as installed; verdicts other than mate end in 1, which is no failure."""
    run = "import sys; from fiberward.inference.show.app import main; sys.exit(main())"
    done = subprocess.run([sys.executable, "-c", run, *arguments], capture_output=True, text=True)
    if done.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(arguments)}: exit {done.returncode}\n{done.stderr}")


def drawn(connectors: int, folder: Path) -> Path:
    """An archive of rendered connectors, a folder each."""
    flat, archive = folder / "flat", folder / "archive"
    fiberward("render", "--count", str(connectors), "--seed", "77", "--out", str(flat), "--quiet")
    for truth in flat.glob("*.json"):
        own = archive / truth.stem
        own.mkdir(parents=True)
        for picture in flat.glob(f"{truth.stem}-*.jpg"):
            shutil.copy(picture, own)
    return archive


@contextlib.contextmanager
def cluster(workers: int) -> Generator[str]:
    """The address of a scheduler with so many workers, each of one thread."""
    with contextlib.closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    scheduler = ("dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
    worker = ("dask_worker", address, "--nthreads", "1", "--no-dashboard", "--no-nanny")
    commands = [scheduler, *[worker] * workers]
    started = [
        subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.{name}", *rest],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for name, *rest in commands
    ]
    time.sleep(5)  # until all have met
    try:
        yield address
    finally:
        for process in started:
            process.terminate()
            process.wait()


def children_cpu_s() -> float:
    """Processor seconds of all children that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def inspected(connectors: list[Path], *options: str) -> float:
    """Wall seconds of inspecting these connectors from nothing."""
    with tempfile.TemporaryDirectory() as out:
        begun = time.perf_counter()
        paths = [str(path) for path in connectors]
        fiberward("inspect", *paths, "--out", out, "--no-record", "--quiet", *options)
        return time.perf_counter() - begun


def on_cluster(connectors: list[Path], workers: int) -> float:
    """The same by a cluster; its start does not count."""
    with cluster(workers) as address:
        return inspected(connectors, "--cluster", address)


def measure(name: str, archive: list[Path], run: Callable[[list[Path]], float]) -> None:
    """Print one row: half of the archive, all of it, and what follows for larger ones."""
    half = archive[: len(archive) // 2]
    pictures = [sum(1 for part in parts for _ in part.iterdir()) for parts in (half, archive)]
    cpu = children_cpu_s()
    short = run(half)
    between = children_cpu_s()
    whole = run(archive)
    cpu_s = (between - cpu, children_cpu_s() - between)
    each = (whole - short) / (pictures[1] - pictures[0])
    before = whole - each * pictures[1]
    larger = ", ".join(f"{n:,}: {(before + each * n) / 60:.1f} min" for n in RECKONED)
    print(
        f"{name:24} {pictures[0]} pictures {short:6.1f} s, {pictures[1]} pictures {whole:6.1f} s "
        f"({cpu_s[1]:.0f} s of the processors); {each:.2f} s each after {max(before, 0):.0f} s; "
        f"reckoned {larger}",
        flush=True,
    )


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--connectors", type=int, default=12, help="how many to draw")
    parser.add_argument("--workers", default="1,2,4", help="numbers of processes, of workers")
    options = parser.parse_args()
    numbers = [int(text) for text in options.workers.split(",")]
    with tempfile.TemporaryDirectory() as made:
        folder = options.folder or drawn(options.connectors, Path(made))
        archive = sorted(path for path in folder.iterdir() if path.is_dir())
        measure("one process, all threads", archive, inspected)
        for n in numbers:
            jobs = ("--jobs", str(n), "--threads", "1")
            measure(f"{n} processes", archive, lambda parts, jobs=jobs: inspected(parts, *jobs))
        for n in numbers:
            measure(f"cluster, {n} workers", archive, lambda parts, n=n: on_cluster(parts, n))
    return 0


if __name__ == "__main__":
    sys.exit(main())

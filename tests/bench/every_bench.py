"""All benchmarks, one after the other; two runs compared.

    python tests/bench/every_bench.py DIR [--only inspect,ratios] [--against DIR]

Each benchmark's words go to DIR/NAME.txt, the commit and the machine to DIR/about.json. With
`--against`, every number is told beside the one at the same place in the same line of the older
run, where the words round it are the same. Processor times and ratios compare between commits on
one machine; wall times only if nothing else ran. Takes half an hour; the page needs `chromium`.
"""

import argparse
import json
import os
import platform
import re
import subprocess
import sys
from itertools import zip_longest
from pathlib import Path

HERE = Path(__file__).resolve().parent
BENCHES = {
    "inspect": ("bench_inspect.py",),
    "ratios": ("bench_ratios.py",),
    "learning": ("bench_learning.py",),
    "render": ("bench_render.py",),
    "workers": ("bench_workers.py",),
    "records": ("bench_records.py",),
    "page": ("bench_desk.py",),
}
NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?![\w])")


def about() -> dict[str, object]:
    """The commit and the machine."""
    said = subprocess.run(
        ["git", "describe", "--always", "--dirty"], cwd=HERE, capture_output=True, text=True
    )
    return {
        "commit": said.stdout.strip() or None,
        "python": platform.python_version(),
        "machine": platform.machine(),
        "processors": len(os.sched_getaffinity(0)),
        "load": os.getloadavg()[0],
    }


def run(name: str, folder: Path) -> bool:
    """Run one benchmark; whether it ended well."""
    print(f"{name} ...", file=sys.stderr, flush=True)
    command = [sys.executable, str(HERE / BENCHES[name][0])]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True)
    (folder / f"{name}.txt").write_text(done.stdout, encoding="utf-8")
    print(done.stdout, flush=True)
    return done.returncode == 0


def compared(new: str, old: str) -> list[str]:
    """Lines of both that have the same words: words, then old -> new (ratio) of each number."""
    rows: list[str] = []
    for mine, theirs in zip_longest(new.splitlines(), old.splitlines(), fillvalue=""):
        words = NUMBER.sub("#", mine)
        numbers = [float(n) for n in NUMBER.findall(mine)]
        before = [float(n) for n in NUMBER.findall(theirs)]
        if not numbers or words.split() != NUMBER.sub("#", theirs).split():
            continue
        pairs = [
            f"{b:g} -> {a:g}" + (f" ({a / b:.2f})" if b else "")
            for a, b in zip(numbers, before, strict=True)
        ]
        rows.append(f"{' '.join(words.split())}: {'; '.join(pairs)}")
    return rows


def main() -> int:
    """Run what is asked for, then compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", default=",".join(BENCHES), help="comma-separated")
    parser.add_argument("--against", type=Path, help="the folder of an older run")
    given = parser.parse_args()
    names = given.only.split(",")
    if unknown := [name for name in names if name not in BENCHES]:
        parser.error(f"no benchmark {unknown[0]}; there are {', '.join(BENCHES)}")
    given.folder.mkdir(parents=True, exist_ok=True)
    (given.folder / "about.json").write_text(json.dumps(about(), indent=1), encoding="utf-8")
    failed = [name for name in names if not run(name, given.folder)]
    for name in names if given.against else []:
        older = given.against / f"{name}.txt"
        if older.exists():
            print(f"{name}, older -> this (ratio)")
            new = (given.folder / f"{name}.txt").read_text(encoding="utf-8")
            print("\n".join(f"  {row}" for row in compared(new, older.read_text(encoding="utf-8"))))
    if failed:
        print(f"failed: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

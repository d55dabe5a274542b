"""How many small faults, put into judge one at a time, its tests notice.

    python tests/bench/mutate_judge.py [--sample 200] [--seed 1] [--only verdict] [--jobs 2]

Each fault changes one place of one module: a comparison's edge or sense, plus for minus, times for
divided by, and for or, a dropped "not", a number by a tenth or by one. It is put in at import, in a
process forked for it; nothing is written. Noticed means that a test fails, or runs more than ten
times as long. Told are the share noticed, its 95 % interval (Wilson), and every fault that was not.
Messages and names are strings and left alone.
"""

import argparse
import ast
import contextlib
import copy
import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from importlib import import_module
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_file_location
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
JUDGE = ROOT / "inference" / "judge"
TESTS = [
    *sorted(str(path) for path in (ROOT / "tests" / "inference" / "judge").glob("test_*.py")),
    *(str(ROOT / "tests" / "outside" / f"test_{n}_values.py") for n in ("optics", "mechanics")),
]
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    **{ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt},
    **{ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is},
    **{ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And},
    **{ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult},
}
SHARED = ("numpy", "scipy.special", "scipy.stats", "scipy.integrate", "cv2", "PIL.Image")
NEGATED: dict[type[ast.AST], type[ast.AST]] = {
    **{ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt},
}


@dataclass(frozen=True)
class Fault:
    """The `number`th place of a module, changed in the `way`th manner."""

    path: Path
    number: int
    way: int
    what: str


def places(tree: ast.AST) -> Iterator[ast.AST]:
    """All nodes but those of annotations, in a fixed order."""
    for field, value in ast.iter_fields(tree):
        if field in ("annotation", "returns"):
            continue
        for each in value if isinstance(value, list) else [value]:
            if isinstance(each, ast.AST):
                yield each
                yield from places(each)


def changed(node: ast.AST, way: int) -> str | None:
    """Change the node in place; what was done, or None where it has no such manner."""
    if isinstance(node, ast.Compare) and way < 2:
        table = (SWAPS, NEGATED)[way]
        new = table.get(type(node.ops[0]))
        if new is None:
            return None
        told = f"{type(node.ops[0]).__name__} -> {new.__name__}"
        node.ops[0] = new()  # type: ignore[assignment]
        return told
    if isinstance(node, ast.BinOp | ast.BoolOp) and way == 0:
        new = SWAPS.get(type(node.op))
        if new is None:
            return None
        told = f"{type(node.op).__name__} -> {new.__name__}"
        node.op = new()  # type: ignore[assignment]
        return told
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not) and way == 0:
        node.op = ast.UAdd()
        node.operand = ast.Call(ast.Name("bool", ast.Load()), [node.operand], [])
        return "not dropped"
    if isinstance(node, ast.Constant) and type(node.value) in (int, float) and way == 0:
        old: Any = node.value
        node.value = old + 1 if isinstance(old, int) else old * 1.1 + (old == 0) * 0.1
        return f"{old} -> {node.value}"
    return None


def faults(path: Path) -> Iterator[Fault]:
    """Every fault that can be put into a module."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for number, node in enumerate(places(tree)):
        for way in (0, 1):
            told = changed(copy.deepcopy(node), way)
            if told is not None:
                line = getattr(node, "lineno", 0)
                yield Fault(path, number, way, f"{path.name}:{line}: {told}")


def code_with(fault: Fault) -> Any:
    """The module's code with the fault in it."""
    tree = ast.parse(fault.path.read_text(encoding="utf-8"))
    node = next(node for k, node in enumerate(places(tree)) if k == fault.number)
    changed(node, fault.way)
    return compile(ast.fix_missing_locations(tree), str(fault.path), "exec")


class WithFault(MetaPathFinder):
    """Finds the faulty module before any other finder finds the sound one."""

    def __init__(self, fault: Fault) -> None:
        self.fault, self.name = fault, f"fiberward.inference.judge.{fault.path.stem}"

    def find_spec(self, fullname: str, path: Any, target: Any = None) -> ModuleSpec | None:
        """The spec of the one module whose source is changed."""
        if fullname != self.name:
            return None
        spec = spec_from_file_location(fullname, self.fault.path)
        assert spec is not None
        loader: Any = spec.loader
        loader.get_code = lambda _: code_with(self.fault)
        return spec


def tests_fail(fault: Fault | None, longest_s: float, tests: list[str]) -> bool:
    """Whether the tests fail with the fault in; None: with none. In a process of its own."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            signal.alarm(max(1, round(longest_s)))
            with open(os.devnull, "w") as nowhere:
                os.dup2(nowhere.fileno(), 1), os.dup2(nowhere.fileno(), 2)
            if fault is not None:
                sys.meta_path.insert(0, WithFault(fault))
            own = [t for t in tests if fault is not None and fault.path.stem in t]
            rest = [t for t in tests if t not in own]
            quiet = ["-x", "-q", "-p", "no:cacheprovider", "--rootdir", str(ROOT)]
            code = int(pytest.main([*quiet, *own, *rest]))
        finally:
            os._exit(code)
    return os.waitpid(child, 0)[1] != 0


def wilson(hits: int, n: int) -> tuple[float, float]:
    """The 95 % interval of a share."""
    z, p = 1.959964, hits / n
    middle, spread = p + z * z / (2 * n), z * (p * (1 - p) / n + z * z / (4 * n * n)) ** 0.5
    return (middle - spread) / (1 + z * z / n), (middle + spread) / (1 + z * z / n)


def main() -> int:
    """Try a sample of the faults and tell which went unnoticed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sample", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", help="one module's name")
    parser.add_argument("--own", action="store_true", help="with --only: its own tests alone")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=float("inf"))
    given = parser.parse_args()
    paths = [p for p in sorted(JUDGE.glob("*.py")) if given.only in (None, p.stem)]
    known = [fault for path in paths for fault in faults(path)]
    sample = random.Random(given.seed).sample(known, min(given.sample, len(known)))
    for name in SHARED:  # so that the forked processes need not load them
        import_module(name)
    begun = time.monotonic()
    tests = [test for test in TESTS if given.own is False or given.only in test]
    if tests_fail(None, 3600, tests):
        print("the tests fail without any fault; mend that first")
        return 1
    longest_s = 10 * (time.monotonic() - begun)
    noticed = tried = 0
    with ThreadPoolExecutor(given.jobs) as pool, contextlib.suppress(KeyboardInterrupt):
        for fault, found in zip(
            sample, pool.map(lambda f: tests_fail(f, longest_s, tests), sample), strict=True
        ):
            tried, noticed = tried + 1, noticed + found
            if not found:
                print(f"not noticed: {fault.what}", flush=True)
            if time.monotonic() - begun > given.seconds:
                pool.shutdown(wait=False, cancel_futures=True)
                break
    low, high = wilson(noticed, tried)
    print(f"{noticed} of {tried} noticed: {noticed / tried:.1%} ({low:.1%} to {high:.1%});")
    print(f"a sample of the {len(known)} faults known, seed {given.seed}")
    return 0 if noticed / tried >= 0.9 else 1


if __name__ == "__main__":
    sys.exit(main())

"""How many small faults, put into judge and the measuring one at a time, the tests notice.

    python tests/bench/mutate_judge.py [--only verdict,zones] [--sample N] [--seed 1] [--log FILE]
                                       [--seconds S] [--longest S]

Each fault changes one place of one module: a comparison's edge or sense, plus for minus, times for
divided by, and for or, a dropped "not", a number by a tenth or by one. Messages and names are
strings and left alone. Nothing is written.

The tests are collected once and each is watched for the functions it runs. A fault in a function is
put into the collected functions, in a process forked for it, and the tests that run the function
are tried, the quickest first. A fault outside functions, or in one that runs while modules load,
has all modules loaded afresh, and all tests of its room are tried, likely ones first. Noticed means
that a test fails, or that the tests take more than ten times their processor time.

Faults that change nothing anyone could see are listed beside this file, each with its reason, and
are left out of the share (`equivalent_faults.toml`). Told are the share noticed of the others, its
95 % interval (Wilson), and every fault that was not. `--log`: a line for each; given again, it is
gone on with. `--longest`: tests that take longer are left out, for a first look.
"""

import argparse
import ast
import copy
import gc
import inspect
import json
import os
import random
import resource
import sys
import threading
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import _lru_cache_wrapper
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_file_location
from pathlib import Path
from types import CodeType, FrameType, FunctionType
from typing import Any

import pytest
from _pytest.runner import runtestprotocol

ROOT = Path(__file__).resolve().parents[2]
EQUIVALENT = Path(__file__).with_name("equivalent_faults.toml")
MODULES = [
    *sorted((ROOT / "inference" / "judge").glob("*.py")),
    *(ROOT / "inference" / "see" / name for name in ("deposits.py", "fuse.py")),
]
ROOMS = {  # which tests are asked about the modules of a room
    "judge": (
        *("inference/test_settings_file.py", "inference/keep/test_moves.py"),
        "inference/show/test_explain.py",
        "inference/judge",
        "outside/test_optics_values.py",
        "outside/test_mechanics_values.py",
    ),
    "see": (
        *("inference/see/test_deposits.py", "inference/see/test_fuse.py"),
        *("inference/see/test_standing.py", "inference/see/test_sizes_through_the_chain.py"),
        "outside/test_deposit_sizes.py",
    ),
}
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    **{ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt},
    **{ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is},
    **{ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And},
    **{ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult},
}
NEGATED: dict[type[ast.AST], type[ast.AST]] = {
    **{ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt},
}
LONGER, SPARE_S = 10, 5
NOT_FOUND = 99
QUICK_S = 0.05
OPTIONS = ["-q", "-s", "-p", "no:cacheprovider", "--hypothesis-seed=1", "--rootdir", str(ROOT)]


# -- the faults ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fault:
    """The `number`th place of a module, changed in the `way`th manner.

    `text`: its line; `which`: how many like it stand before it in the module.
    """

    path: Path
    number: int
    way: int
    line: int
    change: str
    text: str
    which: int

    @property
    def key(self) -> tuple[str, str, str, int]:
        """What it is known by though lines move."""
        return self.path.stem, self.text, self.change, self.which

    def __str__(self) -> str:
        return f"{self.path.name}:{self.line}: {self.change} ({self.which}): {self.text}"


def places(tree: ast.AST) -> Iterator[ast.AST]:
    """All nodes but those of annotations, in a fixed order."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns"):
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
    source = path.read_text(encoding="utf-8")
    lines, seen = source.splitlines(), Counter[tuple[str, str]]()
    for number, node in enumerate(places(ast.parse(source))):
        for way in (0, 1):
            told = changed(copy.deepcopy(node), way)
            if told is not None:
                line = getattr(node, "lineno", 0)
                text = lines[line - 1].strip()
                yield Fault(path, number, way, line, told, text, seen[text, told])
                seen[text, told] += 1


def code_with(fault: Fault) -> CodeType:
    """The module's code with the fault in it."""
    tree = ast.parse(fault.path.read_text(encoding="utf-8"))
    node = next(node for k, node in enumerate(places(tree)) if k == fault.number)
    changed(node, fault.way)
    return compile(ast.fix_missing_locations(tree), str(fault.path), "exec")


class WithFault(MetaPathFinder):
    """Finds the faulty module before any other finder finds the sound one."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        self.name = f"fiberward.inference.{fault.path.parent.name}.{fault.path.stem}"

    def find_spec(self, fullname: str, path: Any, target: Any = None) -> ModuleSpec | None:
        """The spec of the one module whose source is changed."""
        if fullname != self.name:
            return None
        spec = spec_from_file_location(fullname, self.fault.path)
        assert spec is not None
        loader: Any = spec.loader
        loader.get_code = lambda _: code_with(self.fault)
        return spec


# -- putting them in -------------------------------------------------------------------------------


def functions_in(code: CodeType) -> dict[tuple[str, int], CodeType]:
    """The functions of a module and the methods of its classes, by name and first line."""
    out: dict[tuple[str, int], CodeType] = {}
    for const in code.co_consts:
        if isinstance(const, CodeType):
            if const.co_flags & inspect.CO_NEWLOCALS:  # a function; the body of a class has it not
                out[const.co_qualname, const.co_firstlineno] = const
            else:
                out |= functions_in(const)
    return out


def holder(fault: Fault) -> tuple[str, int] | None:
    """The function in whose body the fault lies, as `functions_in` names it; None outside."""
    sound = compile(fault.path.read_text(encoding="utf-8"), str(fault.path), "exec")
    before, after = functions_in(sound), functions_in(code_with(fault))
    hit = [name for name, code in before.items() if code != after[name]]
    return hit[0] if len(hit) == 1 else None


def put_in(fault: Fault, name: tuple[str, int]) -> None:
    """Change the function of that name in this process, and forget what was computed with it."""
    code, done = functions_in(code_with(fault))[name], False
    for each in gc.get_objects():
        if isinstance(each, FunctionType) and each.__code__.co_filename == str(fault.path):
            if (each.__code__.co_qualname, each.__code__.co_firstlineno) == name:
                each.__code__, done = code, True
        elif isinstance(each, _lru_cache_wrapper) and "fiberward" in str(each.__module__):
            each.cache_clear()
    if not done:
        os._exit(NOT_FOUND)


def names_near(fault: Fault) -> set[str]:
    """What the statement that holds the fault defines."""
    tree = ast.parse(fault.path.read_text(encoding="utf-8"))
    wanted = next(node for k, node in enumerate(places(tree)) if k == fault.number)
    out: set[str] = set()
    for node in ast.walk(tree):
        if not any(inner is wanted for inner in ast.walk(node)):
            continue
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            out.add(node.name)
        targets = node.targets if isinstance(node, ast.Assign) else []
        targets = [node.target] if isinstance(node, ast.AnnAssign) else targets
        out |= {n.id for target in targets for n in ast.walk(target) if isinstance(n, ast.Name)}
    return out


# -- the tests -------------------------------------------------------------------------------------


def sound_answer(run: Callable[[], bool], limit_s: float) -> bool:
    """Whether `run` says True within its processor time, in a process of its own."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            limit = int(limit_s) + 1
            resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
            with open(os.devnull, "w") as nowhere:
                os.dup2(nowhere.fileno(), 1), os.dup2(nowhere.fileno(), 2)
            code = 0 if run() else 1
        finally:
            os._exit(code)
    status = os.waitpid(child, 0)[1]
    if os.WIFEXITED(status) and os.WEXITSTATUS(status) == NOT_FOUND:
        raise LookupError("the function that holds the fault is not in the session")
    return status == 0


def all_pass(items: Sequence[pytest.Item]) -> bool:
    """Whether these tests pass, in this order; stops at the first that does not."""
    for item, after in zip(items, [*items[1:], None], strict=True):
        reports = runtestprotocol(item, log=False, nextitem=after)
        if any(report.failed for report in reports):
            return False
    return True


class InOrder:
    """A pytest plugin: only these tests, in this order."""

    def __init__(self, wanted: Sequence[str]) -> None:
        self.place = {name: k for k, name in enumerate(wanted)}

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Choose and sort."""
        items[:] = sorted(
            (item for item in items if item.nodeid in self.place),
            key=lambda item: self.place[item.nodeid],
        )


def all_pass_afresh(fault: Fault | None, names: Sequence[str]) -> bool:
    """Whether these tests pass with all our modules loaded again, one of them with the fault."""
    for name, module in list(sys.modules.items()):
        file = str(getattr(module, "__file__", None) or "")
        if name.split(".")[0] == "fiberward" or file.startswith(str(ROOT)):
            del sys.modules[name]
    if fault is not None:
        sys.meta_path.insert(0, WithFault(fault))
    files = list(dict.fromkeys(name.partition("::")[0] for name in names))
    done = pytest.main([*OPTIONS, "-x", *(str(ROOT / f) for f in files)], [InOrder(names)])
    return int(done) == 0


class Faults:
    """A pytest plugin: instead of running the tests once it runs them for each fault."""

    def __init__(self, given: argparse.Namespace) -> None:
        self.given, self.noticed = given, dict[Fault, bool]()
        self.ran: dict[str, set[tuple[str, int]]] = {"": set()}  # by test; "": while loading
        self.uses: dict[tuple[str, int], set[str]] = {}  # the names that a function reads
        self.took_s: dict[str, float] = {}
        self.now = ""
        self.sound = True
        self.watch(True)

    def watch(self, on: bool) -> None:
        """Note every function of ours that is called."""
        threading.settrace(self.called if on else None)  # type: ignore[arg-type]
        sys.settrace(self.called if on else None)

    def called(self, frame: FrameType, event: str, arg: object) -> None:
        """A function is called: note it under the test that runs."""
        code = frame.f_code
        if "/inference/" in code.co_filename or "/model/" in code.co_filename:
            at = code.co_filename, code.co_firstlineno
            self.ran[self.now].add(at)
            self.uses.setdefault(at, set(code.co_names))

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Watch each test, then try the faults."""
        items = {item.nodeid: item for item in session.items}
        order = list(items.values())
        for item, after in zip(order, [*order[1:], None], strict=True):
            self.now, begun = item.nodeid, time.process_time()
            self.ran[self.now] = set()
            if any(r.failed for r in runtestprotocol(item, log=False, nextitem=after)):
                print(f"{item.nodeid} fails without any fault; mend that first")
                self.sound = False
                return True
            self.took_s[self.now] = time.process_time() - begun
        self.watch(False)
        self.sound = self.pass_without(items)
        if not self.sound:
            print("the tests fail in a process of their own without any fault; mend that first")
            return True
        print(f"{len(items)} tests, {sum(self.took_s.values()):.0f} s watched", flush=True)
        chosen = self.chosen()
        known = read_log(self.given.log)
        begun = time.monotonic()
        for fault in chosen:
            if time.monotonic() - begun > self.given.seconds:
                break
            if fault.key not in known:
                known[fault.key] = not self.passes(fault, items)
                write_log(self.given.log, fault, known[fault.key])
            self.noticed[fault] = known[fault.key]
        return True

    def pass_without(self, items: dict[str, pytest.Item]) -> bool:
        """Whether tests pass both ways with no fault in; only the quick ones of each file."""
        quick = [n for n in items if self.took_s[n] < QUICK_S]
        return sound_answer(lambda: all_pass([items[n] for n in quick]), 600) and sound_answer(
            lambda: all_pass_afresh(None, quick), 600
        )

    def chosen(self) -> list[Fault]:
        """The faults to try."""
        only = set(self.given.only.split(",")) if self.given.only else None
        paths = [path for path in MODULES if only is None or path.stem in only]
        listed = set(read_equivalent())
        known = [fault for path in paths for fault in faults(path) if fault.key not in listed]
        random.Random(self.given.seed).shuffle(known)  # so that the first so many are a sample
        return known[: self.given.sample]

    def passes(self, fault: Fault, items: dict[str, pytest.Item]) -> bool:
        """Whether the tests pass with the fault in."""
        rooms = ROOMS[fault.path.parent.name]
        room = [n for n in items if n.removeprefix("tests/").startswith(rooms)]
        room = [n for n in room if self.took_s[n] <= self.given.longest]
        name = holder(fault)
        if name is not None and (at := (str(fault.path), name[1])) not in self.ran[""]:
            tests = sorted((n for n in room if at in self.ran[n]), key=self.took_s.__getitem__)
            limit_s = LONGER * sum(self.took_s[n] for n in tests) + SPARE_S

            def run() -> bool:
                put_in(fault, name)
                return all_pass([items[n] for n in tests])

            return sound_answer(run, limit_s) if tests else True
        near = names_near(fault)
        reads = {at for at, names in self.uses.items() if near & names}
        tests = sorted(room, key=lambda n: (not reads & self.ran[n], self.took_s[n]))
        limit_s = LONGER * sum(self.took_s[n] for n in tests) + SPARE_S
        return sound_answer(lambda: all_pass_afresh(fault, tests), limit_s)


# -- what is told ----------------------------------------------------------------------------------


def read_log(path: Path | None) -> dict[tuple[str, str, str, int], bool]:
    """Which faults were noticed, of those tried before."""
    if path is None or not path.exists():
        return {}
    rows = map(json.loads, path.read_text(encoding="utf-8").splitlines())
    return {tuple(row["fault"]): row["noticed"] for row in rows}


def write_log(path: Path | None, fault: Fault, noticed: bool) -> None:
    """Add a fault to the log, and tell of one that went unnoticed."""
    if not noticed:
        print(f"not noticed: {fault}", flush=True)
    if path is not None:
        with path.open("a", encoding="utf-8") as log:
            log.write(json.dumps({"fault": fault.key, "noticed": noticed}) + "\n")


def read_equivalent() -> dict[tuple[str, str, str, int], str]:
    """The faults that change nothing, with the reason of each."""
    rows = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))["fault"]
    return {(r["module"], r["line"], r["change"], r.get("which", 0)): r["why"] for r in rows}


def wilson(hits: int, n: int) -> tuple[float, float]:
    """The 95 % interval of a share."""
    z, p = 1.959964, hits / n
    middle, spread = p + z * z / (2 * n), z * (p * (1 - p) / n + z * z / (4 * n * n)) ** 0.5
    return (middle - spread) / (1 + z * z / n), (middle + spread) / (1 + z * z / n)


def told(noticed: dict[Fault, bool]) -> float:
    """Print the score of each module and of all; the latter."""
    listed = Counter(key[0] for key in read_equivalent())
    for room in (None, *ROOMS):
        for stem in sorted({f.path.stem for f in noticed if f.path.parent.name == room}):
            mine = [hit for f, hit in noticed.items() if f.path.stem == stem]
            print(f"  {stem}: {sum(mine)} of {len(mine)} noticed, {listed[stem]} equivalent")
        mine = [hit for f, hit in noticed.items() if room in (None, f.path.parent.name)]
        if mine:
            low, high = wilson(sum(mine), len(mine))
            share = f"{sum(mine) / len(mine):.1%} ({low:.1%} to {high:.1%})"
            print(f"{room or 'all'}: {sum(mine)} of {len(mine)} noticed: {share}")
    return sum(noticed.values()) / max(1, len(noticed))


def main() -> int:
    """Try the faults and tell which went unnoticed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", help="modules' names")
    parser.add_argument("--sample", type=int, help="so many, drawn at random; default: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"))
    parser.add_argument("--log", type=Path)
    parser.add_argument("--longest", type=float, default=float("inf"), metavar="S")
    given = parser.parse_args()
    wanted = set(given.only.split(",")) if given.only else {path.stem for path in MODULES}
    rooms = {path.parent.name for path in MODULES if path.stem in wanted}
    files = [str(ROOT / "tests" / each) for room in sorted(rooms) for each in ROOMS[room]]
    plugin = Faults(given)
    done = pytest.main([*OPTIONS, *files], [plugin])
    if int(done) or not plugin.sound:
        return 1
    return 0 if told(plugin.noticed) >= 0.9 else 1


if __name__ == "__main__":
    sys.exit(main())

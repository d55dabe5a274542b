"""The house holds together: what is shipped, and which room may import which."""

import ast
import re
import tomllib
from collections.abc import Iterator
from importlib.util import resolve_name
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("model", "synthetic", "inference", "training")
MAY_IMPORT = {
    "model": set[str](),
    "synthetic": {"model"},
    "inference": {"model"},
    "training": {"model", "synthetic", "inference"},
}
# See -> judge -> keep -> show: a stage may import those before it.
STAGES = ("see", "judge", "keep", "show")
TRAINING_PACKAGES = {"albucore", "albumentations", "onnx", "onnxscript", "torch", "torchvision"}
MAY_IMPORT_TORCH = {"model/net.py"}
HIDDEN_OR_BUILT = re.compile(
    r"\.|build$|dist$|.*\.egg-info$|scored|runs$|fiberward-(demo|inspections)$|__pycache__"
)
TOP_LEVEL = {
    *ROOMS,
    *("tests", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"),
}


def settings() -> dict:
    return tomllib.loads((ROOT / "pyproject.toml").read_text())


def sources(room: str) -> Iterator[Path]:
    return (ROOT / room).rglob("*.py")


def module_name(source: Path) -> str:
    return "fiberward." + ".".join(source.relative_to(ROOT).with_suffix("").parts)


def imported_modules(source: Path) -> Iterator[str]:
    """Absolute names of the modules that `source` imports, at any depth of the file."""
    package = module_name(source).rpartition(".")[0]
    for node in ast.walk(ast.parse(source.read_text())):
        if isinstance(node, ast.ImportFrom):
            dots = "." * node.level
            base = resolve_name(dots + (node.module or ""), package)
            # `from . import x` names a module in x; `from .x import y` names one before it.
            yield from (f"{base}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def test_every_package_folder_is_shipped():
    found = {
        "fiberward." + ".".join(init.parent.relative_to(ROOT).parts)
        for room in ROOMS
        for init in (ROOT / room).rglob("__init__.py")
    }
    assert set(settings()["tool"]["setuptools"]["packages"]) == found


def test_every_folder_with_modules_is_a_package():
    for room in ROOMS:
        for source in sources(room):
            assert (source.parent / "__init__.py").exists(), source


def test_nothing_else_stands_at_the_top_level():
    found = {path.name for path in ROOT.iterdir() if not HIDDEN_OR_BUILT.match(path.name)}
    assert found <= TOP_LEVEL


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_imports_only_the_rooms_it_may(room: str):
    for source in sources(room):
        for name in imported_modules(source):
            if name.startswith("fiberward."):
                assert name.split(".")[1] in MAY_IMPORT[room] | {room}, (source, name)


@pytest.mark.parametrize("room", ROOMS)
def test_product_code_imports_its_own_package_by_relative_imports_only(room: str):
    for source in sources(room):
        for node in ast.walk(ast.parse(source.read_text())):
            if isinstance(node, ast.ImportFrom) and not node.level:
                assert (node.module or "").split(".")[0] not in {"fiberward", *ROOMS}, source
            if isinstance(node, ast.Import):
                assert not {a.name.split(".")[0] for a in node.names} & {"fiberward", *ROOMS}


@pytest.mark.parametrize("stage", STAGES)
def test_inference_goes_one_way_from_seeing_to_showing(stage: str):
    allowed = set(STAGES[: STAGES.index(stage) + 1])
    for source in sources(f"inference/{stage}"):
        for name in imported_modules(source):
            if name.startswith("fiberward.inference."):
                target = name.split(".")[2]
                assert target not in set(STAGES) - allowed, (source, name)


def test_inference_does_not_import_the_net_or_the_training_packages():
    for source in sources("inference"):
        names = set(imported_modules(source))
        assert not {name for name in names if name.startswith("fiberward.model.net")}, source
        assert not {name.split(".")[0] for name in names} & TRAINING_PACKAGES, source


def test_of_the_model_room_only_the_net_imports_torch():
    for source in sources("model"):
        if str(source.relative_to(ROOT)) not in MAY_IMPORT_TORCH:
            roots = {name.split(".")[0] for name in imported_modules(source)}
            assert not roots & TRAINING_PACKAGES, source


@pytest.mark.parametrize("room", ROOMS)
def test_public_names_are_listed_sorted_and_exist(room: str):
    for source in sources(room):
        tree = ast.parse(source.read_text())
        listed = public_names(tree)
        if listed is not None:
            assert listed == sorted(listed, key=constants_then_classes), source
            missing = set(listed) - set(top_level_names(tree))
            assert not missing, (source, missing)


def constants_then_classes(name: str) -> tuple[int, str]:
    """Sort key of a public name: constants, then classes, then functions (as ruff's RUF022)."""
    return (0 if name.isupper() else 1 if name[0].isupper() else 2, name)


def public_names(tree: ast.Module) -> list[str] | None:
    """The literal list in `__all__`, or None."""
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return ast.literal_eval(node.value)
    return None


def top_level_names(tree: ast.Module) -> Iterator[str]:
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.ImportFrom | ast.Import):
            yield from (alias.asname or alias.name for alias in node.names)
        elif isinstance(node, ast.Assign):
            for target in node.targets:
                each = target.elts if isinstance(target, ast.Tuple) else [target]
                yield from (ast.unparse(name) for name in each)
        elif isinstance(node, ast.AnnAssign):
            yield ast.unparse(node.target)


def test_the_changelog_tells_of_this_version_first():
    entries = re.findall(r"^## \[(.+?)\]", (ROOT / "CHANGELOG.md").read_text(), re.MULTILINE)
    released = [entry for entry in entries if entry != "Unreleased"]
    assert released[0] == settings()["project"]["version"]


def test_the_plain_install_asks_for_no_training_package():
    wanted = {re.split(r"[<>=\[ ]", line)[0] for line in settings()["project"]["dependencies"]}
    assert not wanted & TRAINING_PACKAGES

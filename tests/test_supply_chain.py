"""What comes from elsewhere: its licences, its checksums, and that nothing of it is executed."""

import ast
import hashlib
import re
import shutil
from collections.abc import Iterator
from importlib.metadata import Distribution, distribution, requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from fiberward.inference.see import model_file
from fiberward.model.errors import ModelError
from fiberward.model.shipped import SHIPPED_MODEL, SHIPPED_SHA256

ROOT = Path(__file__).resolve().parents[1]
# How packages name their licence (PyPI metadata: expression, classifier or text), by SPDX name.
NAMED = {
    "Apache-2.0": r"Apache[ -](Software License|2\.0)",
    "BSD": r"BSD",
    "ISC": r"ISC",
    "MIT": r"MIT(?!-CMU)",
    "MIT-CMU": r"MIT-CMU",
    "PSF-2.0": r"PSF-2\.0",
}


def plain_name(name: str) -> str:
    """As the packaging standard compares names (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def plain_install() -> dict[str, Distribution]:
    """Every package that the install without extras brings here."""
    found: dict[str, Distribution] = {}
    waiting = list(requires("fiberward") or ())
    while waiting:
        wanted = Requirement(waiting.pop())
        extras = ("", *wanted.extras)
        needed = wanted.marker is None or any(wanted.marker.evaluate({"extra": e}) for e in extras)
        if needed and plain_name(wanted.name) not in found:
            found[plain_name(wanted.name)] = distribution(wanted.name)
            waiting += distribution(wanted.name).requires or ()
    return found


def said_licence(package: Distribution) -> str:
    meta = package.metadata
    classifiers = [c for c in meta.get_all("Classifier") or () if c.startswith("License ::")]
    return " ".join([meta.get("License-Expression") or meta.get("License") or "", *classifiers])


def listed() -> Iterator[tuple[str, str]]:
    """(package, licence) of the table in DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("| licence | packages |")[2].partition("\n\n")[0]
    for licence, packages in re.findall(r"^\| ([\w.-]+) \| (.+) \|$", table, re.MULTILINE):
        yield from ((name.strip(), licence) for name in packages.split(","))


def test_every_package_of_the_plain_install_is_listed_under_its_licence():
    table = dict(listed())
    for name, package in plain_install().items():
        assert name in table, f"{name} is not in the table of DEVELOPERS.md"
        said = said_licence(package)
        assert re.search(NAMED[table[name]], said), f"{name} says {said!r}, not {table[name]}"


def test_vendored_files_are_those_of_their_checksums():
    notes = sorted((ROOT / "tests" / "data").glob("*/README.md"))
    rows = [
        (note.parent / name, digest)
        for note in notes
        for name, digest in re.findall(
            r"^\| `([^`]+)` \| `([0-9a-f]{64})` \|$", note.read_text(), re.M
        )
    ]
    assert any(path.name == "axe.min.js" for path, _ in rows)
    for path, digest in rows:
        assert hashlib.sha256(path.read_bytes()).hexdigest() == digest, path


def test_the_shipped_weights_are_those_of_this_version():
    found = hashlib.sha256(SHIPPED_MODEL.read_bytes()).hexdigest()
    assert found == SHIPPED_SHA256, "new weights: put their checksum into model/shipped.py"


def test_exchanged_weights_are_refused_where_the_shipped_ones_should_lie(tmp_path, monkeypatch):
    """A file that would load is refused all the same: one changed byte of its weights."""
    data = bytearray(SHIPPED_MODEL.read_bytes())
    data[len(data) // 2] ^= 1
    exchanged = tmp_path / "fiberward.onnx"
    exchanged.write_bytes(data)
    model_file.open_model(exchanged)  # elsewhere nobody says what it must be
    monkeypatch.setattr(model_file, "SHIPPED_MODEL", exchanged)
    with pytest.raises(ModelError, match="damaged or exchanged"):
        model_file.open_model(exchanged)
    shutil.copyfile(SHIPPED_MODEL, exchanged)
    model_file.open_model(exchanged)


def calls(tree: ast.AST) -> Iterator[tuple[str, ast.Call]]:
    """Every call in a module, by the name it is written with (`torch.load`)."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func), node


RUNS_WHAT_IT_READS = re.compile(
    r"(pickle|cPickle|dill|joblib|shelve|marshal)\.\w+|eval|exec|yaml\.(load|unsafe_load)"
)


@pytest.mark.parametrize("room", ["model", "synthetic", "inference", "training"])
def test_no_file_that_is_read_can_run_code(room):
    """Pickles and their like; torch's own format only with `weights_only`."""
    for source in (ROOT / room).rglob("*.py"):
        for name, call in calls(ast.parse(source.read_text(encoding="utf-8"))):
            given = {keyword.arg: ast.unparse(keyword.value) for keyword in call.keywords}
            assert not RUNS_WHAT_IT_READS.fullmatch(name), f"{source}:{call.lineno}: {name}"
            if name == "torch.load":
                assert given.get("weights_only") == "True", f"{source}:{call.lineno}"
            if name in ("np.load", "numpy.load"):
                assert given.get("allow_pickle", "False") == "False", f"{source}:{call.lineno}"

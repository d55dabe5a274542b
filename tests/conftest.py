"""Let the tests import `fiberward` from a bare checkout.

Installed (`pip install -e .`, or a wheel), this does nothing. Otherwise a stand-in package whose
`__path__` is the repository root serves this process and the ones the tests start.
"""

import itertools
import os
import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

# As the package does: some tests import onnxruntime before it.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"
# No test may meet the records of whoever runs it.
own_records = tempfile.TemporaryDirectory(prefix="fiberward-records-")
os.environ["FIBERWARD_DB"] = os.path.join(own_records.name, "records.db")
numbers = itertools.count()
os.environ.pop("FIBERWARD_PICTURES", None)


@pytest.fixture(autouse=True)
def records_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """Records that no other test has seen; nothing is made before they are used."""
    file = Path(own_records.name, str(next(numbers)), "records.db")
    monkeypatch.setenv("FIBERWARD_DB", str(file))


def installed(name: str) -> bool:
    """Whether `name` can be imported."""
    try:
        return find_spec(name) is not None
    except ModuleNotFoundError:
        return False


if not installed("fiberward.model"):
    sys.modules.pop("fiberward", None)
    stand_in = tempfile.TemporaryDirectory(prefix="fiberward-")
    package = Path(stand_in.name, "fiberward", "__init__.py")
    package.parent.mkdir()
    package.write_text(f"__path__ = [{str(ROOT)!r}]\n")
    sys.path.insert(0, stand_in.name)
    old = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = stand_in.name + (os.pathsep + old if old else "")

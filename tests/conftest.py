"""Let the tests import `fiberward` from a bare checkout.

Installed (`pip install -e .`, or a wheel), this does nothing. Otherwise a stand-in package whose
`__path__` is the repository root serves this process and the ones the tests start.
"""

import contextlib
import itertools
import os
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parents[1]

# A busy machine is no fault of the code.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
# As the package does: some tests import onnxruntime before it.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"
# No test may meet the records of whoever runs it.
own_records = tempfile.TemporaryDirectory(prefix="fiberward-records-")
os.environ["FIBERWARD_DB"] = os.path.join(own_records.name, "records.db")
os.environ["FIBERWARD_MODELS"] = os.path.join(own_records.name, "models")
os.environ["FIBERWARD_MOVES"] = os.path.join(own_records.name, "moves.json")
os.environ["XDG_DATA_HOME"] = own_records.name
os.environ.pop("FIBERWARD_SETTINGS", None)
numbers = itertools.count()
os.environ.pop("FIBERWARD_PICTURES", None)


@pytest.fixture(autouse=True)
def records_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """Records that no other test has seen; nothing is made before they are used."""
    file = Path(own_records.name, str(next(numbers)), "records.db")
    monkeypatch.setenv("FIBERWARD_DB", str(file))
    monkeypatch.setenv("FIBERWARD_MOVES", str(file.with_name("moves.json")))


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


# A tiny ONNX model that reads surfaces and kinds off a picture's colours, and pictures for it.
#
# Red says which surface (level 36 * index), blue which kind (level 36 * index), green the unseen
# probability; both readings are softmaxes over the squared distance to the nearest level. Surface
# looks at a 3x3 mean that takes nothing beyond the edge, so that a tile's cut context shows.

LEVEL = 36.0
SHARPNESS = 60.0
METADATA = {
    "fiberward.schema": "fiberward.model/1",
    "surfaces": '["surround", "housing", "cavity", "barrel", "chamfer", "endface", "fiber"]',
    "kinds": '["clean", "particle", "lint", "film", "residue", "liquid", "damage"]',
    "um_per_px_range": "[1.0, 8.0]",
    "thresholds": '{"seed": 0.7, "grow": 0.4, "min_px": 8}',
    "calibration": "null",
    "scores": "null",
    "training_hash": "none",
    "code_version": "0",
    "created_at": "2026-01-01T00:00:00Z",
}


def _level_reader(channel: int) -> tuple[Any, Any]:
    """Weights [7, 3, 1, 1] and bias [7] whose softmax picks the nearest level of one channel."""
    levels = np.arange(7) * LEVEL / 255
    weight = np.zeros((7, 3, 1, 1), np.float32)
    weight[:, channel, 0, 0] = 2 * SHARPNESS * levels * 7
    return weight, (-SHARPNESS * levels**2 * 7).astype(np.float32)


def _write_model(path: Path, metadata: dict[str, str]) -> Path:
    onnx = pytest.importorskip("onnx")
    from onnx import TensorProto, helper, numpy_helper

    mean = np.zeros((3, 3, 3, 3), np.float32)
    mean[[0, 1, 2], [0, 1, 2]] = 1 / 9
    green = np.zeros((1, 3, 1, 1), np.float32)
    green[0, 1] = 1
    constants = {"scale": np.float32(1 / 255), "mean": mean, "green": green}
    constants["surface_w"], constants["surface_b"] = _level_reader(0)
    constants["kind_w"], constants["kind_b"] = _level_reader(2)
    constants["flat"] = np.array([-1], np.int64)
    constants["axes"] = np.array([1, 2, 3], np.int64)
    node = helper.make_node
    nodes = [
        node("Transpose", ["picture"], ["bytes"], perm=[0, 3, 1, 2]),
        node("Cast", ["bytes"], ["float"], to=TensorProto.FLOAT),
        node("Mul", ["float", "scale"], ["rgb"]),
        node("Conv", ["rgb", "mean"], ["near"], pads=[1, 1, 1, 1]),
        node("Conv", ["near", "surface_w", "surface_b"], ["surface_logits"]),
        node("Softmax", ["surface_logits"], ["surface"], axis=1),
        node("Conv", ["rgb", "kind_w", "kind_b"], ["kind_logits"]),
        node("Softmax", ["kind_logits"], ["kind"], axis=1),
        node("Conv", ["rgb", "green"], ["unseen"]),
        node("ReduceMean", ["unseen", "axes"], ["unlike"], keepdims=0),
    ]
    size = ["n", "h", "w"]
    value = helper.make_tensor_value_info
    graph = helper.make_graph(
        nodes,
        "levels",
        [value("picture", TensorProto.UINT8, [*size, 3])],
        [
            value("surface", TensorProto.FLOAT, ["n", 7, "h", "w"]),
            value("kind", TensorProto.FLOAT, ["n", 7, "h", "w"]),
            value("unseen", TensorProto.FLOAT, ["n", 1, "h", "w"]),
            value("unlike", TensorProto.FLOAT, ["n"]),
        ],
        [numpy_helper.from_array(np.asarray(v), k) for k, v in constants.items()],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 20)], ir_version=10)
    helper.set_model_props(model, metadata)
    onnx.save(model, path)
    return path


@pytest.fixture(scope="session")
def write_model(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Writes a model file; keyword arguments replace metadata (None removes a key)."""

    def write(**changes: str | None) -> Path:
        metadata = {**METADATA, **{k.replace("__", "."): v for k, v in changes.items()}}
        kept = {k: v for k, v in metadata.items() if v is not None}
        return _write_model(tmp_path_factory.mktemp("model") / "levels.onnx", kept)

    return write


@pytest.fixture(scope="session")
def model_path(write_model: Callable[..., Path]) -> Path:
    return write_model()


@pytest.fixture
def painted() -> Callable[..., Any]:
    """Paints index arrays surface, kind [H, W] and unseen 0..1 into the colours the model reads."""

    def paint(surface: Any, kind: Any, unseen: Any = 0.0) -> Any:
        planes = np.broadcast_arrays(surface * LEVEL, np.asarray(unseen) * 255, kind * LEVEL)
        return np.round(np.stack(planes, axis=-1)).astype(np.uint8)

    return paint


class Cluster:
    """A Dask scheduler and its workers, each a process of its own."""

    def __init__(self) -> None:
        with contextlib.closing(socket.socket()) as taken:
            taken.bind(("127.0.0.1", 0))
            self.port = taken.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.started: list[subprocess.Popen[bytes]] = []

    def start_scheduler(self) -> subprocess.Popen[bytes]:
        """Start it, or start it again."""
        where = ("--host", "127.0.0.1", "--port", str(self.port))
        return self._start("dask_scheduler", *where, "--no-dashboard")

    def start_worker(self) -> subprocess.Popen[bytes]:
        """One more, of one thread."""
        plain = ("--nthreads", "1", "--no-dashboard", "--no-nanny")
        return self._start("dask_worker", self.address, *plain)

    def _start(self, name: str, *arguments: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.{name}", *arguments]
        quiet = subprocess.DEVNULL
        self.started.append(subprocess.Popen(command, stdout=quiet, stderr=quiet))
        return self.started[-1]


@pytest.fixture
def cluster() -> Iterator[Cluster]:
    """No process of it outlives the test."""
    made = Cluster()
    yield made
    for process in made.started:
        process.kill()
        process.wait()

"""What a checkup of the installation looks at; `doctor` shows it."""

import os
import platform
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import import_module, metadata
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

from ...model.errors import FiberwardError
from ...model.shipped import SHIPPED_MODEL
from ...model.version import code_version

__all__ = [
    "REQUIRED_PACKAGES",
    "TRAINING_PACKAGES",
    "Finding",
    "State",
    "check_everything",
    "check_extra",
    "check_model",
    "check_package",
    "check_single_cv2",
    "check_threads",
    "check_writable",
    "self_test",
]

State = Literal["ok", "note", "broken"]

# Distribution and import name of what the plain install brings.
REQUIRED_PACKAGES = {
    "alembic": "alembic",
    "imagecodecs": "imagecodecs",
    "jinja2": "jinja2",
    "jsonschema": "jsonschema",
    "numpy": "numpy",
    "onnxruntime": "onnxruntime",
    "opencv-python-headless": "cv2",
    "pillow": "PIL",
    "rich": "rich",
    "scipy": "scipy",
    "sqlalchemy": "sqlalchemy",
    "tifffile": "tifffile",
    "typer": "typer",
}
TRAINING_PACKAGES = (
    *("albucore", "albumentations", "onnx", "onnxscript"),
    *("pycocotools", "torch", "torchvision"),
)
# The instruction sets that decide how fast the net runs.
CPU_FLAGS = ("avx2", "fma", "f16c", "avx512f", "avx512_vnni", "avx_vnni", "amx_int8", "asimddp")
SELF_TEST_HW = (96, 128)


@dataclass(frozen=True)
class Finding:
    """One thing looked at.

    state: ok; note: works, but worth knowing; broken: inspection will fail. detail: one line.
    """

    name: str
    state: State
    detail: str


def check_everything(folder: Path) -> tuple[Finding, ...]:
    """Look at all that an inspection needs; `folder` is where results would be written."""
    return (
        Finding("fiberward", "ok", f"{code_version()}, {Path(__file__).parents[2]}"),
        Finding("python", "ok", f"{platform.python_version()}, {platform.platform()}"),
        *(check_package(name, module) for name, module in REQUIRED_PACKAGES.items()),
        check_single_cv2(),
        check_processor(),
        check_threads(),
        *check_model(SHIPPED_MODEL),
        check_writable("this folder", folder),
        check_writable("temporary folder", Path(tempfile.gettempdir())),
        check_extra("train extra", TRAINING_PACKAGES),
    )


def check_package(distribution: str, module: str) -> Finding:
    """Whether a package can be imported, and its version."""
    try:
        import_module(module)
    except Exception as error:  # A broken binary package raises more than ImportError.
        reason = " ".join(str(error).split())
        return Finding(distribution, "broken", f"{reason}; run pip install {distribution}")
    return Finding(distribution, "ok", version_of(distribution) or "version unknown")


def version_of(distribution: str) -> str | None:
    """The installed version, or None."""
    try:
        return metadata.version(distribution)
    except metadata.PackageNotFoundError:
        return None


def check_single_cv2() -> Finding:
    """Two packages that bring cv2 overwrite each other's files."""
    found = sorted(set(metadata.packages_distributions().get("cv2", [])))
    if len(found) > 1:
        fix = f"pip uninstall -y {' '.join(found)}, then pip install opencv-python-headless"
        return Finding("one cv2", "broken", f"{' and '.join(found)} overwrite each other: {fix}")
    return Finding("one cv2", "ok", f"from {found[0]}" if found else "not installed by a package")


def check_processor() -> Finding:
    """The processor's name and those of its instruction sets that matter."""
    lines = _lines_of("/proc/cpuinfo")
    fields = {
        key.strip(): value.strip() for key, _, value in (line.partition(":") for line in lines)
    }
    name = fields.get("model name") or platform.processor() or platform.machine()
    known = set((fields.get("flags") or fields.get("Features") or "").split())
    if not known:
        return Finding("processor", "note", f"{name}; its instruction sets cannot be told here")
    flags = [flag for flag in CPU_FLAGS if flag in known]
    return Finding("processor", "ok", f"{name}; {' '.join(flags) or 'none of the fast sets'}")


def _lines_of(path: str) -> list[str]:
    try:
        return Path(path).read_text(errors="replace").splitlines()
    except OSError:
        return []


def check_threads() -> Finding:
    """How many processors this process may use, of how many there are."""
    present = os.cpu_count() or 1
    allowed = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else present
    return Finding("threads", "ok", f"{allowed} allowed, of {present} processors")


def check_model(path: Path) -> tuple[Finding, ...]:
    """Whether the shipped net is there, of the right schema, and computes."""
    try:
        # Imported here, for the packages behind it may be what is broken.
        from ..see.model_file import SCHEMA
        from ..see.segment import Segmenter

        segmenter = Segmenter(path, threads=1)
    except FiberwardError as error:
        return (Finding("model", "broken", str(error)),)
    except Exception as error:
        return (Finding("model", "broken", f"{path}: {type(error).__name__}: {error}"),)
    card = segmenter.card
    size_mb = path.stat().st_size / 1e6
    detail = f"{path} ({size_mb:.1f} MB), sha256 {card.sha256}, schema {SCHEMA}"
    return (Finding("model", "ok", detail), self_test(segmenter))


def self_test(segmenter: Callable[..., object]) -> Finding:
    """Run the net on a small made-up picture; what it says must be probabilities."""
    import numpy as np

    picture = np.random.default_rng(0).integers(0, 256, (*SELF_TEST_HW, 3), dtype=np.uint8)
    try:
        answer = segmenter(picture)
        deposit_p = np.asarray(getattr(answer, "deposit_p", None), dtype=np.float64)
        unlike = float(getattr(answer, "unlike", float("nan")))
    except Exception as error:
        return Finding("self-test", "broken", f"the net failed: {type(error).__name__}: {error}")
    values = np.append(deposit_p.ravel(), unlike)
    if deposit_p.shape != SELF_TEST_HW or not ((values >= 0) & (values <= 1)).all():
        return Finding("self-test", "broken", "the net's answer is no map of probabilities")
    return Finding(
        "self-test", "ok", f"the net ran on {SELF_TEST_HW[1]} x {SELF_TEST_HW[0]} pixels"
    )


def check_writable(name: str, folder: Path) -> Finding:
    """Whether a file can be made in `folder`."""
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(b"fiberward")
    except OSError as error:
        return Finding(name, "broken", f"{folder}: cannot write ({error.strerror}); go elsewhere")
    return Finding(name, "ok", f"{folder} can be written")


def check_extra(name: str, distributions: Iterable[str]) -> Finding:
    """Which packages of an extra are there; none of them is imported."""
    versions = {each: version_of(each) if find_spec(each) else None for each in distributions}
    missing = [each for each, version in versions.items() if version is None]
    if missing:
        detail = f"{', '.join(missing)} not installed; only needed to train and to render"
        return Finding(name, "note", detail)
    return Finding(name, "ok", ", ".join(f"{each} {version}" for each, version in versions.items()))

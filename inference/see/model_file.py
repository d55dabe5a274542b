"""A model file: one ONNX file that carries its labels, thresholds and scores in its own metadata.

The input is `picture`, uint8 [N, H, W, 3] RGB; the outputs (`OUTPUTS`) are probabilities. A file
that is missing, damaged, of another schema or with other labels is refused with a `ModelError`.
"""

import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from ...model.errors import ModelError
from ...model.kinds import KIND_NAMES
from ...model.shipped import SHIPPED_MODEL, SHIPPED_SHA256
from ...model.surfaces import SURFACE_NAMES
from .confidence import Calibration, calibration_of

__all__ = ["SCHEMA", "ModelCard", "Thresholds", "allowed_threads", "open_model"]

SCHEMA = "fiberward.model/1"
OUTPUTS = ("surface", "kind", "unseen", "unlike")


@dataclass(frozen=True)
class Thresholds:
    """When connected pixels count as a deposit; probabilities are of any deposit, 1 - P(clean).

    A piece is what stays connected at `grow` and has at least `min_px` pixels. It is a deposit if
    some pixel reaches `seed`, and unsure if its best pixel lies between `floor` and `seed`.
    """

    seed: float
    grow: float
    min_px: int
    floor: float

    def __post_init__(self) -> None:
        if not 0 < self.grow <= self.floor <= self.seed <= 1 or self.min_px < 1:
            raise ValueError(
                "expected 0 < grow <= floor <= seed <= 1 and min_px >= 1, got "
                f"grow {self.grow}, floor {self.floor}, seed {self.seed}, min_px {self.min_px}"
            )


@dataclass(frozen=True)
class ModelCard:
    """What a model file says about itself, plus its checksum; `id` is the file's stem.

    `confidence`: the part of `calibration` that corrects a deposit's confidence, if there is one.
    """

    id: str
    sha256: str
    um_per_px_range: tuple[float, float]
    thresholds: Thresholds
    calibration: dict[str, Any] | None
    scores: dict[str, Any] | None
    training_hash: str
    code_version: str
    created_at: str
    confidence: Calibration | None = None


def open_model(path: str | os.PathLike[str], threads: int | None = None) -> tuple[Any, ModelCard]:
    """An onnxruntime session for the file at `path`, and its card.

    `threads` None takes as many as the process may use. Raises ModelError, also where the shipped
    file is not the one that this version was released with.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        why = error.strerror or type(error).__name__
        raise ModelError(f"{path}: cannot read the model file ({why}); name another") from error
    sha256 = hashlib.sha256(data).hexdigest()
    if path == SHIPPED_MODEL and sha256 != SHIPPED_SHA256:
        raise ModelError(
            f"{path}: not the weights that this version ships (damaged or exchanged); install "
            "fiberward again, or name another file with --model"
        )
    session = _session(data, path, threads or allowed_threads())
    card = _card(dict(session.get_modelmeta().custom_metadata_map), sha256, path)
    _check_signature(session, path)
    return session, card


def allowed_threads() -> int:
    """The number of processors this process may run on."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _session(data: bytes, path: Path, threads: int) -> Any:
    import onnxruntime  # pyright: ignore[reportMissingTypeStubs]

    runtime: Any = onnxruntime
    runtime.disable_telemetry_events()
    options = runtime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    # planned memory comes on top of what the first run took: a third of the peak, for no time
    options.enable_mem_pattern = False
    # Waiting threads that spin cost nothing alone, but much on a machine that does other work.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    options.log_severity_level = 4  # what goes wrong is raised, not printed
    try:
        return runtime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    except Exception as error:  # onnxruntime has a dozen unrelated exception types for a bad file
        raise ModelError(
            f"{path}: not a usable ONNX file ({len(data)} bytes; it may be cut short or damaged); "
            "copy it again or take another model file"
        ) from error


def _card(metadata: dict[str, str], sha256: str, path: Path) -> ModelCard:
    found = metadata.get("fiberward.schema")
    if found != SCHEMA:
        named = f'schema "{found}"' if found else "no schema"
        raise ModelError(
            f'{path}: found {named}, expected "{SCHEMA}"; take a model file made for this version'
        )
    try:
        for key, names in (("surfaces", SURFACE_NAMES), ("kinds", KIND_NAMES)):
            labels = json.loads(metadata[key])
            if labels != list(names):
                raise ValueError(f"{key}: expected {list(names)}, got {labels}")
        low, high = (float(x) for x in json.loads(metadata["um_per_px_range"]))
        calibration = _table(metadata["calibration"])
        return ModelCard(
            id=path.stem,
            sha256=sha256,
            um_per_px_range=(low, high),
            thresholds=_thresholds(json.loads(metadata["thresholds"])),
            calibration=calibration,
            scores=_table(metadata["scores"]),
            training_hash=metadata["training_hash"],
            code_version=metadata["code_version"],
            created_at=metadata["created_at"],
            confidence=calibration_of(calibration),
        )
    except KeyError as error:
        raise ModelError(f"{path}: the file's metadata lacks {error}; export it again") from error
    except (TypeError, ValueError, AttributeError, OverflowError, RecursionError) as error:
        raise ModelError(f"{path}: wrong metadata: {error}; export the model again") from error


def _table(text: str) -> dict[str, Any] | None:
    value = json.loads(text)
    if value is not None and not isinstance(value, dict):
        raise ValueError(f"expected a table, got {text[:40]}")
    return cast("dict[str, Any] | None", value)


def _thresholds(table: dict[str, float]) -> Thresholds:
    """From {seed, grow, min_px}; floor may be given, else it is midway between grow and seed."""
    seed, grow = float(table["seed"]), float(table["grow"])
    floor = float(table.get("floor", (seed + grow) / 2))
    return Thresholds(seed=seed, grow=grow, min_px=int(table["min_px"]), floor=floor)


def _check_signature(session: Any, path: Path) -> None:
    inputs = [(node.name, node.type) for node in session.get_inputs()]
    outputs = {node.name for node in session.get_outputs()}
    if inputs != [("picture", "tensor(uint8)")] or not outputs.issuperset(OUTPUTS):
        raise ModelError(
            f"{path}: found inputs {inputs} and outputs {sorted(outputs)}, expected the input "
            f"picture (uint8) and the outputs {', '.join(OUTPUTS)}; export the model again"
        )

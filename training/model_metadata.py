"""What a model file says about itself, read and rewritten without touching the net.

A calibration belongs to the weights it was measured with: `kept_calibration` gives that of a file
about to be replaced only where the new file holds the very same weights.
"""

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..model.errors import ModelError
from .model_card import write_model_card

__all__ = ["kept_calibration", "read_metadata", "rewrite_metadata", "same_weights"]


def load(path: Path) -> Any:
    """An ONNX model in memory. Raises ModelError where there is none."""
    import onnx

    kit: Any = onnx
    try:
        return kit.load(str(path))
    except Exception as error:  # protobuf's decode errors share no type with the system's
        raise ModelError(f"{path}: not a usable ONNX file; name another") from error


def values_of(model: Any) -> dict[str, str]:
    """The model's own description, as text."""
    return {str(entry.key): str(entry.value) for entry in model.metadata_props}


def read_metadata(path: Path) -> dict[str, Any]:
    """The description of the file at `path`, JSON decoded where it is JSON."""
    return {key: decoded(value) for key, value in values_of(load(path)).items()}


def decoded(text: str) -> Any:
    """JSON where it is JSON, else the text."""
    try:
        return json.loads(text)
    except ValueError:
        return text


def rewrite_metadata(path: Path, out: Path, changes: Mapping[str, Any]) -> Path:
    """Write the model at `path` to `out` (may be the same) with some entries changed, and its card.

    The file gets its name only when it is whole. Gives the card's path.
    """
    import onnx

    kit: Any = onnx
    model = load(path)
    values = values_of(model) | {key: json.dumps(value) for key, value in changes.items()}
    kit.helper.set_model_props(model, values)
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".model-", dir=out.parent) as folder:
        waiting = Path(folder, out.name)
        kit.save_model(model, str(waiting), save_as_external_data=False)
        os.replace(waiting, out)
    return write_model_card(out, described(values, out))


def described(values: Mapping[str, str], path: Path) -> dict[str, Any]:
    """What the card tells, from the metadata."""
    about = {key: decoded(value) for key, value in values.items()}
    calibration: Any = about.get("calibration") or {}
    try:
        return about | {"numeric_form": calibration["numeric_form"]}
    except KeyError as error:
        raise ModelError(f"{path}: metadata without {error}; export the model again") from error


def same_weights(one: Any, other: Any) -> bool:
    """Whether two ONNX models hold the same numbers, whatever they are called."""
    return weights_hash(one) == weights_hash(other)


def weights_hash(model: Any) -> str:
    """SHA-256 over the sorted digests of all weights."""
    import onnx

    kit: Any = onnx
    digests = sorted(
        hashlib.sha256(
            repr((tuple(w.dims), int(w.data_type))).encode()
            + kit.numpy_helper.to_array(w).tobytes()
        ).hexdigest()
        for w in model.graph.initializer
    )
    return hashlib.sha256("".join(digests).encode()).hexdigest()


def kept_calibration(old: Path, model: Any) -> dict[str, Any] | None:
    """`thresholds`, `calibration`, `scores` of the file at `old` if it holds `model`'s weights.

    None where there is no such file, it holds other weights, or it was never calibrated.
    """
    if not old.exists():
        return None
    known = load(old)
    values: dict[str, Any] = {key: decoded(value) for key, value in values_of(known).items()}
    if "renders" not in (values.get("calibration") or {}) or not same_weights(known, model):
        return None
    return {key: values[key] for key in ("thresholds", "calibration", "scores")}

"""Where the shipped weights are."""

from pathlib import Path

__all__ = ["SHIPPED_MODEL", "SHIPPED_MODEL_CARD"]

# A real path, not a resource: onnxruntime opens files.
SHIPPED_MODEL = Path(__file__).parent / "weights" / "fiberward.onnx"
SHIPPED_MODEL_CARD = Path(__file__).parent / "weights" / "model-card.md"

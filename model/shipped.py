"""Where the shipped weights are, and what they must be."""

from pathlib import Path

__all__ = ["SHIPPED_MODEL", "SHIPPED_MODEL_CARD", "SHIPPED_SHA256"]

# A real path, not a resource: onnxruntime opens files.
SHIPPED_MODEL = Path(__file__).parent / "weights" / "fiberward.onnx"
SHIPPED_MODEL_CARD = Path(__file__).parent / "weights" / "model-card.md"
# New weights need theirs here; a test tells it.
SHIPPED_SHA256 = "9af044d6c8e00297252a64009f307d1b9c6c82c8120f32f090b0d109c6add45d"

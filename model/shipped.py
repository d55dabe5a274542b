"""Where the shipped weights are, and what they must be."""

from pathlib import Path

__all__ = ["SHIPPED_MODEL", "SHIPPED_MODEL_CARD", "SHIPPED_SHA256"]

# A real path, not a resource: onnxruntime opens files.
SHIPPED_MODEL = Path(__file__).parent / "weights" / "fiberward.onnx"
SHIPPED_MODEL_CARD = Path(__file__).parent / "weights" / "model-card.md"
# New weights need theirs here; a test tells it.
SHIPPED_SHA256 = "a71032341320f7bcebc8494d35595a927ba8acc9acb613255b58118be55ba72c"

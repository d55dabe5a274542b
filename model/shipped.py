"""Where the shipped weights are, and what they must be."""

from pathlib import Path

__all__ = ["SHIPPED_MODEL", "SHIPPED_MODEL_CARD", "SHIPPED_SHA256"]

# A real path, not a resource: onnxruntime opens files.
SHIPPED_MODEL = Path(__file__).parent / "weights" / "fiberward.onnx"
SHIPPED_MODEL_CARD = Path(__file__).parent / "weights" / "model-card.md"
# New weights need theirs here; a test tells it.
SHIPPED_SHA256 = "43509007df7800f4b567fbe1fab4890d30e6ede48ee4ee0843673bfabe78831a"

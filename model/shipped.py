"""Where the shipped weights are, and what they must be."""

from pathlib import Path

__all__ = ["SHIPPED_MODEL", "SHIPPED_MODEL_CARD", "SHIPPED_SHA256"]

# A real path, not a resource: onnxruntime opens files.
SHIPPED_MODEL = Path(__file__).parent / "weights" / "fiberward.onnx"
SHIPPED_MODEL_CARD = Path(__file__).parent / "weights" / "model-card.md"
# New weights need theirs here; a test tells it.
SHIPPED_SHA256 = "2d06feee226dcd38a4e36ef350bcc342b838b2ea9ba89db0f25440d59aeaa8a3"

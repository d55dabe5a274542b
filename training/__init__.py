"""Pictures and labels in, weights out."""

import os

# Nothing here goes online: onnxruntime reports its use, and albumentations asks for a newer version
# of itself, unless told not to before they are imported.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"
os.environ["NO_ALBUMENTATIONS_UPDATE"] = "1"

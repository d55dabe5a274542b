"""What runs on the workstation, without torch: see -> judge -> keep -> show."""

import os

# onnxruntime from 1.29 on reports its use to its maker, from a thread that starts as soon as it is
# imported; only this variable, set before that, stops it (its PR 27379). Nothing here goes online.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"

"""The folder of a user's own data; apart from the database, which takes long to import."""

import os
import sys
from pathlib import Path

__all__ = ["own_folder"]


def own_folder() -> Path:
    """Where a user's data belongs on this system."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "fiberward"

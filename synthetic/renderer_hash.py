"""Which renderer drew a picture, told by its source."""

import hashlib
from functools import cache
from pathlib import Path

__all__ = ["renderer_hash"]

# `shipped.py` changes with every net: truth files and kept renders would no longer be known
DRAWS_NOTHING = {
    "freed_memory.py",
    "net.py",
    "render_command.py",
    "render_work.py",
    "shipped.py",
    "workers.py",
}


@cache
def renderer_hash() -> str:
    """The first characters of the SHA-256 of all that decides how a render looks."""
    digest = hashlib.sha256()
    rooms = Path(__file__).parent.parent
    for room in ("model", "synthetic"):
        for path in sorted((rooms / room).glob("*.py")):
            if path.name not in DRAWS_NOTHING:
                digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:12]

"""What the page remembers of a retraining run, so that it can go on after days and a new start."""

import json
import re
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from ...keep.files import write_atomically

__all__ = ["RUN_FILE", "KeptRun", "read_run", "write_run"]

RUN_FILE = "retraining.json"
SCHEMA = "fiberward.desk-retraining/1"
# as `fiberward retrain` tells how far it is
STEP = re.compile(r"step (\d+) of (\d+): .*?([\d.]+) minutes left at most")
BEGINS = re.compile(r"(?:begins|goes on) at step (\d+) of (\d+)")


@dataclass(frozen=True)
class KeptRun:
    """A run: the new model's `name`, how far it is, and whether it is to go on.

    `open`: it was begun and has not ended. `step` of `of` is done; `left_min`: at most, None while
    nothing is known.
    """

    name: str
    open: bool = True
    step: int = 0
    of: int = 0
    left_min: float | None = None

    @classmethod
    def new(cls) -> "KeptRun":
        """One that begins now."""
        return cls(f"shop-{datetime.now(UTC):%Y-%m-%d-%H%M%S}")

    def told(self, line: str) -> "KeptRun":
        """This one after a line that the command said."""
        if found := STEP.search(line):
            step, of, left = found.groups()
            return replace(self, step=int(step), of=int(of), left_min=float(left))
        if found := BEGINS.search(line):
            return replace(self, step=int(found[1]), of=int(found[2]))
        return self


def read_run(folder: Path) -> KeptRun | None:
    """The run that a desk's folder remembers; None where there is none that can be read."""
    try:
        document = json.loads((folder / RUN_FILE).read_bytes())
        return KeptRun(**document) if document.pop("schema") == SCHEMA else None
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None


def write_run(folder: Path, run: KeptRun) -> None:
    """Remember a run."""
    document = {"schema": SCHEMA, **asdict(run)}
    write_atomically(folder / RUN_FILE, json.dumps(document).encode())

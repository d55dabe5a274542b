"""The shipped demonstration as a case of the desk."""

import shutil
from pathlib import Path

from ...record import utc_now
from ...see.connector_file import CONNECTOR_FILE, read_connector_file
from .job import PICTURES, Job, Shot
from .shelf import Case, Shelf

__all__ = ["begin_demo"]

DEMO = Path(__file__).parents[1] / "demo"


def begin_demo(shelf: Shelf) -> Case:
    """A new case with the pictures of an invented connector; without a label, so not recorded."""
    facts = read_connector_file(DEMO / CONNECTOR_FILE)
    shots = tuple(Shot(name, f"{turn:g}") for name, turn in facts.turns_deg.items())
    job = Job(
        created_at=utc_now(),
        shots=shots,
        ferrule_mm=f"{facts.ferrule_mm:g}",
        fiber_mode=facts.fiber_mode,
        stage=facts.stage,
    )
    case = shelf.begin(job)
    for shot in shots:
        shutil.copyfile(DEMO / shot.file, case.folder / PICTURES / shot.file)
    return case

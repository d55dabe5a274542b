"""The process that inspects one case of the desk: the pipeline of the command line, nothing else.

It runs apart from the server, so that a picture that takes all memory, or a person who cancels,
ends this process only. It tells of its progress in JSON lines on stdout.
"""

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from ....model.errors import FiberwardError, UsageError
from ...keep.find_records import history
from ...keep.history import standing_of
from ...keep.model_store import ModelStore
from ...keep.records import Records
from ...pipeline import Follow, Inspector, Result
from ...request import Request
from ...see.inputs import expand_inputs
from ...settings_file import settings_of_shop
from ..jobs import plan_jobs, run_jobs
from ..recorder import Recorder
from ..terminal import Terminal
from .extras import write_extras
from .job import PICTURES, Job, read_job, write_connector_file

__all__ = ["main"]

T = TypeVar("T")
Say = Callable[[Mapping[str, Any]], None]
INTERNAL = 5


def _print(message: Mapping[str, Any]) -> None:
    try:
        print(json.dumps(message), flush=True)
    except BrokenPipeError:
        os._exit(INTERNAL)  # the server died; the next one begins this case again


@dataclass(frozen=True)
class Telling(Terminal):
    """A terminal whose other end is the server; warnings go to the desk's own stderr."""

    say: Say = field(default=_print)

    def result(self, text: str, document: Mapping[str, Any]) -> None:
        """Nothing: the server reads the files."""

    def progress(self, items: Iterable[T], label: str, total: int | None = None) -> Iterator[T]:
        """The items; the server hears of each."""
        known = list(items)
        for done, item in enumerate(known):
            self.say({"step": "looking at the pictures", "done": done, "of": len(known)})
            yield item
        self.say({"step": "measuring and judging", "done": len(known), "of": len(known)})


class DeskInspector(Inspector):
    """An inspector that also leaves what the page shows, before the results themselves."""

    folder: Path

    def inspect(self, request: Request, follow: Follow = iter) -> Result:
        """As `Inspector.inspect`."""
        result = super().inspect(request, follow)
        write_extras(result, self.folder)
        return result


def inspect_case(folder: Path, settings: Mapping[str, Any], terminal: Terminal) -> int:
    """Inspect the case in `folder`, as `fiberward inspect` would; returns its exit code."""
    job = read_job(folder)
    if job is None or not job.shots:
        raise UsageError("there is no picture to inspect; add at least one")
    write_connector_file(folder, job)
    inputs = expand_inputs([folder / PICTURES])
    # the folder's name says nothing of the connector
    unnamed = tuple(replace(connector, name=None) for connector in inputs.connectors)
    plan = plan_jobs(replace(inputs, connectors=unnamed), job.options(), folder)
    stated = settings.get("model")
    model = Path(stated) if stated else ModelStore().active().onnx
    inspector = DeskInspector(model, settings_of_shop(), threads=settings.get("threads"))
    inspector.folder = folder
    db = settings.get("db")
    recorder = Recorder(db, same_cleaning(job, db)) if settings.get("record", True) else None
    try:
        return run_jobs(inspector, plan, terminal, recorder)
    finally:
        if recorder is not None:
            recorder.close()


def same_cleaning(job: Job, db: str | None) -> int | None:
    """Which cleaning an inspection looks at that goes on with the pictures of one before.

    Without being told, the records would refuse pictures that they know. None for any other job.
    """
    if not job.more or job.label is None or job.stage != "cleaned":
        return None
    with Records.open(db) as records:
        return standing_of(history(records, job.label, job.end), job.stage).attempt


def main(argv: Sequence[str]) -> int:
    """Inspect the case in the folder `argv[0]` with the settings (JSON) in `argv[1]`."""
    _volunteer_for_the_memory_killer()
    terminal = Telling(quiet=True)
    try:
        with terminal.in_charge():
            return inspect_case(Path(argv[0]), json.loads(argv[1]), terminal)
    except FiberwardError as error:
        terminal.say({"problem": " ".join(str(error).split())})
        return error.exit_code
    except Exception as error:
        line = " ".join(str(error).split())
        terminal.say({"problem": f"internal error, {type(error).__name__}: {line}"})
        return INTERNAL


def _volunteer_for_the_memory_killer() -> None:
    """Where memory runs out, Linux shall end this process, not the server."""
    try:
        with open("/proc/self/oom_score_adj", "w") as file:
            file.write("500")
    except OSError:
        pass  # another system, or not permitted: then the kernel chooses


if __name__ == "__main__":
    sys.stdout = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # what libraries print must not pass for progress
    sys.exit(main(sys.argv[1:]))

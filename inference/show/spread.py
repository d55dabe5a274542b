"""One archive on several processors, or on several machines that share its folders.

Workers only inspect and write results; each result folder is whole or not there, and a connector
whose results stand there is never inspected again (`show.resume`). So a worker may be lost, a
scheduler may be started again, and a run may be repeated: in the end every connector was inspected
once, and what the workers left is done by the caller, who also records and tells. The numbers are
those of one machine: each worker checks that it has the very same weights and program.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from ...model.errors import ModelError, UsageError
from ...model.version import code_version
from ...model.workers import on_cluster, on_processes
from ..pipeline import Inspector
from ..settings import Settings
from .jobs import Job
from .outputs import write_outputs
from .resume import finished

if TYPE_CHECKING:
    from .recorder import Recorder

__all__ = ["Work", "in_any_order", "inspect_job", "spread"]

Say = Callable[[str], None]


@dataclass(frozen=True)
class Work:
    """What every worker must agree on."""

    model: Path
    model_sha256: str
    settings: Settings
    threads: int = 1
    program: str = code_version()


_inspectors: dict[str, Inspector] = {}  # in a worker: the one it used last


def inspect_job(work: Work, job: Job) -> str:
    """In a worker: inspect a connector and write its results; says `done`, or what went wrong."""
    if work.program != code_version():
        raise ModelError(f"a worker runs version {code_version()}, not {work.program}")
    inspector = _inspectors.get(work.model_sha256)
    if inspector is None or inspector.settings != work.settings:
        inspector = Inspector(work.model, work.settings, work.threads)
        found = inspector.segmenter.card.sha256
        if found != work.model_sha256:
            raise ModelError(f"a worker's {work.model} is another file ({found[:12]})")
        _inspectors.clear()
        _inspectors[work.model_sha256] = inspector
    try:
        if finished(job.folder, job.request, inspector) is None:
            write_outputs(inspector.inspect(job.request), job.folder, job.request.pictures)
    except Exception as error:  # one connector's trouble: the caller meets it again and tells it
        return str(error)
    return "done"


def spread(
    inspector: Inspector,
    model: Path,
    jobs: Sequence[Job],
    recorder: "Recorder | None",
    where: tuple[int, str | None],
    say: Say,
) -> None:
    """Let workers inspect what they can with the model file that `inspector` uses.

    where: how many processes, and the address of a scheduler, if one is to be used instead.
    Left to the caller are connectors with earlier records and labels that occur twice, since there
    the order counts. Raises as `model.workers.on_cluster`.
    """
    count, address = where
    card = inspector.segmenter.card
    work = Work(model.absolute(), card.sha256, inspector.settings)
    chosen = [_absolute(job) for job in in_any_order(jobs, recorder)]
    if address is not None:
        on_cluster(work, chosen, address, say, inspect_job)
    else:
        on_processes(work, chosen, count, say, inspect_job)


def in_any_order(jobs: Sequence[Job], recorder: "Recorder | None") -> list[Job]:
    """The jobs whose order does not matter, with what the records add to the request."""
    if recorder is None:
        return list(jobs)
    labels = Counter(job.request.facts.label for job in jobs if job.request.labelled)
    chosen: list[Job] = []
    for job in jobs:
        if job.request.labelled and labels[job.request.facts.label] > 1:
            continue
        try:
            request = recorder.prepared(job.request)
        except UsageError:  # the caller meets it again and tells it; the others go on
            continue
        if request.follows is None:
            chosen.append(replace(job, request=request))
    return chosen


def _absolute(job: Job) -> Job:
    """A worker may stand in another folder."""
    pictures = tuple(path.absolute() for path in job.request.pictures)
    return Job(replace(job.request, pictures=pictures), job.folder.absolute())

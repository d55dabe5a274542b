"""One archive on several processors, or on several machines that share its folders.

Workers only inspect and write results; each result folder is whole or not there, and a connector
whose results stand there is never inspected again (`show.resume`). So a worker may be lost, a
scheduler may be started again, and a run may be repeated: in the end every connector was inspected
once, and what the workers left is done by the caller, who also records and tells. The numbers are
those of one machine: each worker checks that it has the very same weights and program.
"""

import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from importlib import import_module
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from ...model.errors import FiberwardError, MissingExtra, ModelError, UsageError
from ...model.version import code_version
from ..pipeline import Inspector
from ..settings import Settings
from .jobs import Job
from .outputs import write_outputs
from .recorder import Recorder
from .resume import finished

__all__ = ["Work", "in_any_order", "inspect_job", "on_cluster", "on_processes", "spread"]

Say = Callable[[str], None]
RunOne = Callable[["Work", Job], str]
LOST_TIMES = 3  # how often lost workers are replaced before the caller does the rest alone
GONE_S = 120.0  # how long a scheduler may be gone


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
    recorder: Recorder | None,
    where: tuple[int, str | None],
    say: Say,
) -> None:
    """Let workers inspect what they can with the model file that `inspector` uses.

    where: how many processes, and the address of a scheduler, if one is to be used instead.
    Left to the caller are connectors with earlier records and labels that occur twice, since there
    the order counts. Raises as `on_cluster`.
    """
    count, address = where
    card = inspector.segmenter.card
    work = Work(model.absolute(), card.sha256, inspector.settings)
    chosen = [_absolute(job) for job in in_any_order(jobs, recorder)]
    if address is not None:
        on_cluster(work, chosen, address, say)
    else:
        on_processes(work, chosen, count, say)


def in_any_order(jobs: Sequence[Job], recorder: Recorder | None) -> list[Job]:
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


def on_processes(
    work: Work, jobs: Sequence[Job], count: int, say: Say, run_one: RunOne = inspect_job
) -> int:
    """Inspect the jobs on so many processes of this machine; how many came to an end."""
    left = list(range(len(jobs)))
    for attempt in range(LOST_TIMES):
        if not left:
            break
        if attempt:
            say(f"a worker was lost; {len(left)} of {len(jobs)} connectors go to new ones")
        for index in _round(work, jobs, (left, count), run_one):
            left.remove(index)
            say(f"{len(jobs) - len(left)} of {len(jobs)} inspected")
    return len(jobs) - len(left)


def _round(
    work: Work, jobs: Sequence[Job], todo: tuple[list[int], int], run_one: RunOne
) -> Iterator[int]:
    """One set of processes: the indices of the jobs that ended; fewer than asked if one is lost."""
    indices, count = todo
    with ProcessPoolExecutor(count, mp_context=get_context("spawn")) as pool:
        waiting = {pool.submit(run_one, work, jobs[index]): index for index in indices}
        try:
            for future in as_completed(waiting):
                future.result()
                yield waiting[future]
        except BrokenProcessPool:
            return


def on_cluster(
    work: Work, jobs: Sequence[Job], address: str, say: Say, run_one: RunOne = inspect_job
) -> int:
    """Inspect the jobs on the Dask cluster whose scheduler is at `address`; how many ended.

    A lost worker's jobs go to others; a job that costs several workers is left to the caller. A
    scheduler that is gone is waited for, `GONE_S` at most.
    Raises MissingExtra without the package, ModelError where no scheduler answers.
    """
    distributed = _distributed()
    left = dict(enumerate(jobs))
    gone_since: float | None = None
    while left:
        try:
            with distributed.Client(address, timeout=10, set_as_default=False) as client:
                gone_since = None
                for index, killers in _ended(client, distributed, (work, left), run_one):
                    if killers:
                        say(f"{jobs[index].folder.name}: several workers were lost over it")
                    del left[index]
                    say(f"{len(jobs) - len(left)} of {len(jobs)} done with")
        except FiberwardError:
            raise
        except Exception as error:  # a lost scheduler shows as one of many types
            if not _is_loss(error, distributed):
                raise
            gone_since = gone_since or time.monotonic()
            if time.monotonic() - gone_since > GONE_S:
                raise ModelError(
                    f"{address}: no scheduler answers; start it again and repeat the command with "
                    "--resume"
                ) from error
            say(f"the scheduler at {address} does not answer; waiting for it")
            time.sleep(1.0)
    return len(jobs)


def _distributed() -> Any:
    """The package that speaks with a cluster. Raises MissingExtra."""
    try:
        return import_module("distributed")
    except ModuleNotFoundError as error:
        raise MissingExtra(
            "a cluster needs the packages of its extra: "
            "run pip install '.[cluster]' in Fiberward's folder"
        ) from error


def _ended(
    client: Any, distributed: Any, todo: tuple[Work, dict[int, Job]], run_one: RunOne
) -> Iterator[tuple[int, bool]]:
    """Each job as it ends: its index, and whether the cluster gave it up for lost workers."""
    work, left = todo
    futures = {
        client.submit(run_one, work, job, pure=False, retries=2): index
        for index, job in left.items()
    }
    for future in distributed.as_completed(list(futures), loop=client.loop):
        try:
            future.result()
        except distributed.scheduler.KilledWorker:
            yield futures[future], True
        else:
            yield futures[future], False


def _is_loss(error: Exception, distributed: Any) -> bool:
    """Whether an error means that the cluster, not the work, failed."""
    kinds = OSError, TimeoutError, CancelledError, distributed.client.CancelledError
    return isinstance(error, kinds)

"""The same work on many things: by processes of this machine, or by the workers of a cluster.

Workers may be lost and a scheduler may be started again: what was under way is then done anew, so
`run_one(work, item)` must leave either the whole result or none, and find its own work done when it
is asked twice. It and both its arguments travel between processes (pickle).
"""

import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from importlib import import_module
from multiprocessing import get_context
from typing import Any, TypeVar

from .errors import FiberwardError, MissingExtra, ModelError

__all__ = ["on_cluster", "on_processes"]

Work = TypeVar("Work")
Item = TypeVar("Item")
Say = Callable[[str], None]
LOST_TIMES = 3  # how often lost processes are replaced before the caller does the rest alone
GONE_S = 120.0  # how long a scheduler may be gone


def on_processes(
    work: Work,
    items: Sequence[Item],
    count: int,
    say: Say,
    run_one: Callable[[Work, Item], object],
) -> int:
    """Work on the items with so many processes of this machine; how many came to an end.

    Raises what `run_one` raises.
    """
    left = list(range(len(items)))
    for attempt in range(LOST_TIMES):
        if not left:
            break
        if attempt:
            say(f"a worker was lost; {len(left)} of {len(items)} connectors go to new ones")
        for index in _round(work, items, (left, count), run_one):
            left.remove(index)
            say(f"{len(items) - len(left)} of {len(items)} done")
    return len(items) - len(left)


def _round(
    work: Work,
    items: Sequence[Item],
    todo: tuple[list[int], int],
    run_one: Callable[[Work, Item], object],
) -> Iterator[int]:
    """One set of processes: the indices of what ended; fewer than asked if a process is lost."""
    indices, count = todo
    with ProcessPoolExecutor(count, mp_context=get_context("spawn")) as pool:
        waiting = {pool.submit(run_one, work, items[index]): index for index in indices}
        try:
            for future in as_completed(waiting):
                future.result()
                yield waiting[future]
        except BrokenProcessPool:
            return


def on_cluster(
    work: Work,
    items: Sequence[Item],
    address: str,
    say: Say,
    run_one: Callable[[Work, Item], object],
) -> int:
    """Work on the items with the Dask cluster whose scheduler is at `address`; how many ended.

    A lost worker's items go to others; one that costs several workers is left to the caller. A
    scheduler that is gone is waited for, `GONE_S` at most.
    Raises MissingExtra without the package, ModelError where no scheduler answers, and what
    `run_one` raises.
    """
    distributed = _distributed()
    left = dict(enumerate(items))
    gone_since: float | None = None
    while left:
        try:
            with distributed.Client(address, timeout=10, set_as_default=False) as client:
                gone_since = None
                for index, killers in _ended(client, distributed, (work, left), run_one):
                    if killers:
                        say(f"{items[index]}: several workers were lost over it")
                    del left[index]
                    say(f"{len(items) - len(left)} of {len(items)} done with")
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
    return len(items)


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
    client: Any,
    distributed: Any,
    todo: tuple[Work, dict[int, Item]],
    run_one: Callable[[Work, Item], object],
) -> Iterator[tuple[int, bool]]:
    """Each item as it ends: its index, and whether the cluster gave it up for lost workers."""
    work, left = todo
    futures = {
        client.submit(run_one, work, item, pure=False, retries=2): index
        for index, item in left.items()
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

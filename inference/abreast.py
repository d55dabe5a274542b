"""The same work on several things at once, where a second processor would stand idle."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

__all__ = ["abreast"]

Item = TypeVar("Item")
Done = TypeVar("Done")


def abreast(work: Callable[[Item], Done], items: Iterable[Item], at_once: int) -> Iterator[Done]:
    """`work` of each item, in the items' order; at most `at_once` are worked on at a time.

    Each answer must follow from its item alone: then it is the same however many go abreast. What
    `work` raises is raised here, and what has not begun by then is not begun. With 1 nothing runs
    but what is asked for, in the caller's own thread.
    """
    if at_once <= 1:
        yield from map(work, items)
        return
    pool = ThreadPoolExecutor(at_once, thread_name_prefix="fiberward")
    try:
        yield from pool.map(work, items)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)

"""What a render frees is kept for the next tensor instead of going back to the system."""

import ctypes
import platform
from functools import cache

__all__ = ["keep_freed_memory"]

# mallopt's parameters by number, as in glibc's malloc.h
TRIM_THRESHOLD, TOP_PAD, MMAP_MAX = -1, -2, -4
AHEAD_BYTES = 64 * 2**20


@cache
def keep_freed_memory() -> bool:
    """Make this process keep its freed memory from now on; False where the C library is another.

    A render on a CPU allocates tensors of tens of megabytes by the hundred. glibc maps each anew
    and unmaps it when freed, and the kernel clears every page again: a third of the time.
    """
    if platform.libc_ver()[0] != "glibc":
        return False
    libc = ctypes.CDLL(None)
    wanted = {MMAP_MAX: 0, TRIM_THRESHOLD: -1, TOP_PAD: AHEAD_BYTES}
    return all(libc.mallopt(name, value) == 1 for name, value in wanted.items())

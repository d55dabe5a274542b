"""Stand-ins for an inspection that other processes can import."""

import os
import signal
import time
from pathlib import Path


def touch(work, job) -> str:
    """Leave one line per inspection; the first process that meets `deadly` is killed over it."""
    time.sleep(work.threads / 100)
    mark = job.folder.parent / "deadly.met"
    if job.folder.name == "deadly" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    job.folder.mkdir(exist_ok=True)
    with Path(job.folder, "done").open("a") as stream:
        stream.write("inspected\n")
    return "done"

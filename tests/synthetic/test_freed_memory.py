"""Rendering keeps the memory it has, which spares the kernel clearing it again."""

import platform
import subprocess
import sys

import pytest

DRAW = """
import resource, sys
from fiberward.synthetic.freed_memory import keep_freed_memory
from fiberward.synthetic.render import RenderPlan, render_batch
if sys.argv[1] == "kept":
    assert keep_freed_memory()
plan = RenderPlan(1, 1, (480, 640), crop=False)
render_batch(plan, 1)
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
picture = render_batch(plan, 2).picture
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before, int(picture.sum()))
"""


def faults_and_picture(how: str) -> list[int]:
    """Pages that the kernel had to provide for one render, and the sum of the picture's bytes."""
    run = subprocess.run(
        [sys.executable, "-c", DRAW, how], capture_output=True, text=True, check=True
    )
    return [int(word) for word in run.stdout.split()]


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="needs glibc's mallopt")
def test_a_second_render_reuses_the_memory_of_the_first_and_is_the_same_picture() -> None:
    plain, kept = faults_and_picture("plain"), faults_and_picture("kept")
    assert kept[0] < 0.25 * plain[0]
    assert kept[1] == plain[1]

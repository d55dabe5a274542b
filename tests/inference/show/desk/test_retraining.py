"""A retraining run as the page starts, watches and stops it; the child here is a stand-in."""

import asyncio
import json
from typing import Any

import pytest

pytest.importorskip("starlette")

from fiberward.inference.show.desk import retraining
from fiberward.inference.show.desk.labelling import LABELS
from fiberward.inference.show.desk.retraining import Retraining

# Pauses when it is interrupted and ends with 1, as `fiberward retrain` does.
PAUSES = """
import signal, sys, time
signal.signal(signal.SIGINT, lambda *_: sys.exit(1))
print("x" * 200_000, flush=True)
time.sleep(30)
"""


async def answer(run: Retraining, path: str) -> dict[str, Any]:
    [endpoint] = [route.endpoint for route in run.routes() if route.path == path]
    return json.loads((await endpoint(None)).body)


async def until(run: Retraining, done: Any) -> dict[str, Any]:
    async with asyncio.timeout(20):
        while not done(told := await answer(run, "/retrain")):
            await asyncio.sleep(0.02)
    return told


@pytest.fixture
def run(tmp_path, monkeypatch) -> Retraining:
    (tmp_path / LABELS).mkdir()
    monkeypatch.setattr(retraining, "RUN", PAUSES)
    return Retraining(tmp_path, None)


def test_a_stopped_run_is_called_stopped_not_a_negative_answer(run):
    async def stopping() -> dict[str, Any]:
        await answer(run, "/retrain/start")
        await until(run, lambda told: len(told["lines"]) > 1)
        await answer(run, "/retrain/stop")
        return await until(run, lambda told: told["state"] != "running")

    assert asyncio.run(stopping())["state"].startswith("stopped")


def test_a_run_that_ends_with_1_by_itself_has_a_negative_answer(run, monkeypatch):
    monkeypatch.setattr(retraining, "RUN", "import sys; sys.exit(1)")

    async def waiting() -> dict[str, Any]:
        await answer(run, "/retrain/start")
        return await until(run, lambda told: told["state"] != "running")

    assert asyncio.run(waiting())["state"] == "done, with a negative answer"


def test_a_check_of_the_labels_is_not_called_a_retraining(run, monkeypatch):
    monkeypatch.setattr(retraining, "RUN", "")

    async def waiting(path: str) -> dict[str, Any]:
        await answer(run, path)
        return await until(run, lambda told: told["state"] != "running")

    told = asyncio.run(waiting("/retrain/check"))
    assert (told["task"], told["state"]) == ("Check", "done")
    assert asyncio.run(waiting("/retrain/start"))["task"] == "Retraining"


def test_a_line_of_any_sensible_length_is_cut_not_the_end_of_the_watch(run):
    async def watching() -> list[str]:
        await answer(run, "/retrain/start")
        told = await until(run, lambda told: len(told["lines"]) > 1)
        await run.close()
        return told["lines"]

    assert [len(line) for line in asyncio.run(watching())[1:]] == [retraining.MOST_LETTERS]


def test_nothing_is_imported_from_the_folder_that_the_desk_was_started_in(
    run, tmp_path, monkeypatch
):
    (tmp_path / "colorsys.py").write_text("")  # called as a module of Python's own
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(
        retraining, "RUN", "import colorsys; print(hasattr(colorsys, 'rgb_to_hsv'))"
    )

    async def waiting() -> list[str]:
        await answer(run, "/retrain/start")
        return (await until(run, lambda told: told["state"] != "running"))["lines"]

    assert asyncio.run(waiting())[1:] == ["True"]

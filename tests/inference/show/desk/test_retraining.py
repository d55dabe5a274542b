"""A retraining run as the page starts, watches and stops it; the child here is a stand-in."""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette")

from starlette.exceptions import HTTPException

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


def test_the_first_answer_already_names_the_run(run):
    async def starting() -> dict[str, Any]:
        told = await answer(run, "/retrain/start")
        await until(run, lambda told: len(told["lines"]) > 1)
        await answer(run, "/retrain/stop")
        await until(run, lambda told: told["state"] != "running")
        return told

    told = asyncio.run(starting())
    assert told["state"] == "running"
    assert told["run"]["name"].startswith("shop-")


def test_a_run_that_ends_with_1_by_itself_has_a_negative_answer(run, monkeypatch):
    monkeypatch.setattr(retraining, "RUN", "import sys; sys.exit(1)")

    async def waiting() -> dict[str, Any]:
        await answer(run, "/retrain/start")
        return await until(run, lambda told: told["state"] != "running")

    assert asyncio.run(waiting())["state"] == "done, with a negative answer"


def test_a_run_that_was_refused_says_so_and_is_not_offered_to_go_on(run, monkeypatch):
    monkeypatch.setattr(retraining, "RUN", "import sys; print('label more'); sys.exit(2)")

    async def waiting() -> dict[str, Any]:
        await answer(run, "/retrain/start")
        return await until(run, lambda told: told["state"] != "running")

    told = asyncio.run(waiting())
    assert told["state"] == "refused; its last line says why"
    assert told["lines"][-1] == "label more"
    assert not told["run"]["open"]


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


# Says how far it is, as `fiberward retrain` does, then pauses when it is interrupted.
LEARNS = """
import signal, sys, time
print("name:", sys.argv[sys.argv.index("--name") + 1], flush=True)
print("begins at step 0 of 40; score on the connectors that stop: 0.500 before", flush=True)
said = "step 10 of 40: loss 0.310, score 0.540 (best 0.540 at step 10)"
signal.signal(signal.SIGINT, lambda *_: sys.exit(1))
print(said + ", 2.5 minutes left at most", flush=True)
time.sleep(30)
"""


def test_a_stopped_run_goes_on_under_its_name_with_another_desk_on_another_day(
    run, tmp_path, monkeypatch
):
    monkeypatch.setattr(retraining, "RUN", LEARNS)

    async def begin_and_stop() -> dict[str, Any]:
        await answer(run, "/retrain/start")
        told = await until(run, lambda told: told["run"]["step"] == 10)
        assert told["run"] | {"name": ""} == {
            **{"name": "", "open": True, "step": 10, "of": 40, "left_min": 2.5}
        }
        await answer(run, "/retrain/stop")
        return await until(run, lambda told: told["state"] != "running")

    first = asyncio.run(begin_and_stop())
    assert first["state"].startswith("stopped")
    later = Retraining(tmp_path, None)

    async def go_on() -> dict[str, Any]:
        told = await answer(later, "/retrain")
        assert (told["state"], told["run"]["open"]) == ("not started", True)
        await answer(later, "/retrain/go-on")
        return await until(later, lambda told: len(told["lines"]) > 2)

    async def going_on() -> dict[str, Any]:
        told = await go_on()
        await later.close()
        return told

    told = asyncio.run(going_on())
    assert told["lines"][1] == f"name: {first['run']['name']}"


def test_the_desk_lets_a_run_pause_before_it_ends(run, tmp_path, monkeypatch):
    pauses = LEARNS.replace("sys.exit(1)", "(open('paused', 'w').close(), sys.exit(1))")
    monkeypatch.setattr(retraining, "RUN", pauses)
    monkeypatch.chdir(tmp_path)

    async def begin_and_close() -> None:
        await answer(run, "/retrain/start")
        await until(run, lambda told: told["run"]["step"] == 10)
        await run.close()

    asyncio.run(begin_and_close())
    assert (tmp_path / "paused").exists()
    assert Retraining(tmp_path, None).run.open


def test_a_run_that_has_ended_does_not_go_on_and_a_new_one_has_another_name(run, monkeypatch):
    monkeypatch.setattr(retraining, "RUN", "")

    async def through() -> dict[str, Any]:
        await answer(run, "/retrain/start")
        return await until(run, lambda told: told["state"] == "done")

    assert asyncio.run(through())["run"]["open"] is False
    with pytest.raises(HTTPException, match="no run was stopped"):
        asyncio.run(answer(run, "/retrain/go-on"))


def test_the_steps_are_told_as_the_command_tells_them():
    # the words are those of training/retrain.py, which another room may change
    source = Path(retraining.__file__).parents[3] / "training" / "retrain.py"
    if not source.exists():
        pytest.skip("training is not installed")
    text = source.read_text()
    assert "step {state.step} of {config.steps}: loss" in text
    assert "minutes left at most" in text
    assert "at step {trainer.state.step} of {config.steps}" in text

"""Exercises scored against drawn truth; the answer stays hidden until the learner has spoken."""

import json
import shutil
from typing import Any

import numpy as np
import pytest
from PIL import Image

from fiberward.inference.pipeline import Inspector
from fiberward.inference.request import Request
from fiberward.inference.see.connector_file import ConnectorFacts
from fiberward.inference.settings import Settings
from fiberward.inference.show.desk.exercise import Mark, Truth, score_machine, score_marks
from fiberward.inference.show.desk.extras import write_extras
from fiberward.inference.show.desk.job import Job, Shot, write_job
from fiberward.inference.show.outputs import write_outputs
from fiberward.model.kinds import Kind

GRAIN, LINT, SPECK = 1, 2, 3


@pytest.fixture
def truth() -> Truth:
    """A grain of 20 x 20 px, a thread of 2 x 40 px, a speck of 2 x 2 px; the limit is 5 px."""
    instances = np.zeros((100, 120), np.uint16)
    kinds = np.zeros((100, 120), np.uint8)
    for number, part, kind in (
        (GRAIN, np.s_[10:30, 10:30], Kind.PARTICLE),
        (LINT, np.s_[60:62, 40:80], Kind.LINT),
        (SPECK, np.s_[90:92, 100:102], Kind.PARTICLE),
    ):
        instances[part], kinds[part] = number, kind
    return Truth(instances, kinds, 5.0)


def test_marks_are_held_against_what_the_picture_can_show(truth):
    # in the grain; beside the thread, of the wrong kind; where nothing lies
    marks = [Mark(12, 12, Kind.PARTICLE), Mark(60, 66, Kind.FILM), Mark(110, 20, Kind.FILM)]
    score = score_marks(truth, marks)
    assert (score.asked, score.found, score.kind_right, score.false) == (2, 2, 1, 1)
    assert score.missed == ()


def test_what_was_missed_is_named_with_its_box_and_a_speck_too_small_to_show_is_not_asked(truth):
    score = score_marks(truth, [Mark(101, 91, Kind.PARTICLE)])
    assert (score.asked, score.found, score.false) == (2, 0, 0)
    assert [(each["kind"], each["box"]) for each in score.missed] == [
        ("particle", [10, 10, 30, 30]),
        ("lint", [40, 60, 80, 62]),
    ]


def test_two_marks_on_one_deposit_find_one_and_either_may_name_it(truth):
    score = score_marks(truth, [Mark(12, 12, Kind.FILM), Mark(28, 28, Kind.PARTICLE)])
    assert (score.found, score.kind_right, score.false) == (1, 1, 0)


def test_a_clean_picture_asks_for_nothing_and_every_mark_is_in_vain():
    clean = Truth(np.zeros((9, 9), np.uint16), np.zeros((9, 9), np.uint8), 2.0)
    score = score_marks(clean, [Mark(3, 3, Kind.LINT)])
    assert (score.asked, score.found, score.false) == (0, 0, 1)


def test_the_machine_is_held_against_the_same_truth(truth):
    kinds = np.zeros((100, 120), np.uint8)
    kinds[15:20, 15:20] = Kind.FILM  # in the grain, misnamed
    kinds[0:3, 60:63] = Kind.PARTICLE  # where nothing lies
    score = score_machine(truth, kinds)
    assert (score.asked, score.found, score.kind_right, score.false) == (2, 1, 0, 1)
    perfect = score_machine(truth, truth.kinds)
    assert (perfect.found, perfect.kind_right, perfect.false) == (2, 2, 0)


# -- on the desk ---------------------------------------------------------------------------------


@pytest.fixture
def exercise(desk, drawing, spot, reads_drawings) -> Any:
    """An exercise as the desk keeps one: a drawn connector with two spots, and their truth."""
    folder = desk.folder / "exercise"
    if folder.exists():
        shutil.rmtree(folder)
    paths = drawing.four((spot(600, 30, 90), spot(500, 200, 120, Kind.FILM)))
    facts = ConnectorFacts(ferrule_mm=2.5)
    request = Request(tuple(paths), (0, 0, 120, 240), facts)
    result = Inspector(reads_drawings, Settings(map_px=200)).inspect(request)
    folder.mkdir()
    write_extras(result, folder)
    write_outputs(result, folder, paths)
    for index, path in enumerate(paths):
        # a drawing's colours hold its truth: green 0 and blue 40 times the kind where there is dirt
        rgb = np.asarray(Image.open(path))
        kinds = np.where(rgb[..., 1] == 0, rgb[..., 2] // 40, 0).astype(np.uint8)
        Image.fromarray(kinds).save(folder / ".desk" / f"truth-{index}.deposits.png")
        instances = kinds.astype(np.uint16)  # one deposit of each kind
        Image.fromarray(instances).save(folder / ".desk" / f"truth-{index}.instances.png")
    shots = tuple(Shot(path.name) for path in paths)
    write_job(folder, Job("2026-01-02T03:04:05Z", shots, state="done", exercise=True))
    address = desk.get("/exercises").text.partition('href="/c/')[2].partition("/exercise")[0]
    return address, folder


def test_the_answer_is_hidden_until_the_learner_has_said_what_they_see(desk, exercise):
    key, folder = exercise
    answer = desk.get(f"/c/{key}")
    assert (answer.status, answer.headers["location"]) == (303, f"/c/{key}/exercise")
    assert desk.get(f"/c/{key}/exercise/truth/0").status == 409
    assert desk.get(f"/c/{key}/exercise/data").json["done"] is None
    assert f"/c/{key}" not in desk.get("/").text
    assert f"/c/{key}" not in desk.get("/label").text
    kinds = np.asarray(Image.open(folder / ".desk" / "truth-0.deposits.png"))
    rows, columns = np.nonzero(kinds == Kind.PARTICLE)
    marks = [[float(columns.mean()), float(rows.mean()), int(Kind.PARTICLE)]]
    told = desk.post(f"/c/{key}/exercise/marks", {"marks": [marks, [], [], []]})
    first = told.json["views"][0]
    assert (first["learner"]["asked"], first["learner"]["found"]) == (2, 1)
    assert [each["kind"] for each in first["learner"]["missed"]] == ["film"]
    assert first["machine"]["found"] == 2  # the stand-in for the net sees every drawn spot
    assert desk.get(f"/c/{key}/exercise/truth/0").status == 200
    assert desk.get(f"/c/{key}").status == 200
    assert desk.post(f"/c/{key}/exercise/marks", {"marks": [[]] * 4}).status == 409
    assert json.loads((folder / ".desk" / "exercise.json").read_bytes()) == told.json


def test_marks_that_are_none_are_refused_in_words(desk, exercise):
    key, folder = exercise
    rest: list[Any] = [[], [], []]
    rows = [[[1, 2]], [[1, 2, 0]], ["abc"], [["x", 2, 1]], [[1e999, 2, 1]], [[1, 2, 1]] * 301]
    for marks in (None, [], [[]] * 3, *([row, *rest] for row in rows)):
        answer = desk.post(f"/c/{key}/exercise/marks", {"marks": marks})
        assert answer.status == 422, marks
        assert answer.json["problem"].startswith("marks: expected")
    assert not (folder / ".desk" / "exercise.json").exists()


def test_an_ordinary_case_is_no_exercise(desk):
    key = desk.begin()
    assert desk.get(f"/c/{key}/exercise").status == 404
    assert desk.post(f"/c/{key}/exercise/marks", {"marks": []}).status == 404

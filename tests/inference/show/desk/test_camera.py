"""The desk's camera, with a folder of frames that stands in for one; the net is the shipped one."""

import io
import json
import os
import shutil
import signal
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageFilter

from fiberward.inference.keep.records import Records
from fiberward.inference.pipeline import Inspector
from fiberward.inference.request import Request
from fiberward.inference.see.connector_file import ConnectorFacts
from fiberward.inference.settings import Settings
from fiberward.inference.show.desk.job import Job, Shot, write_job
from fiberward.inference.show.desk.worker import same_cleaning

DEMO = Path(__file__).resolve().parents[4] / "inference" / "show" / "demo"
LIVE = 60  # s; a look takes much longer where the processor is shared


@pytest.fixture(scope="module")
def frames(tmp_path_factory) -> Path:
    """Of every four frames the third is sharp."""
    folder = tmp_path_factory.mktemp("frames")
    with Image.open(DEMO / "front.jpg") as picture:
        sharp = picture.reduce(2)
    for number in range(4):
        frame = sharp if number == 2 else sharp.filter(ImageFilter.GaussianBlur(2.5 + number / 5))
        frame.save(folder / f"{number}.png")
    return folder


@pytest.fixture(scope="module")
def desk(start_desk: Any, frames, tmp_path_factory) -> Any:
    folder = tmp_path_factory.mktemp("desk")
    running = start_desk(folder, 0, "", "--camera", str(frames))
    running.open()
    return running


def case_of(desk, key: str) -> dict[str, Any]:
    words = desk.post(f"/c/{key}/stated", {}).json["command"]
    [folder] = [each for each in desk.folder.iterdir() if each.name in words]
    return {"folder": folder, **json.loads((folder / "desk.json").read_bytes())}


@pytest.fixture
def key(desk, until) -> str:
    """A case before a camera that has been looked at."""
    made = desk.begin()
    desk.post(f"/c/{made}/stated", {"ferrule_mm": "2.5"})
    assert desk.post(f"/c/{made}/camera").status == 202
    until(lambda: desk.get("/camera").json.get("aid"), LIVE)
    return made


def test_the_sharpest_frame_of_a_burst_is_kept_as_it_is_with_the_turn_that_was_asked_for(
    desk, key, frames
):
    answer = desk.post(f"/c/{key}/take", {"turn": "0"})
    assert answer.status == 201, answer.text
    kept = case_of(desk, key)
    assert kept["shots"] == [{"file": "camera-1.png", "turn": "0"}]
    found = Image.open(kept["folder"] / "pictures" / "camera-1.png").convert("RGB")
    sharp = Image.open(frames / "2.png").convert("RGB")
    assert np.array_equal(np.asarray(found), np.asarray(sharp))
    assert 20 < answer.json["taken"]["limit_um"] < 80
    # the next of the usual four is wanted then
    assert "Picture 2 of 4" in desk.get(f"/c/{key}/camera").text


def test_the_live_picture_is_a_jpeg_for_this_browser_only(desk, key):
    answer = desk.get("/camera/frame")
    assert answer.headers["content-type"] == "image/jpeg"
    assert Image.open(io.BytesIO(answer.body)).size == (640, 480)
    assert desk.get("/camera/frame", cookie=None).status == 401
    assert desk.get("/camera", cookie=None).status == 401


def test_a_burst_can_be_cancelled_and_leaves_nothing(desk, key, until):
    answers: list[Any] = []
    asking = threading.Thread(target=lambda: answers.append(desk.post(f"/c/{key}/take", {})))
    asking.start()
    until(lambda: desk.get("/camera").json.get("burst"), LIVE)
    assert desk.post("/camera/cancel").status == 202
    asking.join()
    assert (answers[0].status, answers[0].json) == (422, {"problem": "cancelled"})
    assert case_of(desk, key)["shots"] == []


def test_a_case_that_is_no_draft_takes_no_picture(desk, key):
    assert desk.post("/c/0123456789ab/take", {}).status == 404
    assert desk.post("/c/0123456789ab/camera").status == 404


def test_a_camera_s_process_that_dies_is_told_and_started_again(desk, key, until):
    children = Path(f"/proc/{desk.process.pid}/task/{desk.process.pid}/children").read_text()
    [worker] = [
        int(pid)
        for pid in children.split()
        if b"camera_worker" in Path(f"/proc/{pid}/cmdline").read_bytes()
    ]
    os.kill(worker, signal.SIGKILL)
    told = until(lambda: (t := desk.get("/camera").json)["state"] == "failed" and t, 20)
    assert "ended unexpectedly" in told["problem"]
    assert desk.post(f"/c/{key}/take", {}).status == 409
    desk.post(f"/c/{key}/camera")
    until(lambda: desk.get("/camera").json["state"] == "on", LIVE)


def test_a_camera_that_nobody_looks_at_is_given_back(start_desk, frames, tmp_path, until):
    soon = "from fiberward.inference.show.desk import camera; camera.UNWATCHED_S = 0.5"
    desk = start_desk(tmp_path / "desk", 0, soon, "--camera", str(frames))
    desk.open()
    key = desk.begin()
    desk.post(f"/c/{key}/camera")
    children = Path(f"/proc/{desk.process.pid}/task/{desk.process.pid}/children")
    assert children.read_text().split()
    until(lambda: not children.read_text().split(), LIVE)
    assert desk.get("/camera").json["state"] == "off"


def test_what_a_camera_cannot_do_is_said_in_one_line(start_desk, tmp_path, until):
    (tmp_path / "film.mp4").write_bytes(b"no film")
    desk = start_desk(tmp_path / "desk", 0, "", "--camera", str(tmp_path / "film.mp4"))
    desk.open()
    key = desk.begin()
    desk.post(f"/c/{key}/camera")
    told = until(lambda: (t := desk.get("/camera").json)["state"] == "failed" and t, LIVE)
    assert told["problem"].endswith("film.mp4: no film that can be read")


def test_a_desk_without_a_camera_says_how_to_give_it_one(start_desk, tmp_path):
    desk = start_desk(tmp_path / "desk")
    desk.open()
    key = desk.begin()
    assert "fiberward desk --camera 0" in desk.get(f"/c/{key}/camera").text
    assert desk.post(f"/c/{key}/camera").status == 409
    assert "with the camera" not in desk.get("/").text


# -- the watched folder --------------------------------------------------------------------------


@pytest.fixture
def watching(start_desk, tmp_path) -> Any:
    (tmp_path / "in").mkdir()
    sooner = "from fiberward.inference.show.desk import watched\nwatched.SETTLE_S = 0.3"
    running = start_desk(tmp_path / "desk", 0, sooner, "--watch", str(tmp_path / "in"))
    running.open()
    return running


def test_a_connector_s_folder_becomes_a_case_with_its_facts_and_is_inspected(
    watching, tmp_path, until
):
    plug = tmp_path / "in" / "port 12"
    plug.mkdir()
    Image.new("RGB", (80, 60), "grey").save(plug / "front.png")
    (plug / "broken.png").write_bytes(b"not a picture")
    (plug / "connector.toml").write_text(
        'label = "rack 7, port 12"\nfamily = "1.25-apc"\nmatings_so_far = 3\n'
        '[[picture]]\nfile = "front.png"\nturn_deg = 120\n'
    )

    def inspected() -> Any:
        for folder in (tmp_path / "desk").glob("*/desk.json"):
            job = json.loads(folder.read_bytes())
            if job["state"] == "done":
                return job
        return None

    job = until(inspected, 120)
    facts = {name: job[name] for name in ("label", "ferrule_mm", "finish", "matings_so_far")}
    assert facts == {
        "label": "rack 7, port 12",
        "ferrule_mm": "1.25",
        "finish": "apc",
        "matings_so_far": "3",
    }
    assert job["shots"] == [{"file": "front.png", "turn": "120"}]
    assert any("broken.png" in line for line in watching.get("/watched").json["said"])
    # the same pictures again, in another folder, are not another connector
    shutil.copytree(plug, tmp_path / "in" / "port 13")
    said = "port 13: the same pictures as port 12"
    until(lambda: any(said in line for line in watching.get("/watched").json["said"]), 30)
    assert len(list((tmp_path / "desk").glob("*/desk.json"))) == 1


def test_loose_pictures_are_offered_and_go_where_a_person_says(watching, tmp_path, until):
    Image.new("RGB", (80, 60), "grey").save(tmp_path / "in" / "one.png")
    offered = until(lambda: watching.get("/watched").json["pictures"], 30)
    assert offered == ["one.png"]
    key = watching.begin()
    assert watching.post(f"/c/{key}/watched").json == {"taken": 1, "problems": []}
    assert (tmp_path / "in" / "one.png").exists()
    Image.new("RGB", (80, 60), "grey").save(tmp_path / "in" / "two.png")
    assert until(lambda: watching.get("/watched").json["pictures"], 30) == ["two.png"]
    Image.new("RGB", (90, 60), "grey").save(tmp_path / "in" / "one.png")  # another of that name
    until(lambda: watching.get("/watched").json["pictures"] == ["one.png", "two.png"], 30)


def test_a_folder_that_is_none_cannot_be_watched(start_desk, tmp_path):
    from fiberward.inference.show.desk.app import Desk
    from fiberward.model.errors import UsageError

    with pytest.raises(UsageError, match="is no folder"):
        Desk(tmp_path, 1, {"watch": tmp_path / "none"})
    with pytest.raises(UsageError, match="is where results go"):
        Desk(tmp_path, 1, {"watch": tmp_path})


# -- one more picture ----------------------------------------------------------------------------


@pytest.fixture
def two_seen(drawing, reads_drawings) -> Any:
    """The inspection of two pictures of a drawn connector, and the pictures."""
    paths = drawing.four()[:2]
    facts = ConnectorFacts(label="plug 9", ferrule_mm=2.5, stage="cleaned")
    inspector = Inspector(reads_drawings, Settings(map_px=200))
    return inspector.inspect(Request(tuple(paths), (0, 0), facts)), paths


def test_a_picture_is_added_to_those_there_are_with_the_turn_that_adds_most(
    start_desk, two_seen, tmp_path
):
    result, paths = two_seen
    wanted = result.inspection.next_picture
    assert wanted["tilt_deg"] > 0
    folder = tmp_path / "desk" / "case"
    (folder / "pictures").mkdir(parents=True)
    for path in paths:
        shutil.copy(path, folder / "pictures")
    replace(result.inspection, verdict="reshoot").write(folder / "inspection.json")
    shots = (Shot("a.png", "0"), Shot("front.png", "0"))
    job = Job("2026-01-02T03:04:05Z", shots, label="plug 9", stage="cleaned", state="done")
    write_job(folder, job)
    desk = start_desk(tmp_path / "desk")
    desk.open()
    old = desk.get("/").text.partition('href="/c/')[2].partition('"')[0]
    assert 'id="more"' in desk.get(f"/c/{old}").text
    new = desk.post(f"/c/{old}/more").json["key"]
    kept = case_of(desk, new)
    assert [shot["file"] for shot in kept["shots"]] == ["a.png", "front.png"]
    assert (kept["folder"] / "pictures" / "a.png").read_bytes() == paths[1].read_bytes()
    assert (kept["label"], kept["state"], kept["more"]) == ("plug 9", "draft", True)
    assert f"the side at {wanted['turn_deg']:.0f} degrees" in desk.get(f"/c/{new}").text
    # a cleaning that was judged is another matter
    replace(result.inspection, verdict="clean-first").write(folder / "inspection.json")
    os.utime(folder / "inspection.json", (1, 1))  # certainly another time of change
    assert 'id="more"' not in desk.get(f"/c/{old}").text
    assert desk.post(f"/c/{old}/more").status == 409


def test_pictures_that_the_records_know_are_taken_again_for_the_same_cleaning(two_seen, tmp_path):
    result, _ = two_seen
    db = str(tmp_path / "records.db")
    job = Job("2026-01-02T03:04:05Z", label="plug 9", stage="cleaned", more=True)
    with Records.open(db) as records:
        records.add(replace(result.inspection, verdict="reshoot"))
    assert same_cleaning(job, db) == 1
    assert same_cleaning(replace(job, more=False), db) is None
    assert same_cleaning(replace(job, stage="mated"), db) is None

"""The checkup finds what is broken, and only that."""

import json
import os
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from fiberward.inference.show import app, checkup
from fiberward.inference.show.checkup import (
    check_everything,
    check_extra,
    check_model,
    check_package,
    check_single_cv2,
    check_threads,
    check_writable,
)

PROJECT = tomllib.loads((Path(__file__).parents[3] / "pyproject.toml").read_text())["project"]


def distributions(requirements: list[str]) -> set[str]:
    return {re.split(r"[<>=\[ ]", line)[0] for line in requirements}


def test_it_looks_at_exactly_the_packages_that_the_install_asks_for():
    assert set(checkup.REQUIRED_PACKAGES) == distributions(PROJECT["dependencies"])
    extra = PROJECT["optional-dependencies"]["train"]
    assert set(checkup.TRAINING_PACKAGES) == distributions(extra)


@pytest.mark.parametrize("distribution", checkup.REQUIRED_PACKAGES)
def test_every_package_of_the_plain_install_is_found_here(distribution: str):
    finding = check_package(distribution, checkup.REQUIRED_PACKAGES[distribution])
    assert finding.state == "ok"
    assert re.match(r"\d+\.", finding.detail)


def test_a_missing_package_is_broken_and_says_what_to_install():
    finding = check_package("no-such-package", "no_such_package")
    assert finding.state == "broken"
    assert finding.detail.endswith("run pip install no-such-package")


def test_a_package_that_fails_on_import_is_broken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    (tmp_path / "damaged_for_test.py").write_text("raise OSError('libGL.so.1: cannot open')")
    monkeypatch.syspath_prepend(tmp_path)
    finding = check_package("damaged-for-test", "damaged_for_test")
    assert (finding.state, "libGL.so.1" in finding.detail) == ("broken", True)


def test_two_packages_that_bring_cv2_are_broken(monkeypatch: pytest.MonkeyPatch):
    assert check_single_cv2().state == "ok"
    both = {"cv2": ["opencv-python", "opencv-python-headless", "opencv-python"]}
    monkeypatch.setattr("importlib.metadata.packages_distributions", lambda: both)
    finding = check_single_cv2()
    assert finding.state == "broken"
    assert "opencv-python and opencv-python-headless overwrite each other" in finding.detail


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="no affinity on this system")
def test_the_threads_are_those_allowed_not_those_present():
    allowed = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(allowed)})
    try:
        finding = check_threads()
    finally:
        os.sched_setaffinity(0, allowed)
    assert finding.detail.startswith("1 allowed, of ")


def test_the_shipped_model_is_found_and_computes():
    model, self_test = check_model(checkup.SHIPPED_MODEL)
    assert (model.state, self_test.state) == ("ok", "ok")
    assert re.search(r"sha256 [0-9a-f]{64}, schema fiberward\.model/1$", model.detail)


@pytest.mark.parametrize("content", [None, b"", b"no model" * 100])
def test_a_missing_or_damaged_model_is_broken(content: bytes | None, tmp_path: Path):
    path = tmp_path / "other.onnx"
    if content is not None:
        path.write_bytes(content)
    [finding] = check_model(path)
    assert finding.state == "broken"
    assert str(path) in finding.detail


class Answer:
    """What a net might say; `deposit_p` is what the test sets."""

    unlike = 0.0

    def __init__(self, deposit_p: np.ndarray) -> None:
        self.deposit_p = deposit_p


@pytest.mark.parametrize(
    ("deposit_p", "state"),
    [
        (np.full(checkup.SELF_TEST_HW, 0.5), "ok"),
        (np.full(checkup.SELF_TEST_HW, np.nan), "broken"),
        (np.full(checkup.SELF_TEST_HW, 1.5), "broken"),
        (np.full((3, 3), 0.5), "broken"),
    ],
)
def test_the_self_test_wants_probabilities_of_the_pictures_size(deposit_p: np.ndarray, state: str):
    assert checkup.self_test(lambda _: Answer(deposit_p)).state == state


def test_a_net_that_fails_is_broken():
    def fail(_: object) -> None:
        raise RuntimeError("no kernel for this operator")

    finding = checkup.self_test(fail)
    assert (finding.state, "no kernel" in finding.detail) == ("broken", True)


def test_a_folder_that_cannot_be_written_is_broken(tmp_path: Path):
    assert check_writable("here", tmp_path).state == "ok"
    assert list(tmp_path.iterdir()) == []
    assert check_writable("here", tmp_path / "gone").state == "broken"


def test_a_missing_extra_is_worth_a_note_and_breaks_nothing():
    finding = check_extra("extra", ("numpy", "no-such-package"))
    assert finding.state == "note"
    assert finding.detail.startswith("no-such-package not installed")
    assert check_extra("extra", ("numpy",)).state == "ok"


def test_it_exits_with_4_when_something_needed_is_broken(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    monkeypatch.setattr(checkup, "SHIPPED_MODEL", tmp_path / "gone.onnx")
    assert app.main(["doctor", "--json"]) == 4
    document = json.loads(capsys.readouterr().out)
    assert document["usable"] is False
    states = {finding["name"]: finding["state"] for finding in document["findings"]}
    assert [name for name, state in states.items() if state == "broken"] == ["model"]


def test_text_and_json_tell_the_same(capsys: pytest.CaptureFixture[str]):
    app.main(["doctor", "--json"])
    document = json.loads(capsys.readouterr().out)
    app.main(["doctor"])
    text = capsys.readouterr().out
    assert document["schema"] == "fiberward.checkup/1"
    assert len(document["findings"]) == len(check_everything(Path.cwd()))
    for finding in document["findings"]:
        assert finding["name"] in text
        assert finding["detail"] in text

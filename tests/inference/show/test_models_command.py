"""`fiberward models`: what a person sees and may do."""

import json
import shutil
from pathlib import Path

import pytest

from fiberward.inference.show.app import main
from fiberward.model.shipped import SHIPPED_MODEL


@pytest.fixture
def models(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store with one net that the gate let pass and one that it refused."""
    for name, passed in (("good", True), ("bad", False)):
        (tmp_path / name).mkdir()
        shutil.copyfile(SHIPPED_MODEL, tmp_path / name / f"{name}.onnx")
        gate = {"passed": passed, "reasons": ["worse: renders, dirt found: 0.9 -> 0.6"]}
        about = {"gate": gate, "parent": {"name": "shipped"}, "created_at": "2026-01-02T03:04:05Z"}
        (tmp_path / name / "retrain.json").write_text(json.dumps(about))
    monkeypatch.setenv("FIBERWARD_MODELS", str(tmp_path))
    return tmp_path


def active(capsys: pytest.CaptureFixture[str]) -> str:
    capsys.readouterr()
    assert main(["models", "list", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["models"]
    return next(row["name"] for row in rows if row["active"])


@pytest.mark.usefixtures("models")
def test_a_net_is_activated_and_rolled_back(capsys: pytest.CaptureFixture[str]) -> None:
    assert active(capsys) == "shipped"
    assert main(["models", "activate", "good"]) == 0
    assert active(capsys) == "good"
    assert main(["models", "rollback", "--reason", "odd answers"]) == 0
    assert active(capsys) == "shipped"


@pytest.mark.usefixtures("models")
def test_a_refused_net_needs_a_reason(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["models", "activate", "bad"]) == 2
    assert "the gate refused bad (worse: renders, dirt found" in capsys.readouterr().err
    assert active(capsys) == "shipped"
    assert main(["models", "activate", "bad", "--despite", "only barrels are seen here"]) == 0
    assert active(capsys) == "bad"


@pytest.mark.usefixtures("models")
def test_show_tells_parent_gate_and_reasons(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["models", "show", "bad"]) == 0
    out = capsys.readouterr().out
    assert "parent shipped, gate refused" in out
    assert "worse: renders, dirt found: 0.9 -> 0.6" in out


def test_an_inspection_names_the_active_net(
    models: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from PIL import Image

    picture = tmp_path / "grey.png"
    Image.new("RGB", (96, 64), (90, 90, 90)).save(picture)
    assert main(["models", "activate", "good"]) == 0
    main(["inspect", "--out", str(tmp_path / "out"), "--no-record", str(picture)])
    document = json.loads((tmp_path / "out" / "inspection.json").read_text())
    assert document["model"]["id"] == "good"
    (models / "good" / "good.onnx").unlink()
    capsys.readouterr()
    assert main(["inspect", "--out", str(tmp_path / "out2"), str(picture)]) == 4
    assert "the active model's file is gone" in capsys.readouterr().err

"""Export: one self-contained file that agrees with torch, or none."""

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch

from fiberward.inference.see.segment import Segmenter
from fiberward.model.errors import ModelError, TrainingError
from fiberward.model.net import SightNet
from fiberward.model.shipped import SHIPPED_MODEL
from fiberward.synthetic.render import RenderPlan, Renders
from fiberward.training import export as export_module
from fiberward.training.evaluate import as_text, evaluate_views, rendered_views, summarise
from fiberward.training.export import Exported, compare, export_net, export_run, um_per_px_range
from fiberward.training.loop import train
from fiberward.training.model_metadata import rewrite_metadata
from fiberward.training.reliability import JudgedPiece
from fiberward.training.source import Source

from .fake import TINY, fake_source, tiny_config

ABOUT: dict[str, Any] = {
    "um_per_px_range": [1.0, 9.0],
    "training_hash": "none",
    "scores": None,
    "training": {"step": 0, "steps": 1},
}


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A training run of a few steps."""
    folder = tmp_path_factory.mktemp("run")
    train(tiny_config(), fake_source, folder, None)
    return folder


@pytest.fixture(scope="module")
def exported(run: Path) -> Iterator[Exported]:
    """That run, exported once; what torch's exporter wrote serves the other tests too."""
    real, traced = export_module.trace, run / "traced.onnx"

    def trace_once(net: SightNet, path: Path) -> None:
        if not traced.exists():
            real(net, traced)
        shutil.copy(traced, path)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(export_module, "trace", trace_once)
        yield export_run(run, run / "out" / "tiny.onnx", fake_source, int8=False)


def test_the_file_agrees_on_enough_pictures_of_four_shapes(exported: Exported) -> None:
    assert exported.agreement.pictures >= 20
    assert exported.agreement.shapes == 4
    assert exported.agreement.max_dp <= 0.02
    assert min(exported.agreement.surface, exported.agreement.kind) >= 0.999


def test_only_the_model_and_its_card_are_written(exported: Exported) -> None:
    names = sorted(p.name for p in exported.path.parent.iterdir())
    assert names == ["model-card.md", "tiny.onnx"]


def test_the_file_opens_for_inspection_and_tells_what_it_is(exported: Exported) -> None:
    card = Segmenter(exported.path, 1).card
    assert card.id == "tiny"
    assert card.um_per_px_range[0] < card.um_per_px_range[1]
    assert (card.thresholds.seed, card.thresholds.grow) == (0.7, 0.4)
    assert len(card.training_hash) == 64
    assert card.sha256 in exported.card.read_text()
    assert "Not measured." in exported.card.read_text()


@pytest.mark.parametrize("which", ["exported", "shipped"])
def test_the_file_names_no_folder_of_the_machine_that_made_it(
    exported: Exported, which: str
) -> None:
    path = exported.path if which == "exported" else SHIPPED_MODEL
    assert b"runtime_form.py" not in path.read_bytes()
    assert b'File "' not in path.read_bytes()


def test_large_weights_are_stored_in_half_precision(exported: Exported) -> None:
    import onnx

    graph = onnx.load(str(exported.path)).graph
    stored = [onnx.numpy_helper.to_array(w) for w in graph.initializer]
    assert any(w.dtype == np.float16 for w in stored)
    assert all(w.size < 256 for w in stored if w.dtype == np.float32)


def test_a_file_of_other_weights_is_refused_and_not_written(
    tmp_path: Path, exported: Exported, monkeypatch: pytest.MonkeyPatch
) -> None:
    torch.manual_seed(7)
    other = SightNet(TINY).eval()
    with pytest.raises(TrainingError, match="differs from torch"):
        export_net(other, tmp_path / "wrong.onnx", fake_source, False, ABOUT)
    assert list(tmp_path.iterdir()) == []


def test_where_half_precision_is_too_coarse_more_weights_stay_whole(
    tmp_path: Path, run: Path, exported: Exported, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same net under a limit that its rounding misses."""
    import onnx

    limit = exported.agreement.max_dp / 2
    monkeypatch.setitem(export_module.LIMITS, "float16", (limit, 0.0))
    monkeypatch.setattr(export_module, "SMALL", (256, 10**9))
    made = export_run(run, tmp_path / "near.onnx", fake_source, int8=False)
    assert made.agreement.max_dp <= limit
    stored = onnx.load(str(made.path)).graph.initializer
    assert not any(onnx.numpy_helper.to_array(w).dtype == np.float16 for w in stored)


def test_too_few_pictures_are_no_proof(exported: Exported) -> None:
    net = SightNet(TINY).eval()
    few = export_module.agreement_pictures(fake_source)[:3]
    with pytest.raises(TrainingError, match="18 pictures of 3 shapes"):
        export_module.refuse_unless_close(compare(net, exported.path, few), "float16")


def test_a_run_without_a_checkpoint_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="no checkpoint"):
        export_run(tmp_path, tmp_path / "a.onnx", fake_source, int8=False)


def test_int8_convolutions_stay_near_torch(
    tmp_path: Path, run: Path, exported: Exported, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(export_module, "CALIBRATION_SIZE_HW", (64, 96))
    monkeypatch.setitem(export_module.LIMITS, "int8", (0.2, 0.9))  # a net of few steps wavers
    done = export_run(run, tmp_path / "int8.onnx", fake_source, int8=True)
    assert done.size_bytes != exported.size_bytes
    import onnx

    kinds = {node.op_type for node in onnx.load(str(done.path)).graph.node}
    assert "QuantizeLinear" in kinds
    assert 0 < done.agreement.max_dp <= 0.2


def test_the_range_of_scales_is_that_of_the_rendered_scenes() -> None:
    low, high = um_per_px_range(tiny_config())
    assert 0 < low < high


def test_exporting_the_same_weights_again_keeps_what_calibration_found(
    run: Path, exported: Exported, monkeypatch: pytest.MonkeyPatch
) -> None:
    traced = run / "traced.onnx"
    monkeypatch.setattr(export_module, "trace", lambda _net, path: shutil.copy(traced, path))
    out = exported.path.parent / "again" / "tiny.onnx"
    out.parent.mkdir()
    shutil.copy(exported.path, out)
    limits = {"seed": 0.8, "grow": 0.3, "min_px": 16, "floor": 0.6}
    found = {"numeric_form": "float16", "renders": {"fit": 9}, "confidence": None}
    rewrite_metadata(out, out, {"thresholds": limits, "calibration": found})
    scores = {"recall_dirt": {"value": 0.9, "low": 0.8, "high": 0.95, "n": 80}}
    done = export_run(run, out, fake_source, False, scores)
    card = Segmenter(out, 1).card
    assert done.kept
    assert (card.thresholds.seed, card.thresholds.min_px) == (0.8, 16)
    assert (card.calibration, card.scores) == (found, scores)
    assert not exported.kept


def test_an_evaluation_gives_every_figure_with_n_and_interval(exported: Exported) -> None:
    model = Segmenter(exported.path, 1)
    scores = evaluate_views(model, rendered_views(fake_source, 3, (64, 96)))
    document = json.loads(json.dumps(summarise(scores, model, "fakes")))
    assert document["views"] == 3
    assert set(document["headline"]["surfaces_mean_iou"]) == {"value", "low", "high", "n"}
    # the fakes' first picture of each batch is a blank, so no deposit was there to be found
    assert document["headline"]["recall"]["value"] is None
    assert document["clean_views"] == 3
    assert "not measured" in as_text(document)


def test_an_evaluation_gives_detection_by_kind_and_the_calibration_error(
    exported: Exported,
) -> None:
    model = Segmenter(exported.path, 1)
    wide = replace_plan(fake_source)
    pieces: list[JudgedPiece] = []
    scores = evaluate_views(model, rendered_views(wide, 4, (64, 96)), pieces)
    document = json.loads(json.dumps(summarise(scores, model, "fakes", pieces)))
    shown = document["deposits_shown"]
    assert shown > 0
    assert document["detection"]["particle"]["px"]["n"] == shown
    # one size throughout: no model of size can be fitted, and the line says so
    assert document["detection"]["particle"]["px"]["why_not"]
    assert document["detection"]["particle"]["px"]["a90"] is None
    assert document["reliability"]["pieces"] == len(pieces)
    assert "probability of detection" in as_text(document)


def replace_plan(source: Source) -> Source:
    """The source with one scene more than asked, so that not all of its pictures are blanks."""

    def more(plan: RenderPlan, seed: int) -> Renders:
        return source(replace(plan, scenes=plan.scenes + 1), seed)

    return more

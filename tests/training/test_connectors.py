"""Whole connectors: what counts as dirty, what the zones alone let through, and going on."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fiberward.inference.pipeline import Inspector
from fiberward.inference.see.model_file import ModelCard, Thresholds
from fiberward.inference.see.segment import Segmentation
from fiberward.training import connectors as module
from fiberward.training.connector_figures import (
    as_text,
    connector_figures,
    write_connector_page,
)
from fiberward.training.connectors import (
    ConnectorsPlan,
    compared,
    inspected,
    inspected_connectors,
    touches_zones,
)
from fiberward.training.intervals import share
from fiberward.training.placing import placed_particles

CARD = ModelCard("blind", "0" * 64, (1.0, 9.0), Thresholds(0.7, 0.4, 12, 0.55), None, None, "", "",
                 "")  # fmt: skip
PLAN = ConnectorsPlan(1, views=2, size_hw=(384, 512), threads=1)


class Blind:
    """A net that sees nothing."""

    card = CARD

    def __call__(self, rgb: Any) -> Segmentation:
        plain, nothing = np.zeros(rgb.shape[:2], np.uint8), np.zeros(rgb.shape[:2], np.float32)
        return Segmentation(plain, plain, nothing, nothing, 0.0, None, 12)


def row(verdict: str, **changes: Any) -> dict[str, Any]:
    """A dirty connector's row."""
    plain: dict[str, Any] = {
        "seed": 4, "model": {"id": "m", "sha256": "0"}, "verdict": verdict, "dirty": True,
        "spotless": False, "zones_touched": False, "deposits": 3, "listed": 5,
        "particles_shown": 2, "placed": [{"distance_um": 20.0, "log2_size": -0.5}],
        "views": [{"readable": True, "scale_error": 0.01, "tilt_error_deg": 1.0},
                  {"readable": False, "scale_error": None, "tilt_error_deg": None}],
    }  # fmt: skip
    return plain | changes


def test_the_zones_alone_pass_what_lies_beyond_them() -> None:
    """Graded zones: out to 250 um diameter (IEC 61300-3-35)."""
    at = {"surface": "endface", "s_um": 200.0, "size_um": 100.0}
    assert not touches_zones(at)
    assert touches_zones(at | {"size_um": 160.0})
    assert touches_zones(at | {"s_um": 100.0, "size_um": None})
    assert not touches_zones(at | {"surface": "cavity", "s_um": 100.0})


def test_the_line_that_matters_counts_both_ways() -> None:
    rows = [
        row("mate"), row("clean-first"), row("reshoot", zones_touched=True), row("clean-first"),
        row("mate", dirty=False, spotless=True), row("reshoot", dirty=False, spotless=True, seed=9),
    ]  # fmt: skip
    document = json.loads(json.dumps(connector_figures(rows)))
    figures = document["figures"]
    assert figures["dirty_passed_by_zones_alone"] == share(3, 4).as_dict()
    assert figures["dirty_called_mate"] == share(1, 4).as_dict()
    assert figures["dirty_called_reshoot"]["value"] == 0.25
    assert figures["spotless_not_called_mate"] == share(1, 2).as_dict()
    assert (document["missed"], document["alarms"]) == ([4], [9])
    assert figures["listed_beyond_truth"]["value"] == 2.0
    assert figures["placed_share"]["value"] == 0.5
    assert figures["size_error_log2"]["value"] == 0.5
    # half of the views are infinitely wrong, so the median is not known
    assert figures["scale_error"]["value"] is None
    assert "passes 3 of 4" in as_text(document)
    assert "Fiberward passes 1 of 4" in as_text(document)


def test_the_page_says_the_line_and_names_the_wrong_ones(tmp_path: Path) -> None:
    document = connector_figures([row("mate"), row("clean-first", seed=7)])
    page = write_connector_page(document, tmp_path)
    text = page.read_text()
    assert "passes 2 of 2" in text
    assert "Dirty called mate: 4." in text
    assert json.loads((tmp_path / "connectors.json").read_text())["dirty"] == 2


def test_particles_pair_one_to_one_after_a_common_turn() -> None:
    """By hand: three on a circle of 1000 um, listed 3 deg on and 20 um farther out."""
    true = [{"surface": "chamfer", "s_um": 1000.0, "theta_deg": t, "size_um": 40.0}
            for t in (10.0, 120.0, 355.0)]  # fmt: skip
    listed = [t | {"s_um": 1020.0, "theta_deg": (t["theta_deg"] + 3) % 360, "size_um": 80.0}
              for t in true]  # fmt: skip
    listed += [listed[0] | {"surface": "endface"}, listed[0] | {"theta_deg": None}]
    pairs = placed_particles(true, listed, 1249.5)
    assert [p["distance_um"] for p in pairs] == pytest.approx([20.0] * 3)
    assert [p["log2_size"] for p in pairs] == pytest.approx([1.0] * 3)
    assert placed_particles(true, [], 1249.5) == []


def test_what_lies_too_far_off_is_not_placed() -> None:
    true = [{"surface": "barrel", "s_um": 4000.0, "theta_deg": 0.0, "size_um": 40.0}]
    # an arc of 30 deg on the barrel, whose radius counts: 654 um, less 4 deg of turn
    listed = [true[0] | {"theta_deg": 30.0}]
    assert placed_particles(true, listed, 1249.5) == []
    near = placed_particles(true, [true[0] | {"theta_deg": 14.0}], 1249.5)
    assert near[0]["distance_um"] == pytest.approx(np.radians(10) * 1249.5)


@pytest.fixture(scope="module")
def blind_row() -> dict[str, Any]:
    """A rendered connector, inspected by a net that sees nothing."""
    for seed in range(9):
        found = inspected(Inspector(Blind()), PLAN, seed)
        if found["dirty"]:
            return found
    raise AssertionError("nine connectors, none of them dirty")


def test_a_blind_net_calls_nothing_mate_and_true_masks_call_dirt_dirt(blind_row: Any) -> None:
    assert blind_row["verdict"] == "reshoot"
    assert blind_row["verdict_of_true_masks"] == "clean-first"
    assert blind_row["listed"] == 0
    assert blind_row["deposits_shown"] > 0
    assert all(view["scale_error"] is None for view in blind_row["views"])


def test_a_spotless_connector_has_no_deposit_at_all() -> None:
    truth = {"deposits": [], "views": [], "ferrule_diameter_mm": 2.499}
    found = {"verdict": "mate", "reasons": [], "deposits": [], "views": []}
    assert compared(truth, found, "mate")["spotless"]
    assert not compared(truth, found, "mate")["dirty"]


def test_a_run_goes_on_where_it_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[int] = []

    def quick(_inspector: Inspector, _plan: ConnectorsPlan, seed: int) -> dict[str, Any]:
        done.append(seed)
        return {key: value for key, value in row("mate", seed=seed).items() if key != "model"}

    def plain(items: Iterable[int], _label: str) -> Iterator[int]:
        return iter(items)

    monkeypatch.setattr(module, "inspected", quick)
    monkeypatch.setattr(module, "Segmenter", lambda _path, _threads: Blind())
    three = replace(PLAN, count=3)
    inspected_connectors(Path("m"), three, tmp_path, plain)
    (tmp_path / "connector-00001.json").write_text('{"schema": ')  # cut off
    rows = inspected_connectors(Path("m"), replace(PLAN, count=4), tmp_path, plain)
    assert done == [0, 1, 2, 1, 3]
    assert [r["seed"] for r in rows] == [0, 1, 2, 3]
    other = replace(CARD, sha256="1" * 64)
    monkeypatch.setattr(Blind, "card", other)
    inspected_connectors(Path("m"), PLAN, tmp_path, plain)
    assert done[-1] == 0

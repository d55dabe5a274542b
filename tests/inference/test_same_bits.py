"""The same pictures, model and settings give the same bits, whatever else goes on.

Pictures are painted in the colours that the tests' small ONNX model reads, so the runtime, its
threads and the whole pipeline after it take part.
"""

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from fiberward.inference.pipeline import Inspector, Result
from fiberward.inference.request import Request
from fiberward.inference.see.connector_file import ConnectorFacts
from fiberward.inference.see.segment import Segmenter
from fiberward.model.camera import Camera, surface_coordinates
from fiberward.model.families import default_shape, find_family
from fiberward.model.kinds import Kind

SIZE_HW = (360, 480)
VIEWS = ((0.0, 0.0), (0.0, 45.0), (120.0, 45.0), (240.0, 45.0))  # turn, tilt
SPOTS = ((300.0, 40.0, 60.0), (500.0, 200.0, 90.0), (420.0, 310.0, 45.0))  # s, theta, size, um


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    """Four views of one connector with three grains."""
    folder = tmp_path_factory.mktemp("painted")
    shape = default_shape(find_family(2.5))
    paths: list[Path] = []
    for number, (turn, tilt) in enumerate(VIEWS):
        middle = (SIZE_HW[1] / 2, SIZE_HW[0] / 2 - 40 * (tilt > 0))
        at = surface_coordinates(Camera(tilt, turn, 0.0, 8.0, middle, 60_000.0, SIZE_HW), shape)
        theta, kind = np.radians(at.theta_deg), np.zeros(SIZE_HW, np.uint8)
        for s_um, theta_deg, size_um in SPOTS:
            around = np.radians(theta_deg)
            dx = at.s_um * np.cos(theta) - s_um * np.cos(around)
            dy = at.s_um * np.sin(theta) - s_um * np.sin(around)
            kind[np.hypot(dx, dy) < size_um / 2] = Kind.PARTICLE
        noise = np.random.default_rng(number).integers(0, 3, SIZE_HW)
        rgb = np.stack([at.surface * 36, noise, kind * 36], axis=-1).astype(np.uint8)
        paths.append(folder / f"{number}.png")
        Image.fromarray(rgb).save(paths[-1])
    return tuple(paths)


@pytest.fixture(autouse=True)
def one_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """All inspections are made at the same second."""
    monkeypatch.setattr("fiberward.inference.pipeline.utc_now", lambda: "2026-01-01T00:00:00Z")


def request_of(pictures: tuple[Path, ...], order: tuple[int, ...] = (0, 1, 2, 3)) -> Request:
    return Request(
        tuple(pictures[k] for k in order),
        turns_deg=tuple(VIEWS[k][0] for k in order),
        facts=ConnectorFacts(ferrule_mm=2.5),
    )


def bits(result: Result) -> str:
    """A checksum of all that an inspection found, to the last bit."""
    digest = hashlib.sha256()
    for view in result.views:
        seen = view.segmentation
        assert seen is not None
        for plane in (seen.surface, seen.kind, seen.deposit_p, seen.unseen):
            digest.update(plane.tobytes())
        digest.update(repr((view.pose, view.quality, view.deposits)).encode())
    for each in result.maps or ():
        digest.update(each.rgb.tobytes() + each.kind.tobytes() + each.limit_um.tobytes())
    digest.update(repr(result.deposits).encode())
    digest.update(json.dumps(result.inspection.to_json()).encode())
    return digest.hexdigest()


def test_threads_and_pictures_worked_on_at_once_change_no_bit(
    model_path: Path, pictures: tuple[Path, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = Inspector(model_path, threads=1)
    first = one.inspect(request_of(pictures))
    assert len(first.deposits) == len(SPOTS)
    assert all(view.readable for view in first.inspection.views)
    for threads in (2, 3):
        monkeypatch.setattr("fiberward.inference.pipeline.MOST_ABREAST", threads)
        assert bits(Inspector(model_path, threads=threads).inspect(request_of(pictures))) == bits(
            first
        )


def test_each_of_two_pictures_gets_half_of_the_threads_and_one_that_is_left_over_all(
    model_path: Path, pictures: tuple[Path, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    taken: list[int] = []
    plain = Segmenter.take_threads

    def noted(segmenter: Segmenter, threads: int) -> None:
        taken.append(threads)
        plain(segmenter, threads)

    monkeypatch.setattr(Segmenter, "take_threads", noted)
    inspector = Inspector(model_path, threads=4)
    for order in ((0, 1, 2, 3), (0, 1, 2), (0,), (2, 3)):
        inspector.inspect(request_of(pictures, order))
    assert taken == [2, 4, 4, 2]


def test_what_was_inspected_before_changes_no_bit(
    model_path: Path, pictures: tuple[Path, ...]
) -> None:
    inspector = Inspector(model_path)
    first = bits(inspector.inspect(request_of(pictures)))
    alone = inspector.inspect(request_of(pictures, (2, 0)))
    assert bits(alone) != first
    assert bits(inspector.inspect(request_of(pictures))) == first


def test_the_order_of_the_pictures_changes_no_verdict_and_no_deposit(
    model_path: Path, pictures: tuple[Path, ...]
) -> None:
    inspector = Inspector(model_path)
    first = inspector.inspect(request_of(pictures))
    other = inspector.inspect(request_of(pictures, (3, 1, 0, 2)))
    assert other.inspection.verdict == first.inspection.verdict
    names = [[pictures[k].name for k in order] for order in ((0, 1, 2, 3), (3, 1, 0, 2))]
    for a, b in zip(first.deposits, other.deposits, strict=True):
        assert (a.kind, a.surface, a.unsure) == (b.kind, b.surface, b.unsure)
        assert {names[0][k] for k in a.seen_in} == {names[1][k] for k in b.seen_in}
        for name in ("s_um", "theta_deg", "size_um", "area_um2", "feret_max_um", "confidence"):
            assert getattr(a, name) == pytest.approx(getattr(b, name), rel=1e-6), name


def test_the_tile_grid_changes_no_deposit_and_hardly_a_pixel(
    model_path: Path, pictures: tuple[Path, ...]
) -> None:
    def by_tiles(tile_px: float) -> Callable[..., Any]:
        return Segmenter(model_path, whole_px=1e5, tile_px=tile_px)

    results = [Inspector(by_tiles(px)).inspect(request_of(pictures)) for px in (1.25e5, 1.4e5)]
    one, other = results
    assert one.inspection.verdict == other.inspection.verdict
    assert [(d.kind, d.surface) for d in one.deposits] == [
        (d.kind, d.surface) for d in other.deposits
    ]
    for a, b in zip(one.views, other.views, strict=True):
        assert a.segmentation is not None
        assert b.segmentation is not None
        assert (a.segmentation.surface == b.segmentation.surface).mean() >= 0.999
        assert (a.segmentation.kind == b.segmentation.kind).mean() >= 0.999

"""Masks redrawn from a fit: nearer to the truth than what the fit was made from."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest

from fiberward.inference.see.pose import fit_connector
from fiberward.inference.see.redraw import redrawn_surfaces
from fiberward.model.camera import Camera, surface_coordinates
from fiberward.model.kinds import Kind
from fiberward.model.shape import ConnectorShape
from fiberward.model.surfaces import Surface

Bytes = npt.NDArray[np.uint8]
SHAPE = ConnectorShape(1249.5, 15000.0, 880.0, 260.0, 5200.0, 2600.0, 3600.0)
CAMERA = Camera(45.0, 0.0, 2.0, 9.0, (320.0, 190.0), 60000.0, (480, 640))
DRAWN = surface_coordinates(CAMERA, SHAPE)
CLEAN = np.zeros(DRAWN.surface.shape, np.uint8)


@dataclass(frozen=True)
class View:
    """A segmented picture as the fit sees it."""

    surface: Bytes


def wavy(surface: Bytes, seed: int) -> Bytes:
    """Borders that wander by a few px, each pixel taking the label from a little aside."""
    import cv2

    noise = np.random.default_rng(seed).normal(size=(2, *surface.shape)).astype(np.float32)
    wave = np.stack([cv2.GaussianBlur(plane, (0, 0), 8) for plane in noise])
    wave *= 4 / wave.std()
    rows, columns = np.indices(surface.shape)
    rows = np.clip(np.rint(rows + wave[0]), 0, surface.shape[0] - 1).astype(int)
    columns = np.clip(np.rint(columns + wave[1]), 0, surface.shape[1] - 1).astype(int)
    return np.ascontiguousarray(surface[rows, columns])


def agreement(mask: Bytes, truth: Bytes, surface: Surface) -> float:
    """Intersection over union."""
    a, b = mask == surface, truth == surface
    return float(np.sum(a & b) / np.sum(a | b))


@pytest.mark.parametrize("surface", [Surface.FIBER, Surface.ENDFACE, Surface.CHAMFER])
def test_a_redrawn_wavy_mask_is_nearer_to_the_truth(surface):
    truth = DRAWN.surface
    mask = wavy(truth, 3)
    pose = fit_connector([View(mask)], 2.5, [0.0]).poses[0]
    assert pose is not None
    seen = surface_coordinates(pose.camera, pose.shape)
    redrawn = redrawn_surfaces(mask, CLEAN, seen, pose.mouth_fitted)
    before, after = agreement(mask, truth, surface), agreement(redrawn, truth, surface)
    assert after > before
    assert 1 - after < 0.6 * (1 - before)


def test_a_mask_that_agrees_with_the_fit_stays_as_it_is():
    assert np.array_equal(redrawn_surfaces(DRAWN.surface, CLEAN, DRAWN, True), DRAWN.surface)


def test_what_the_net_put_on_the_ferrule_beside_it_takes_the_label_round_it():
    mask = DRAWN.surface.copy()
    assert mask[300, 100] == Surface.CAVITY
    mask[295:305, 95:105] = Surface.CHAMFER
    assert np.array_equal(redrawn_surfaces(mask, CLEAN, DRAWN, False), DRAWN.surface)


def test_a_grain_that_stands_out_from_the_silhouette_keeps_its_host():
    top = int(np.flatnonzero(DRAWN.surface[:, 320] > Surface.CAVITY)[0])
    beyond = np.s_[top - 8 : top - 2, 318:324]
    assert (DRAWN.surface[beyond] < Surface.BARREL).all()
    mask, kind = DRAWN.surface.copy(), CLEAN.copy()
    mask[top - 8 : top, 318:324] = Surface.ENDFACE
    kind[top - 8 : top + 2, 318:324] = Kind.PARTICLE
    assert (redrawn_surfaces(mask, kind, DRAWN, False)[beyond] == Surface.ENDFACE).all()
    assert (redrawn_surfaces(mask, CLEAN, DRAWN, False)[beyond] != Surface.ENDFACE).all()


def test_a_fitted_mouth_divides_cavity_and_housing_and_an_unseen_one_does_not():
    mask = DRAWN.surface.copy()
    outside = mask == Surface.SURROUND
    mask[outside] = Surface.HOUSING
    wrong = mask.copy()
    wrong[(mask == Surface.CAVITY) & (np.indices(mask.shape)[1] < 150)] = Surface.HOUSING
    assert np.array_equal(redrawn_surfaces(wrong, CLEAN, DRAWN, True), mask)
    assert np.array_equal(redrawn_surfaces(wrong, CLEAN, DRAWN, False), wrong)


def test_dirt_beside_the_ferrule_lies_on_no_surface_of_it() -> None:
    """What the net calls a chamfer far from the fitted one is what surrounds it there."""
    far = np.s_[295:305, 95:105]
    assert DRAWN.surface[300, 100] == Surface.CAVITY
    mask, kind = DRAWN.surface.copy(), CLEAN.copy()
    mask[far], kind[far] = Surface.CHAMFER, Kind.PARTICLE
    assert np.array_equal(redrawn_surfaces(mask, kind, DRAWN, False), DRAWN.surface)

"""Hand-made labels with everything that a form of label may lose."""

import numpy as np

from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface
from fiberward.training.labels.label import NOT_ANNOTATED, PictureLabel

HEIGHT, WIDTH = 48, 70


def rich_label(name: str) -> PictureLabel:
    """A ring round a grain, touching grains, touching kinds, a part that is not annotated."""
    surface = np.full((HEIGHT, WIDTH), int(Surface.HOUSING), np.uint8)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    surface[np.hypot(y - 24, x - 30) < 22] = Surface.CHAMFER
    surface[np.hypot(y - 24, x - 30) < 17] = Surface.ENDFACE
    surface[:, 60:] = NOT_ANNOTATED
    kind = np.zeros_like(surface)
    instance = np.zeros(surface.shape, np.int32)
    ring = np.abs(np.hypot(y - 24, x - 30) - 8) < 2
    for number, (mask, value) in enumerate(
        [
            (ring, Kind.RESIDUE),
            (np.hypot(y - 24, x - 30) < 3, Kind.PARTICLE),
            ((y >= 2) & (y < 8) & (x >= 2) & (x < 8), Kind.PARTICLE),
            ((y >= 2) & (y < 8) & (x >= 8) & (x < 13), Kind.PARTICLE),  # touches the one before
            ((y >= 8) & (y < 10) & (x >= 2) & (x < 20), Kind.LINT),  # touches both
            ((y == 47) & (x == 59), Kind.DAMAGE),  # one pixel in the corner
        ],
        1,
    ):
        kind[mask], instance[mask] = value, number
    kind[30:40, 55:] = NOT_ANNOTATED
    instance[30:40, 55:] = 0
    return PictureLabel(name, surface, kind, instance)


def clean_label(name: str) -> PictureLabel:
    """A picture of a clean connector: every surface, no deposit."""
    rich = rich_label(name)
    surface = np.where(rich.surface == NOT_ANNOTATED, 1, rich.surface).astype(np.uint8)
    return PictureLabel(name, surface, np.zeros_like(surface), np.zeros(surface.shape, np.int32))


def picture_of(label: PictureLabel) -> np.ndarray:
    """uint8 [H, W, 3]: each surface and kind in a grey of its own, a little noisy."""
    noise = np.random.default_rng(5).normal(0, 2, label.size_hw)
    known = np.where(label.kind == NOT_ANNOTATED, 0, label.kind).astype(float)
    grey = 40 + 25 * (label.surface % 8).astype(float) - 30 * (known > 0) + noise
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def same_deposits(a: PictureLabel, b: PictureLabel) -> bool:
    """Whether both number the same pixels as the same deposits, whatever the numbers."""
    pairs = np.unique(np.stack([a.instance.ravel(), b.instance.ravel()]), axis=1)
    ones = (np.unique(pairs[row]).size == pairs.shape[1] for row in (0, 1))
    return all(ones) and bool(((a.instance > 0) == (b.instance > 0)).all())

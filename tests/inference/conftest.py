"""Drawn pictures of connectors, and a segmenter that reads them back.

A drawn picture shows each surface in a grey of its own and a deposit in a colour that names surface
and kind. `ReadsDrawings` decodes that and nothing else, so it gives nonsense for any other picture,
as a net may. What the pipeline makes of drawings can be checked against the geometry drawn.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fiberward.inference.see.model_file import ModelCard, Thresholds
from fiberward.inference.see.segment import Segmentation
from fiberward.model.camera import Camera, surface_coordinates
from fiberward.model.families import default_shape, find_family
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

GREYS = np.array([24, 64, 44, 150, 210, 110, 170], np.uint8)  # by surface
SIZE_HW = (360, 480)


class ReadsDrawings:
    """A segmenter for drawn pictures; without a ferrule in the picture it says so."""

    card = ModelCard(
        id="drawings",
        sha256="0" * 64,
        um_per_px_range=(1.0, 20.0),
        thresholds=Thresholds(seed=0.7, grow=0.4, min_px=8, floor=0.55),
        calibration=None,
        scores={"recall_vouched": {"value": 1.0, "low": 0.99, "high": 1.0, "n": 300}},
        training_hash="",
        code_version="",
        created_at="2026-01-01T00:00:00Z",
    )

    def __call__(self, rgb: np.ndarray) -> Segmentation:
        red, green, blue = (rgb[..., k].astype(int) for k in range(3))
        kind = np.where(green == 0, np.clip(np.round(blue / 40), 0, 6), 0).astype(np.uint8)
        level = np.where(kind > 0, red, green)
        surface = np.abs(level[..., None] - GREYS.astype(int)).argmin(axis=-1).astype(np.uint8)
        share = np.where(kind > 0, np.float32(0.95), np.float32(0))
        nothing = np.zeros(kind.shape, np.float32)
        unlike = 0.0 if (surface == Surface.ENDFACE).any() else 1.0
        return Segmentation(surface, kind, share, nothing, unlike, None, 8)

    def take_threads(self, threads: int) -> None:
        """A drawing is read in one thread, whatever it is given."""


@dataclass(frozen=True)
class Spot:
    """A round deposit on the endface, by place and diameter."""

    s_um: float
    theta_deg: float
    size_um: float
    kind: Kind = Kind.PARTICLE


@dataclass(frozen=True)
class Drawing:
    """Draws pictures of one connector into a folder."""

    folder: Path
    ferrule_mm: float = 2.5
    um_per_px: float = 8.0

    def rgb(self, turn_deg: float, tilt_deg: float, spots: tuple[Spot, ...] = ()) -> np.ndarray:
        """One view, uint8 [H, W, 3]."""
        height, width = SIZE_HW
        middle = (width / 2, height / 2 - 40 * (tilt_deg > 0))
        camera = Camera(tilt_deg, turn_deg, 0.0, self.um_per_px, middle, 60_000.0, SIZE_HW)
        at = surface_coordinates(camera, default_shape(find_family(self.ferrule_mm)))
        # a little noise, so that no two pictures are the same
        noise = np.random.default_rng([round(turn_deg), round(tilt_deg)]).integers(-2, 3, SIZE_HW)
        rgb = np.repeat((GREYS[at.surface] + noise).astype(np.uint8)[..., None], 3, axis=2)
        theta = np.radians(at.theta_deg)
        for spot in spots:
            x = spot.s_um * np.cos(np.radians(spot.theta_deg))
            y = spot.s_um * np.sin(np.radians(spot.theta_deg))
            away = np.hypot(at.s_um * np.cos(theta) - x, at.s_um * np.sin(theta) - y)
            hit = (away < spot.size_um / 2) & np.isin(at.surface, (Surface.ENDFACE, Surface.FIBER))
            rgb[hit, 0] = GREYS[at.surface[hit]]
            rgb[hit, 1] = 0
            rgb[hit, 2] = 40 * spot.kind
        return rgb

    def view(
        self, name: str, turn_deg: float, tilt_deg: float, spots: tuple[Spot, ...] = ()
    ) -> Path:
        """One view as a PNG file."""
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / name
        Image.fromarray(self.rgb(turn_deg, tilt_deg, spots)).save(path)
        return path

    def four(self, spots: tuple[Spot, ...] = ()) -> list[Path]:
        """Front and three oblique views, at the turns 0, 0, 120, 240."""
        turns = {"front": (0, 0), "a": (0, 45), "b": (120, 45), "c": (240, 45)}
        return [self.view(f"{k}.png", turn, tilt, spots) for k, (turn, tilt) in turns.items()]


@pytest.fixture(scope="session")
def drawing_in() -> type[Drawing]:
    return Drawing


@pytest.fixture
def drawing(tmp_path: Path) -> Drawing:
    return Drawing(tmp_path / "plug")


@pytest.fixture(scope="session")
def spot() -> type[Spot]:
    return Spot


@pytest.fixture(scope="session")
def reads_drawings() -> ReadsDrawings:
    return ReadsDrawings()

"""One picture on its way through the pipeline."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..model.camera import SurfaceCoordinates
from .see.deposits import SeenDeposit
from .see.picture import Picture
from .see.pose import Pose
from .see.quality import Quality
from .see.segment import Segmentation
from .see.turns import bottom_offset_deg

__all__ = ["SeenView", "in_own_px", "reference", "unturned"]


@dataclass(frozen=True)
class SeenView:
    """What is known of one picture so far; what its stages have not reached is None.

    `name`, `stem`: what it and its outputs are called. `why_not`: why it is no evidence, None while
    it is. `undecodable`: the file is not one whole picture. `duplicate_of`: the name of an earlier
    picture with the same pixels. `coordinates`: of these, surface and travel distance; the rest is
    NaN once the view is measured. `deposits`: as seen in this view alone. `specks`: what was taken
    for dirt but sits on the camera's lens (`see.lens_specks`).
    """

    path: Path
    name: str
    stem: str
    stated_turn_deg: float | None
    picture: Picture | None = None
    why_not: str | None = None
    undecodable: bool = False
    duplicate_of: str | None = None
    segmentation: Segmentation | None = None
    quality: Quality | None = None
    pose: Pose | None = None
    coordinates: SurfaceCoordinates | None = None
    deposits: tuple[SeenDeposit, ...] = ()
    specks: tuple[SeenDeposit, ...] = ()

    @property
    def readable(self) -> bool:
        """Whether the view is evidence: a sharp picture whose place on the connector is known."""
        return self.why_not is None and self.pose is not None

    @property
    def turn_deg(self) -> float | None:
        """theta at the picture's bottom, [0, 360); None where it was neither stated nor found."""
        if self.pose is None or self.pose.turn_sd_deg is None:
            return None
        camera = self.pose.camera
        turn = camera.turn_deg + bottom_offset_deg(camera.tilt_deg, camera.roll_deg)
        return turn % 360.0 % 360.0  # -tiny % 360 rounds to 360

    @property
    def detection_limit_um(self) -> float | None:
        """The smallest deposit this view can show; None while scale or blur is not known."""
        if self.pose is None or self.quality is None:
            return None
        return self.quality.detection_limit_um(self.pose.camera.um_per_px)


def in_own_px(indices: npt.NDArray[np.uint8], view: SeenView) -> npt.NDArray[np.uint8]:
    """Indices [h, w] of the picture as it is worked on, in the file's own pixels [H, W]."""
    if view.picture is None or view.picture.stored_hw is None:
        return indices
    import cv2

    cv: Any = cv2
    height, width = view.picture.stored_hw
    return cv.resize(indices, (width, height), interpolation=cv.INTER_NEAREST_EXACT)


def reference(views: Sequence[SeenView]) -> int | None:
    """The view whose bottom angles count from where no turn is known; None where one is."""
    placed = [index for index, view in enumerate(views) if view.readable]
    if not placed or any(views[index].turn_deg is not None for index in placed):
        return None
    return placed[0]


def unturned(views: Sequence[SeenView]) -> frozenset[int]:
    """The placed views that cannot be turned onto the others: their angles mean nothing."""
    first = reference(views)
    return frozenset(
        index
        for index, view in enumerate(views)
        if view.readable and view.turn_deg is None and index != first
    )

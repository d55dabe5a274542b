"""What a person says that a picture shows, whatever file it was written in."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ...inference.see.pieces import connected_pieces
from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES

__all__ = ["NOT_ANNOTATED", "Findings", "PictureLabel", "Problem", "instances_of"]

NOT_ANNOTATED = 255

Bytes = npt.NDArray[np.uint8]
Numbers = npt.NDArray[np.int32]


@dataclass(frozen=True)
class PictureLabel:
    """The label of one picture.

    picture: its path relative to the data's folder, with forward slashes. surface, kind: uint8
    [H, W] indices, `NOT_ANNOTATED` where nobody said. instance: int32 [H, W], one number per
    deposit, 0 where there is none.
    """

    picture: str
    surface: Bytes
    kind: Bytes
    instance: Numbers

    def __post_init__(self) -> None:
        shapes = {self.surface.shape, self.kind.shape, self.instance.shape}
        if len(shapes) != 1 or self.surface.ndim != 2:
            raise ValueError(f"{self.picture}: expected three [H, W] of one size, got {shapes}")
        for name, mask, count in (
            ("surface", self.surface, len(SURFACE_NAMES)),
            ("kind", self.kind, len(KIND_NAMES)),
        ):
            if ((mask >= count) & (mask != NOT_ANNOTATED)).any():
                raise ValueError(f"{self.picture}: {name} holds an index of {count} or more")

    @property
    def size_hw(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.surface.shape[0], self.surface.shape[1]


@dataclass(frozen=True)
class Problem:
    """Something wrong with a file: what was expected there and what was found.

    stops: the picture cannot be used until it is mended; otherwise it is used as it is.
    """

    file: str
    expected: str
    found: str
    stops: bool = True

    def __str__(self) -> str:
        mark = "" if self.stops else "note: "
        return f"{mark}{self.file}: expected {self.expected}; found {self.found}"


@dataclass
class Findings:
    """Collects problems and assumptions while labels are read."""

    problems: list[Problem] = field(default_factory=list[Problem])
    assumed: list[str] = field(default_factory=list[str])

    def problem(self, file: str, expected: str, found: str, stops: bool = True) -> None:
        """Note something wrong."""
        self.problems.append(Problem(file, expected, found, stops))

    def assume(self, text: str) -> None:
        """Note once what was taken for granted."""
        if text not in self.assumed:
            self.assumed.append(text)

    def stopped(self) -> set[str]:
        """The files that cannot be used."""
        return {problem.file for problem in self.problems if problem.stops}


def instances_of(kind: Bytes) -> Numbers:
    """Number the deposits of a kind mask: connected pieces (8 neighbours) of one kind each."""
    instance = np.zeros(kind.shape, np.int32)
    last = 0
    for value in range(1, len(KIND_NAMES)):
        pieces = connected_pieces(kind == value)
        inside = pieces.labels > 0
        instance[inside] = pieces.labels[inside] + last
        last += len(pieces.area) - 1
    return instance

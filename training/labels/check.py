"""The check before any training: everything that is wrong with a shop's data, listed."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ...model.kinds import KIND_NAMES
from .alignment import read_alignment
from .folder import LabelledView, ShopData, read_shop_data
from .label import NOT_ANNOTATED, Findings, Problem

__all__ = ["CheckReport", "check_folder"]

FEW_DEPOSITS = 10  # labelled deposits of one kind under which little can be learnt or measured
NEAR_BITS = 6  # of 256; pictures of which fewer differ show the same scene


@dataclass(frozen=True)
class CheckReport:
    """What the check found. `data` holds only the pictures that can be used."""

    data: ShopData
    problems: tuple[Problem, ...]
    assumed: tuple[str, ...]
    deposits: dict[str, int]

    @property
    def stops(self) -> bool:
        """Whether something must be mended first."""
        return any(problem.stops for problem in self.problems)

    def lines(self) -> list[str]:
        """For a person: what there is, what is wrong, what was assumed."""
        connectors = len({view.connector for view in self.data.views})
        forms = ", ".join(f"{n} as {form}" for form, n in sorted(self.data.forms.items()))
        counts = ", ".join(f"{n} {name}" for name, n in self.deposits.items()) or "none"
        out = [
            f"{len(self.data.views)} labelled pictures of {connectors} connectors ({forms}), "
            f"{len(self.data.unlabelled)} without a label",
            f"labelled deposits: {counts}",
        ]
        out += [f"  assumed: {text}" for text in self.assumed]
        out += [f"  {problem}" for problem in self.problems]
        return out

    def as_dict(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "pictures": len(self.data.views),
            "connectors": len({view.connector for view in self.data.views}),
            "forms": self.data.forms,
            "unlabelled": list(self.data.unlabelled),
            "deposits": self.deposits,
            "assumed": list(self.assumed),
            "problems": [vars(problem) for problem in self.problems],
        }


def check_folder(folder: Path) -> CheckReport:
    """Read a folder and list every problem. Raises UsageError where there is nothing to read."""
    findings = Findings()
    data = read_shop_data(folder, findings)
    empty = {view.name for view in data.views if _is_empty(view)}
    for name in sorted(empty):
        findings.problem(name, "some annotated pixel", "all pixels not annotated")
    views = tuple(view for view in data.views if view.name not in empty)
    _note_copies(views, findings)
    _note_shifts(views, findings)
    deposits = count_deposits(views)
    for name in KIND_NAMES[1:]:
        if 0 < deposits.get(name, 0) < FEW_DEPOSITS:
            findings.problem(
                str(folder.name), f"{FEW_DEPOSITS} or more labelled deposits of a kind",
                f"{deposits[name]} of {name}: little can be learnt or shown about it", stops=False,
            )  # fmt: skip
    for layer, missing in _unannotated(views).items():
        if missing:
            findings.assume(f"{layer} of {missing} of {len(views)} pictures are not annotated")
    usable = replace(data, views=views)
    return CheckReport(usable, tuple(findings.problems), tuple(findings.assumed), deposits)


def _is_empty(view: LabelledView) -> bool:
    label = view.label
    return bool((label.surface == NOT_ANNOTATED).all() and (label.kind == NOT_ANNOTATED).all())


def _unannotated(views: Sequence[LabelledView]) -> dict[str, int]:
    """How many pictures lack a layer as a whole."""
    return {
        "surfaces": sum(bool((v.label.surface == NOT_ANNOTATED).all()) for v in views),
        "deposits": sum(bool((v.label.kind == NOT_ANNOTATED).all()) for v in views),
    }


def count_deposits(views: Sequence[LabelledView]) -> dict[str, int]:
    """Labelled deposits by kind, kinds without one left out."""
    found = Counter[int]()
    for view in views:
        numbers = np.unique(view.label.instance)
        for number in numbers[numbers > 0]:
            kinds = view.label.kind[view.label.instance == number]
            found[int(np.bincount(kinds).argmax())] += 1
    return {name: found[i] for i, name in enumerate(KIND_NAMES) if i and found[i]}


def _note_copies(views: Sequence[LabelledView], findings: Findings) -> None:
    """Equal pictures, and pictures of the same scene under different connectors."""
    first: dict[str, LabelledView] = {}
    marks: list[tuple[LabelledView, Any]] = []
    for view in views:
        same = first.setdefault(view.picture.sha256, view)
        if same is not view:
            where = "the same connector" if same.connector == view.connector else "another"
            findings.problem(
                view.name, "each picture once", f"the same bytes as {same.name}, of {where}"
            )
            continue
        mark = _fingerprint(view.picture.rgb)
        for other, known in marks:
            alike = int((mark != known).sum()) <= NEAR_BITS
            if alike and other.connector != view.connector:
                findings.problem(
                    view.name, "another scene than that of other connectors",
                    f"nearly the picture {other.name} of {other.connector}; "
                    "if they are one connector, say so in connectors.csv", stops=False,
                )  # fmt: skip
        marks.append((view, mark))


def _fingerprint(rgb: Any) -> Any:
    """256 bits: whether each of 16 x 16 places is brighter than its right neighbour."""
    import cv2

    cv: Any = cv2
    small = cv.resize(rgb.mean(axis=2, dtype=np.float32), (17, 16), interpolation=cv.INTER_AREA)
    return (small[:, 1:] > small[:, :-1]).ravel()


def _note_shifts(views: Sequence[LabelledView], findings: Findings) -> None:
    """Labels that lie beside what they outline."""
    for view in views:
        found = read_alignment(view.picture.rgb, view.label)
        if found.off:
            x, y = found.shift_xy
            findings.problem(
                view.name,
                "outlines on the picture's edges",
                f"a label that fits {100 * (found.gain - 1):.0f} % better when moved by "
                f"({x}, {y}) px",
            )

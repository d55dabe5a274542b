"""The gate: may a retrained net take the place of the one before?

Both answer the same held-out pictures; each figure is compared on the same connectors, with a
bootstrap of the connectors (of the pictures, below four connectors) that draws both nets' scores
together. The new net passes if

- on the shop's own pictures the deposits' or the surfaces' IoU is shown to be better (the whole
  95 % interval of the change above 0), and
- nowhere one of `FIRM`'s figures is worse by more than its margin, as measured, and
- nowhere any other figure is worse by more than its margin with the whole 99 % interval below 0,
  (some forty are looked at: with 95 % an equally good net was refused by luck in 34 of 100 trials
  with invented detections, with 99 % and `LEAST_SHOWING` in 7), and
- the labels themselves raised no doubt (`training.label_audit`).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from ..model.kinds import KIND_NAMES, Kind
from ..model.surfaces import SURFACE_NAMES
from .evaluate import (
    deposits_iou,
    false_rate,
    grouped,
    mean_kind_right,
    mean_surface_iou,
    one_surface_iou,
)
from .score_view import DIRT, TrueDeposit, ViewScore

__all__ = ["Compared", "GateResult", "compare_on", "decide"]

Groups = Sequence[Sequence[ViewScore]]
Figure = Callable[[Groups], float | None]
SHOP, RENDERS, FOREIGN = "shop", "renders", "foreign"
RESAMPLES, SEED = 600, 40_009
LEAST_CONNECTORS = 4  # below, pictures are drawn instead of connectors
LEAST_SHOWING = 3  # connectors that show what a figure counts, below which it has no interval
FIRM_TAIL, LOOSE_TAIL = 2.5, 0.5  # per cent left out at each end of an interval
FIRM = {"surfaces mean IoU": 0.01, "deposits IoU": 0.01, "dirt found": 0.01}
LOOSE = 0.02
FALSE_MARGIN = 0.05  # false pieces per view
SIZE_PX = (0, 8, 16, 32, float("inf"))
GAIN = ("deposits IoU", "surfaces mean IoU")


@dataclass(frozen=True)
class Compared:
    """One figure of both nets on one set; `change` is new - old, n what the figure counts.

    low, high: the change's interval, of 95 % where `firm`, else of 99 %.
    """

    set: str
    figure: str
    old: float | None
    new: float | None
    change: float | None
    low: float | None
    high: float | None
    n: int
    margin: float
    firm: bool
    lower_is_better: bool = False

    @property
    def refuses(self) -> bool:
        """Whether this figure alone speaks against the new net."""
        if self.change is None:
            return self.old is not None and self.new is None
        worse_by = self.change if self.lower_is_better else -self.change
        if worse_by <= self.margin:
            return False
        best_case = self.low if self.lower_is_better else self.high
        sure = best_case is not None and (best_case > 0 if self.lower_is_better else best_case < 0)
        return self.firm or sure

    @property
    def gains(self) -> bool:
        """Whether this figure shows that the new net is better."""
        return self.change is not None and self.low is not None and self.low > 0

    def __str__(self) -> str:
        shown = [f"{v:.3f}" if v is not None else "not measured" for v in (self.old, self.new)]
        text = f"{self.set}, {self.figure}: {shown[0]} -> {shown[1]}"
        if self.change is not None and self.low is not None and self.high is not None:
            level = 100 - 2 * (FIRM_TAIL if self.firm else LOOSE_TAIL)
            text += f" ({level:g} %: {self.low:+.3f} to {self.high:+.3f}"
            return text + f", n {self.n}, margin {self.margin:.3f})"
        return text + f" (n {self.n}, margin {self.margin:.3f})"


@dataclass(frozen=True)
class GateResult:
    """The decision, its reasons in words, and every figure compared."""

    passed: bool
    reasons: tuple[str, ...]
    rows: tuple[Compared, ...]

    def lines(self) -> list[str]:
        """For a person."""
        head = ["gate: passed" if self.passed else "gate: refused"]
        head += [f"  - {reason}" for reason in self.reasons]
        marks = {True: "worse", False: ""}
        return head + [f"  {marks[row.refuses]:6}{row}" for row in self.rows]

    def as_dict(self) -> dict[str, Any]:
        """Plain values."""
        rows = [asdict(row) | {"refuses": row.refuses} for row in self.rows]
        return {"passed": self.passed, "reasons": list(self.reasons), "rows": rows}


def compare_on(name: str, old: Sequence[ViewScore], new: Sequence[ViewScore]) -> list[Compared]:
    """Every figure of both nets on the same pictures, given in the same order."""
    if [view.name for view in old] != [view.name for view in new]:
        raise ValueError("expected the same pictures in the same order")
    pairs = grouped(old), grouped(new)
    if len(pairs[0]) < LEAST_CONNECTORS:
        pairs = [[view] for view in old], [[view] for view in new]
    rows: list[Compared] = []
    for figure, function, n in figures(old):
        lower = figure.startswith("false")
        margin = FALSE_MARGIN if lower else FIRM.get(figure, LOOSE)
        if figure == "dirt found":
            margin = max(margin, 1.01 / max(n, 1) if n < 100 else 0.0)
        old_value, new_value = function(pairs[0]), function(pairs[1])
        if old_value is None and new_value is None:
            continue
        change = None if old_value is None or new_value is None else new_value - old_value
        tail = FIRM_TAIL if figure in FIRM else LOOSE_TAIL
        low, high = paired_interval(pairs[0], pairs[1], function, tail)
        rows.append(
            Compared(
                name, figure, old_value, new_value, change, low, high, n, margin,
                figure in FIRM, lower,
            )
        )  # fmt: skip
    return rows


def paired_interval(
    old: Groups, new: Groups, figure: Figure, tail: float = FIRM_TAIL
) -> tuple[float | None, float | None]:
    """Percentiles `tail` and 100 - `tail` of the change over resampled groups.

    None where fewer than `LEAST_SHOWING` groups show what the figure counts: the one deposit of a
    kind, lost, would be lost in every resample that draws it.
    """
    if sum(figure([group]) is not None for group in old) < LEAST_SHOWING:
        return None, None
    random = np.random.default_rng(SEED)
    changes: list[float] = []
    for _ in range(RESAMPLES):
        pick = [int(i) for i in random.integers(0, len(old), len(old))]
        a, b = figure([old[i] for i in pick]), figure([new[i] for i in pick])
        if a is not None and b is not None:
            changes.append(b - a)
    if len(changes) < RESAMPLES // 2:
        return None, None
    low, high = np.percentile(changes, [tail, 100 - tail])
    return float(low), float(high)


def figures(views: Sequence[ViewScore]) -> list[tuple[str, Figure, int]]:
    """(name, function, how many it counts) of every figure that these views can give."""
    every = [d for view in views for d in view.deposits]
    dirt = [d for d in every if d.kind in DIRT]
    clean = sum(view.clean for view in views)
    rows: list[tuple[str, Figure, int]] = [
        ("surfaces mean IoU", mean_surface_iou, len(views)),
        ("deposits IoU", deposits_iou, len(views)),
        ("dirt found", found_share(lambda d: d.kind in DIRT), len(dirt)),
        ("kind right", mean_kind_right, len(every)),
        ("false per view", false_rate(clean_only=False), len(views)),
        ("false per clean view", false_rate(clean_only=True), clean),
    ]
    rows += [(f"IoU of {s}", one_surface_iou(i), len(views)) for i, s in enumerate(SURFACE_NAMES)]
    for i, name in enumerate(SURFACE_NAMES):
        chosen = on_surface(i)
        rows.append((f"found on {name}", found_share(chosen), sum(map(chosen, every))))
    for kind in Kind:
        if kind:
            chosen = of_kind(int(kind))
            rows.append((f"{KIND_NAMES[kind]} found", found_share(chosen), sum(map(chosen, every))))
    for low, high in zip(SIZE_PX, SIZE_PX[1:], strict=False):
        chosen = of_size(low, high)
        name = f"found, {low:g} to {high:g} px" if np.isfinite(high) else f"found, over {low:g} px"
        rows.append((name, found_share(chosen), sum(map(chosen, every))))
    return rows


def on_surface(index: int) -> Callable[[TrueDeposit], bool]:
    """Whether a deposit lies on this surface."""
    return lambda deposit: deposit.surface == index


def of_kind(index: int) -> Callable[[TrueDeposit], bool]:
    """Whether a deposit is of this kind."""
    return lambda deposit: deposit.kind == index


def of_size(low: float, high: float) -> Callable[[TrueDeposit], bool]:
    """Whether a deposit's size, px, lies in [low, high)."""
    return lambda deposit: low <= deposit.size_px < high


def found_share(chosen: Callable[[TrueDeposit], bool]) -> Figure:
    """Share found of the chosen deposits that are shown."""

    def share(groups: Groups) -> float | None:
        hits = [d.found for group in groups for view in group for d in view.deposits if chosen(d)]
        return sum(hits) / len(hits) if hits else None

    return share


def compare_foreign(old: Sequence[bool], new: Sequence[bool]) -> Compared:
    """Share of pictures without a connector that each net knows as such."""
    values = [sum(known) / len(known) if known else None for known in (old, new)]
    change = None if values[0] is None or values[1] is None else values[1] - values[0]
    margin = 1.01 / max(len(old), 1)
    return Compared(FOREIGN, "known as no connector", values[0], values[1], change, None, None,
                    len(old), margin, True)  # fmt: skip


def decide(
    rows: Sequence[Compared], doubts: Sequence[str], labelled: Mapping[str, bool]
) -> GateResult:
    """Pass or refuse. doubts: about the labels. labelled: whether each layer is annotated."""
    reasons = [f"the labels are in doubt: {doubt}" for doubt in doubts]
    reasons += [f"worse: {row}" for row in rows if row.refuses]
    gains = [row for row in rows if row.set == SHOP and row.figure in GAIN and row.gains]
    if not gains:
        layers = " or ".join(layer for layer, is_there in labelled.items() if is_there)
        reasons.append(f"not shown to be better on the shop's own pictures ({layers} IoU)")
    if reasons:
        return GateResult(False, tuple(reasons), tuple(rows))
    better = tuple(f"better: {row}" for row in gains)
    return GateResult(True, better, tuple(rows))

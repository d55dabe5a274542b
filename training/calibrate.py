"""A model file's thresholds and the worth of its confidence, learnt from renders.

Thresholds are chosen (`training.thresholds`) and the confidence's correction is fitted on one set
of renders; both are then tried on another, by the same way as an inspection goes. Neither set is
seen in training, validation or `fiberward evaluate`. What came out goes into the file's metadata.
"""

import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from ..inference.see.confidence import LEAST, MOST, Calibration
from ..inference.see.segment import Segmenter
from .answers import Answer, answers_on, at_thresholds
from .detection import ascend
from .evaluate import evaluate_views, rendered_views, summarise
from .intervals import Figure
from .model_metadata import rewrite_metadata
from .reliability import JudgedPiece, judged_pieces
from .score_view import Truth
from .seeds import CHECK_SEED, FIT_SEED
from .source import Source
from .thresholds import Chosen, Rates, choose_thresholds

__all__ = ["CalibrationPlan", "as_text", "calibrate_model", "fit_confidence"]

SCHEMA = "fiberward.calibration/1"
SIZE_HW = (960, 1280)
LEAST_OF_EACH = 5  # true and false pieces below which no correction is fitted

HEADLINE = (
    "recall_vouched", "recall_dirt", "false_per_view", "false_per_clean_view", "deposits_iou",
)  # fmt: skip
LABELS = {
    "per_view": "false pieces per view",
    "per_clean_view": "false pieces per clean view",
    "unsure_per_clean_view": "unsure per clean view",
}

T = TypeVar("T")
Follow = Callable[[Iterable[T], str], Iterator[T]]


@dataclass(frozen=True)
class CalibrationPlan:
    """On how many connectors to fit and to check, each a dirty and a clean view of `size_hw` px;
    which false-alarm rates to keep; `threads` for the net.
    """

    fit: int = 60
    check: int = 30
    rates: Rates = Rates()
    size_hw: tuple[int, int] = SIZE_HW
    threads: int | None = None


def plain_follow(items: Iterable[T], _label: str) -> Iterator[T]:
    """The items as they are."""
    return iter(items)


def fit_confidence(pieces: Sequence[JudgedPiece]) -> Calibration | None:
    """Platt's correction (1999, with his targets) with the size beside the score.

    None where there are fewer than five true or five false pieces, or where the net's own
    probability does not go with the truth.
    """
    true = np.array([piece.true for piece in pieces], bool)
    wins, losses = int(true.sum()), int((~true).sum())
    if min(wins, losses) < LEAST_OF_EACH:
        return None
    target = np.where(true, (wins + 1) / (wins + 2), 1 / (losses + 2))
    raw = np.clip([piece.raw for piece in pieces], LEAST, MOST)
    score = np.log(raw / (1 - raw))
    size = np.log([max(piece.pixels, 1) for piece in pieces])
    one = np.ones(score.size)
    offset, slope, size_slope = ascend(np.stack([one, score, size], 1), 0 * one, target, one)
    if size_slope < 0 or slope <= 0:
        offset, slope = ascend(np.stack([one, score], 1), 0 * one, target, one)
        size_slope = 0.0
    if not slope > 0:
        return None
    return Calibration(float(offset), float(slope), float(size_slope), len(pieces))


def calibrate_model(
    model: Path,
    out: Path,
    source: Source,
    plan: CalibrationPlan,
    follow: Follow[Any] = plain_follow,
) -> dict[str, Any]:
    """Calibrate the file at `model` and write it, its card beside it, to `out`.

    The figures of the check become the file's `scores`. Gives the document that `fiberward
    calibrate --json` prints. Raises TrainingError where no thresholds keep the rates.
    """
    segmenter = Segmenter(model, plan.threads)
    views = rendered_views(source, plan.fit, plan.size_hw, base=FIT_SEED)
    answers = list(answers_on(segmenter, follow(views, "views to fit on")))
    chosen = choose_thresholds(answers, plan.rates)
    pieces = list(listed(answers, chosen))
    confidence = fit_confidence(pieces)
    about = described(segmenter, plan, chosen, confidence)
    with tempfile.TemporaryDirectory(prefix="fiberward-") as folder:
        trial = Path(folder, out.name)
        rewrite_metadata(model, trial, about | {"scores": None})
        checked = check(trial, source, plan, follow)
    about["calibration"]["checked"] = checked_row(checked)
    rewrite_metadata(model, out, about | {"scores": checked["headline"]})
    others = [asdict(choice) for choice in chosen.others]
    return {"schema": SCHEMA, "model": str(out), **about, "check": checked, "others": others}


def listed(answers: Iterable[Answer], chosen: Chosen) -> Iterator[JudgedPiece]:
    """Every piece that an inspection with the chosen thresholds would list."""
    for answer in answers:
        seen = at_thresholds(answer, chosen.thresholds)
        yield from judged_pieces(seen, answer.instance(), answer.group)


def described(
    segmenter: Segmenter, plan: CalibrationPlan, chosen: Chosen, confidence: Calibration | None
) -> dict[str, Any]:
    """The metadata's new `thresholds` and `calibration`."""
    before = segmenter.card.calibration or {}
    calibration = {
        "numeric_form": before.get("numeric_form"),
        "renders": {"fit": plan.fit, "check": plan.check, "size_hw": list(plan.size_hw)},
        "rates": asdict(plan.rates),
        "fitted": chosen.figures(),
        "confidence": None if confidence is None else confidence.as_dict(),
    }
    return {"thresholds": asdict(chosen.thresholds), "calibration": calibration}


def check(
    model: Path, source: Source, plan: CalibrationPlan, follow: Follow[Any]
) -> dict[str, Any]:
    """The calibrated file's evaluation on renders that it was not fitted on."""
    segmenter = Segmenter(model, plan.threads)
    pieces: list[JudgedPiece] = []
    views: Iterable[Truth] = rendered_views(source, plan.check, plan.size_hw, base=CHECK_SEED)
    scores = evaluate_views(segmenter, follow(views, "views to check on"), pieces)
    return summarise(scores, segmenter, f"{plan.check} rendered connectors", pieces)


def checked_row(document: dict[str, Any]) -> dict[str, Any]:
    """What the metadata keeps of the check."""
    found = document["reliability"]
    sides = {
        side: None if found[side] is None else found[side]["expected_calibration_error"]
        for side in ("before", "after")
    }
    return {"pieces": found["pieces"], "true": found["true"], "expected_calibration_error": sides}


def as_text(document: dict[str, Any]) -> str:
    """The result for a person."""
    limits, calibration, headline = (
        document["thresholds"], document["calibration"], document["check"]["headline"]
    )  # fmt: skip
    fitted, rates = calibration["fitted"], calibration["rates"]
    lines = [
        f"{document['model']}: a deposit reaches {limits['seed']:g}, is joined from "
        f"{limits['grow']:g} and has {limits['min_px']} px; unsure from {limits['floor']:g}",
        f"chosen on {fitted['views']} renders ({fitted['clean_views']} clean, "
        f"{fitted['deposits']} pieces of dirt):",
        f"  dirt found {fitted['recall']:.3f}, deposits IoU {fitted['deposits_iou']:.3f}",
    ]
    for name, limit in rates.items():
        own = fitted[name if name.startswith("unsure") else f"false_{name}"]
        lines.append(f"  {LABELS[name]:28} {own:.3f} (allowed {limit:g})")
    lines.append("other false pieces per view there, and the dirt that they would find:")
    lines += [
        f"  {row['false_per_view']:.3f} ({row['false_per_clean_view']:.3f} per clean view): "
        f"{row['recall']:.3f}"
        for row in document["others"]
    ]
    lines.append(f"on {document['check']['views']} other renders (95 % interval):")
    for key in HEADLINE:
        lines.append(f"  {key.replace('_', ' '):28} {Figure(**headline[key])}")
    if calibration["confidence"] is None:
        lines.append(
            "confidence is left as it is: under 5 true or false pieces, or the net's own "
            "probability does not go with the truth"
        )
    else:
        lines.append("expected calibration error of confidence there:")
        errors = calibration["checked"]["expected_calibration_error"]
        lines += [f"  {side:28} {Figure(**errors[side])}" for side in ("before", "after")]
    return "\n".join(lines)

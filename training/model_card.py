"""The card beside a model file: what it is, from what, how good, and what it cannot do."""

import hashlib
from pathlib import Path
from typing import Any

from ..model.kinds import KIND_NAMES
from ..model.surfaces import SURFACE_NAMES

__all__ = ["CARD", "write_model_card"]

CARD = "model-card.md"

TEMPLATE = """\
---
license: mit
tags: [image-segmentation, fibre-optics, contamination]
---

# {name}

Says, for each pixel of a picture of a fibre-optic connector, which surface it shows, which kind of
deposit lies there, and whether the picture could show one at all.

| | |
| --- | --- |
| file | `{name}`, {size_mb:.1f} MB, SHA-256 `{sha256}` |
| input | `picture`, 8-bit RGB, [N, height, width, 3], any size; scaling and padding are inside |
| outputs | probabilities: `surface` {surfaces}; `kind` {kinds}; `unseen`; `unlike` (no connector) |
| numeric form | {numeric_form} |
| agreement with torch | on {pictures} pictures of {shapes} shapes |
| .. same label | surface {surface:.5f}, kind {kind:.5f} of the pixels |
| .. difference of a probability | largest {max_dp:.4f}, mean {mean_dp:.6f} |
| trained at | {low} to {high} um per pixel at the fibre |
| trained on | {pictures_from}; step {step} of {steps}, {device} |
| training hash | `{training_hash}` |
| thresholds | {limits} |
| confidence | {worth} |

## Measured

{scores}

## Not for

Rectangular multi-fibre ferrules, receptacles and sleeves; pictures outside the scales above;
grading of the zones round the fibre. It advises, a trained person decides.
"""


def write_model_card(model: Path, about: dict[str, Any]) -> Path:
    """Write `model-card.md` beside the model file; gives its path."""
    data = model.read_bytes()
    low, high = about["um_per_px_range"]
    training = about["training"]
    text = TEMPLATE.format(
        name=model.name,
        size_mb=len(data) / 1e6,
        sha256=hashlib.sha256(data).hexdigest(),
        surfaces=", ".join(SURFACE_NAMES),
        kinds=", ".join(KIND_NAMES),
        numeric_form=about["numeric_form"],
        low=low,
        high=high,
        pictures_from=pictures_from(training),
        step=training["step"],
        steps=training["steps"],
        device=f"{training.get('processes', 1)} x {training.get('device', 'unknown device')}",
        training_hash=about["training_hash"],
        limits=threshold_line(about),
        worth=confidence_line(about),
        scores=score_lines(about["scores"]),
        **about["agreement"],
    )
    card = model.with_name(CARD)
    card.write_text(text, encoding="utf-8")
    return card


def threshold_line(about: dict[str, Any]) -> str:
    """From what probability on pixels count, and how that was chosen."""
    limits: dict[str, Any] = about["thresholds"]
    named = ", ".join(f"{name} {value:g}" for name, value in limits.items())
    calibration: dict[str, Any] = about["calibration"]
    fitted: Any = calibration.get("fitted")
    if fitted is None:
        return f"{named}; not chosen for this net"
    shown = "pictures" if "inherited_from" in calibration else "renders"
    return (
        f"{named}; on {fitted['views']} {shown} {fitted['false_per_view']:g} false pieces per view "
        f"and {fitted['false_per_clean_view']:g} per clean view"
    )


def confidence_line(about: dict[str, Any]) -> str:
    """What a deposit's confidence is worth."""
    calibration: dict[str, Any] = about["calibration"]
    if calibration.get("confidence") is None:
        return "the net's own probability, not corrected"
    if "inherited_from" in calibration:
        return "corrected as that of the net before; not checked for this one"
    checked: Any = calibration.get("checked")
    if checked is None:
        return "corrected"
    errors: dict[str, Any] = checked["expected_calibration_error"]
    before, after = (errors[side]["value"] for side in ("before", "after"))
    return f"corrected: expected calibration error {before} before, {after} after, on other renders"


def pictures_from(training: dict[str, Any]) -> str:
    """What the net learnt from."""
    labelled, averaged = training.get("labelled_pictures"), training.get("averaged")
    if labelled is None:
        text = "pictures rendered by `synthetic/` alone"
        if averaged:
            text += (
                f"; {averaged['share']:g} of this run's net, the rest the net that it went on from"
            )
        return text
    return f"{labelled} labelled pictures of a shop and renders, on from `{training['parent']}`"


def score_lines(scores: dict[str, Any] | None) -> str:
    """The figures as a list; says so where none were measured."""
    if not scores:
        return "Not measured."
    lines = [f"- {name}: {value}" for name, value in scores.items()]
    return "\n".join(lines)

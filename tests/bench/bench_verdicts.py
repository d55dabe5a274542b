"""Verdicts on connectors whose truth is known, with every reason printed.

    python tests/bench/bench_verdicts.py FOLDER [--model FILE]

FOLDER: connectors with truth, NAME.json (`dirty`, `ferrule_diameter_mm`, `deposits`, `views` with
`picture` and `turn_deg`), pictures, and masks STEM.surfaces.png and STEM.deposits.png beside them.
Without --model the true masks stand in the net's place: what then goes wrong lies after it. With
--model a net looks; --trust sets its own record aside, which may forbid any mate.

Ends with 1 if a dirty connector was called mate or a spotless one was not.
"""

import argparse
import json
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from fiberward.inference.keep.inspection import Inspection
from fiberward.inference.pipeline import Inspector
from fiberward.inference.request import Request
from fiberward.inference.see.inputs import ConnectorFacts
from fiberward.inference.see.model_file import ModelCard, Thresholds
from fiberward.inference.see.picture import read_picture
from fiberward.inference.see.segment import Segmentation, Segmenter
from fiberward.model.kinds import KIND_NAMES, Kind

TRUSTED = {"recall_vouched": {"value": 1.0, "low": 0.99, "high": 1.0, "n": 300}}
ZONES_UM = 125.0  # the graded zones end at 250 um of diameter
CARD = ModelCard(
    id="true masks",
    sha256="0" * 64,
    um_per_px_range=(1.0, 10.0),
    thresholds=Thresholds(seed=0.7, grow=0.4, min_px=12, floor=0.55),
    calibration=None,
    scores=TRUSTED,
    training_hash="",
    code_version="",
    created_at="2026-01-01T00:00:00Z",
)


class TrueMasks:
    """A segmenter that knows the pictures of a folder."""

    card = CARD

    def __init__(self, pictures: list[Path]) -> None:
        self.known = {read_picture(path).rgb.tobytes(): path for path in pictures}

    def __call__(self, rgb: np.ndarray) -> Segmentation:
        """The true masks of a picture, uint8 [H, W, 3] RGB."""
        path = self.known[rgb.tobytes()]
        surface, kind = (
            cv2.imread(str(path.with_suffix(f".{name}.png")), cv2.IMREAD_UNCHANGED)
            for name in ("surfaces", "deposits")
        )
        dirty = (kind > 0).astype(np.float32)
        return Segmentation(surface, kind, dirty, np.zeros_like(dirty), 0.0, None, 12)


class Trusted:
    """A net whose own record is set aside."""

    def __init__(self, path: Path) -> None:
        self.net = Segmenter(path)
        self.card = replace(self.net.card, scores=TRUSTED)

    def __call__(self, rgb: np.ndarray) -> Segmentation:
        """What the net sees."""
        return self.net(rgb)


def inspect(inspector: Inspector, folder: Path, truth: dict[str, Any]) -> Inspection:
    """One connector, inspected with the turns as stated."""
    pictures = tuple(folder / view["picture"] for view in truth["views"])
    turns = tuple(float(view["turn_deg"]) for view in truth["views"])
    ferrule_mm = 2.5 if truth["ferrule_diameter_mm"] > 2 else 1.25
    request = Request(pictures, turns, ConnectorFacts(ferrule_mm=ferrule_mm))
    return inspector.inspect(request).inspection


def is_dirty(truth: dict[str, Any]) -> bool:
    """Whether the truth holds dirt that the scene was made dirty with."""
    dirt = [d for d in truth["deposits"] if d["kind"] != KIND_NAMES[Kind.DAMAGE]]
    return bool(dirt) and bool(truth["dirty"])


def zones_touched(truth: dict[str, Any]) -> bool:
    """Whether anything true lies in the graded zones: a faultless grade of them would see it."""
    return any(
        d["s_um"] is not None and d["s_um"] - d["size_um"] / 2 <= ZONES_UM
        for d in truth["deposits"]
    )


def main() -> int:
    """Print each connector's verdict and reasons, then the counts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--model", type=Path, help="a net instead of the true masks")
    parser.add_argument("--trust", action="store_true", help="set the net's own record aside")
    asked = parser.parse_args()
    cases = {
        path.stem: json.loads(path.read_text()) for path in sorted(asked.folder.glob("*.json"))
    }
    if not cases:
        parser.error(f"{asked.folder}: holds no NAME.json with a connector's truth")
    pictures = [asked.folder / v["picture"] for truth in cases.values() for v in truth["views"]]
    if asked.model is None:
        inspector = Inspector(TrueMasks(pictures))
    else:
        inspector = Inspector(Trusted(asked.model) if asked.trust else asked.model)
    count: Counter[tuple[str, str]] = Counter()
    passed_by_zones = 0
    for name, truth in cases.items():
        found = inspect(inspector, asked.folder, truth)
        state = "dirty" if is_dirty(truth) else "marked" if truth["deposits"] else "spotless"
        count[state, found.verdict] += 1
        passed_by_zones += state == "dirty" and not zones_touched(truth)
        print(f"{name} ({state}): {found.verdict}")
        for reason in found.reasons:
            print(f"  {reason.rule}: {reason.text}")
    for state in ("dirty", "marked", "spotless"):
        told = {verdict: n for (s, verdict), n in sorted(count.items()) if s == state}
        print(f"{state}: {sum(told.values())}: {told}")
    dirty = sum(n for (s, _), n in count.items() if s == "dirty")
    print(f"dirty, and passed by the graded zones alone: {passed_by_zones} of {dirty}")
    wrong = count["dirty", "mate"] + sum(
        n for (s, v), n in count.items() if s == "spotless" and v != "mate"
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

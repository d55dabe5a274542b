"""What a deposit's confidence is worth: the net's own probability, corrected by its record.

The net's mean probability over a piece says less than it seems to: large pieces are right more
often than small ones that it is as sure of. A model file may carry what its answers on withheld
renders taught,

    logit confidence = offset + slope * logit(mean probability) + size_slope * ln(pixels)

(Platt's method, 1999, with the size beside the score). Without it the mean probability stands.
"""

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, cast

__all__ = ["Calibration", "calibration_of"]

LEAST, MOST = 1e-4, 1 - 1e-4  # a mean of float32 probabilities says no more than this
METHOD = "platt-with-size"


@dataclass(frozen=True)
class Calibration:
    """The correction; `pieces`: how many answers it was learnt from.

    slope is above 0 and size_slope not below it: what the net is surer of stays surer, whatever
    the size.
    """

    offset: float
    slope: float
    size_slope: float
    pieces: int

    def __post_init__(self) -> None:
        values = (self.offset, self.slope, self.size_slope)
        if not all(map(math.isfinite, values)) or self.slope <= 0 or self.size_slope < 0:
            raise ValueError(
                "confidence: expected finite values, slope > 0 and size_slope >= 0, got "
                f"offset {self.offset}, slope {self.slope}, size_slope {self.size_slope}"
            )

    def of(self, mean_p: float, pixels: int) -> float:
        """The chance, 0..1, that a piece of `pixels` px with this mean probability is a deposit."""
        p = min(max(mean_p, LEAST), MOST)
        score = math.log(p / (1 - p))
        eta = self.offset + self.slope * score + self.size_slope * math.log(max(pixels, 1))
        return 1 / (1 + math.exp(-eta)) if eta > 0 else math.exp(eta) / (1 + math.exp(eta))

    def as_dict(self) -> dict[str, Any]:
        """As it stands in a model's metadata, under `confidence`."""
        return {"method": METHOD, **asdict(self)}


def calibration_of(table: Mapping[str, Any] | None) -> Calibration | None:
    """What a model's `calibration` metadata says of confidence; None where it says nothing.

    Raises ValueError for a method that is not known or values out of range.
    """
    found: Any = (table or {}).get("confidence")
    if found is None:
        return None
    row: dict[str, Any] = cast(dict[str, Any], found) if isinstance(found, dict) else {}
    if row.get("method") != METHOD:
        raise ValueError(f"confidence: expected a table of method {METHOD}, got {str(row)[:60]}")
    return Calibration(
        float(row["offset"]), float(row["slope"]), float(row["size_slope"]), int(row["pieces"])
    )

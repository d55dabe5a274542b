"""One inspection of one connector, as it is kept: frozen dataclasses <-> `inspection.json`.

The document's schema is `fiberward.inspection/1` (`schemas/inspection-1.json`). Within a major
version keys are only added. What was not measured is null, never 0. Lengths are micrometres, angles
degrees, as the names say.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar, cast

from ...model.errors import UsageError
from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES
from .files import write_atomically

__all__ = [
    "INSPECTION_SCHEMA",
    "INSPECTION_SCHEMA_FILE",
    "VERDICTS",
    "DepositRecord",
    "InZoneRecord",
    "Inspection",
    "ModelRecord",
    "ReasonRecord",
    "ViewRecord",
    "read_inspection",
    "utc_now",
]

INSPECTION_SCHEMA = "fiberward.inspection/1"
INSPECTION_SCHEMA_FILE = Path(__file__).parent / "schemas" / "inspection-1.json"
VERDICTS = ("mate", "clean-first", "reshoot", "retire")

ADDED, ADDED_OF_VIEW = ("cleanliness", "next_picture"), ("turn_source", "turn_quality")
ADDED_OF_DEPOSIT = ("s_sd_um", "theta_sd_deg")

T = TypeVar("T")


@dataclass(frozen=True)
class ReasonRecord:
    """Why the verdict is what it is: one sentence, and what it rests on.

    `rule`: the rule's name. `deposit`: the id of the deposit meant. `picture`: the name of the one
    meant. `figure`, `limit`: the number that decided and what it was held against, in `unit`. Each
    is None where the reason has none.
    """

    text: str
    rule: str
    deposit: int | None = None
    picture: str | None = None
    figure: float | None = None
    limit: float | None = None
    unit: str | None = None


@dataclass(frozen=True)
class InZoneRecord:
    """The grade of the zones within 250 um of diameter.

    `source`: picture, stated (then `stated` is within | outside and `stated_by` who said so) or
    none. `rows` counts the limits of `table`; `rows_over` and `rows_not_resolved` name them.
    """

    source: str
    rows: int | None = None
    rows_over: tuple[str, ...] | None = None
    rows_not_resolved: tuple[str, ...] | None = None
    table: str | None = None
    stated: str | None = None
    stated_by: str | None = None
    sentence: str | None = None


@dataclass(frozen=True)
class ViewRecord:
    """One picture: what it is, how it was taken as far as found, and what it can show.

    `picture` is the file's name; `stem` begins the names of the outputs made from it. `turn_deg` is
    theta at the bottom of the picture as used (found, or stated and refined), `stated_turn_deg`
    what the person said; `tilt_deg` and `roll_deg` are the camera's. `fiber_px` is (x, y) of the
    fibre's centre. A view that is not `readable` says `why_not` and is no evidence; `duplicate_of`
    names the picture of which it is a copy. `turn_source`: stated, or found from what the views
    share; `turn_quality` of a found one: 0..1, how far the next best turn lies below it.
    """

    picture: str
    stem: str
    sha256: str | None
    readable: bool
    why_not: str | None
    duplicate_of: str | None = None
    width_px: int | None = None
    height_px: int | None = None
    um_per_px: float | None = None
    um_per_px_interval: tuple[float, float] | None = None
    scale_source: str | None = None
    tilt_deg: float | None = None
    tilt_sd_deg: float | None = None
    turn_deg: float | None = None
    stated_turn_deg: float | None = None
    roll_deg: float | None = None
    fiber_px: tuple[float, float] | None = None
    detection_limit_um: float | None = None
    blur_sigma_px: float | None = None
    clipped_share: float | None = None
    notes: tuple[str, ...] = ()
    turn_source: str | None = None
    turn_quality: float | None = None


@dataclass(frozen=True)
class DepositRecord:
    """One physical deposit, however many views show it.

    `s_um`, `theta_deg`: the area's centroid; `s_um` is None off the chart (the housing's outside),
    `theta_deg` None when spread all round. Judged parts (`bridge`, `wedge`, `reach`, `harm`) are
    JSON objects of the judging stage, or None where not computed. `ruling`: the rule that stops it
    or by which it may stay. `verdict_without`: the verdict if this deposit were not there.
    `seen_in`: names of pictures. `s_sd_um`, `theta_sd_deg`: standard deviations of the place; None
    where it has none, or the version that inspected did not tell.
    """

    id: int
    kind: str
    confidence: float
    surface: str
    s_um: float | None
    theta_deg: float | None
    s_min_um: float | None
    s_max_um: float | None
    size_um: float | None
    area_um2: float | None
    feret_max_um: float | None
    width_um: float | None
    length_um: float | None
    enclosing_um: float | None
    in_zone_area_um2: float | None
    off_zone: bool
    unsure: bool
    bridge: Any
    wedge: Any
    reach: Any
    harm: Any
    seen_in: tuple[str, ...]
    ruling: Any = None
    verdict_without: str | None = None
    s_sd_um: float | None = None
    theta_sd_deg: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in KIND_NAMES or self.surface not in SURFACE_NAMES:
            raise ValueError(f"deposit {self.id}: unknown {self.kind!r} on {self.surface!r}")


@dataclass(frozen=True)
class ModelRecord:
    """Which weights looked at the pictures."""

    id: str
    sha256: str


@dataclass(frozen=True)
class Inspection:
    """Everything an inspection found, judged and rests on.

    `connector`: label, stage and whatever else was stated about it. `shape_um`: the dimensions
    fitted, None if no view could be fitted. `coverage`: per surface the share of its area on which
    some picture would show a deposit of `coverage_size_um`, None if nothing is known of it; `gaps`
    say in words what is missing. `validity`: what a mate holds for, None with other verdicts.
    `next_picture`: tilt, turn (deg) and, by surface, what share the picture would add that shows
    most of what is missing; None where none would. `cleanliness`: codes of ISO 16232 and
    ISO 14644-9 (see `cleanliness.py`).
    """

    verdict: str
    reasons: tuple[ReasonRecord, ...]
    validity: str | None
    in_zone: InZoneRecord
    views: tuple[ViewRecord, ...]
    coverage: Mapping[str, float | None]
    coverage_size_um: float | None
    gaps: tuple[str, ...]
    deposits: tuple[DepositRecord, ...]
    advice: tuple[str, ...]
    connector: Mapping[str, Any]
    shape_um: Mapping[str, float | None] | None
    model: ModelRecord
    settings: Mapping[str, Any]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    code_version: str
    created_at: str
    schema: str = INSPECTION_SCHEMA
    cleanliness: Mapping[str, Any] | None = None
    next_picture: Mapping[str, Any] | None = None

    def __post_init__(self) -> None:
        if self.verdict not in VERDICTS:
            raise ValueError(f"verdict: expected one of {VERDICTS}, got {self.verdict!r}")
        if self.schema != INSPECTION_SCHEMA:
            raise ValueError(f"schema: expected {INSPECTION_SCHEMA}, got {self.schema!r}")

    def to_json(self) -> dict[str, Any]:
        """The document, ready for `json.dumps`; the schema's name comes first."""
        document = json.loads(json.dumps(asdict(self), allow_nan=False))
        # earlier documents have no such keys, and must keep their hash
        added = [
            (document, ADDED),
            *((view, ADDED_OF_VIEW) for view in document["views"]),
            *((deposit, ADDED_OF_DEPOSIT) for deposit in document["deposits"]),
        ]
        for part, names in added:
            for name in names:
                if part[name] is None:
                    del part[name]
        return {"schema": document.pop("schema"), **document}

    @classmethod
    def from_json(cls, document: Mapping[str, Any]) -> "Inspection":
        """The inspection of a document; unknown keys are passed over (later minor versions).

        Raises ValueError or KeyError for a document of another schema or with keys missing.
        """
        parts = dict(document)
        parts["reasons"] = tuple(_record(ReasonRecord, r) for r in document["reasons"])
        parts["in_zone"] = _record(InZoneRecord, document["in_zone"])
        parts["views"] = tuple(_record(ViewRecord, v) for v in document["views"])
        parts["deposits"] = tuple(_record(DepositRecord, d) for d in document["deposits"])
        parts["model"] = _record(ModelRecord, document["model"])
        return _record(cls, parts)

    def write(self, path: Path) -> None:
        """Write the document to `path`, whole or not at all."""
        text = json.dumps(self.to_json(), indent=1, ensure_ascii=False)
        write_atomically(path, (text + "\n").encode())


def utc_now() -> str:
    """The time, UTC, RFC 3339 with Z."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def read_inspection(path: Path) -> Inspection:
    """Read an `inspection.json`, or a folder's; raises UsageError, one line, for anything else."""
    document = path / "inspection.json" if path.is_dir() else path
    if path.is_dir() and not document.exists():
        raise UsageError(
            f"{path}: holds no inspection.json; run fiberward inspect on its pictures first"
        )
    try:
        return Inspection.from_json(json.loads(document.read_bytes()))
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise UsageError(f"{path}: cannot be read ({reason}); name an inspection.json") from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise UsageError(
            f"{path}: not an inspection of schema {INSPECTION_SCHEMA} ({error}); "
            "name an inspection.json written by fiberward inspect"
        ) from error


def _record(kind: type[T], values: Mapping[str, Any]) -> T:
    """A record from a JSON object: known keys only, lists as tuples."""
    names = [field.name for field in fields(kind)]  # type: ignore[arg-type]
    return kind(**{name: _frozen(values[name]) for name in names if name in values})


def _frozen(value: Any) -> Any:
    return tuple(cast(list[Any], value)) if isinstance(value, list) else value

"""From what the stages found to the record that is kept."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, is_dataclass
from typing import Any, cast

import numpy as np

from ..model.kinds import KIND_NAMES
from ..model.shape import ConnectorShape
from ..model.surfaces import SURFACE_NAMES, Surface
from ..model.version import code_version
from .judge.sight import sight_of
from .judge.verdict import DepositJudgement, Judgement
from .keep.cautions import CAUTIONS
from .keep.cleanliness import cleanliness_of
from .keep.inspection import (
    DepositRecord,
    Inspection,
    InZoneRecord,
    ModelRecord,
    ReasonRecord,
    ViewRecord,
    utc_now,
)
from .request import Request
from .see.coverage import Coverage
from .see.fuse import Deposit
from .see.model_file import ModelCard
from .settings import Settings
from .view import SeenView, reference, unturned

__all__ = ["Found", "record_of", "utc_now"]

CHARTED = (Surface.FIBER, Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL, Surface.CAVITY)


@dataclass(frozen=True)
class Found:
    """What the stages found of one connector; `shape` and `coverage` None if nothing was placed."""

    views: Sequence[SeenView]
    deposits: Sequence[Deposit]
    shape: ConnectorShape | None
    coverage: Coverage | None
    judgement: Judgement


def record_of(
    found: Found, request: Request, settings: Settings, card: ModelCard, created_at: str
) -> Inspection:
    """The record of one inspection."""
    judged = found.judgement
    names = [view.name for view in found.views]
    rows = zip(found.deposits, judged.deposits, strict=True)
    deposits = tuple(_deposit(deposit, row, names) for deposit, row in rows)
    size_um = None if found.coverage is None else found.coverage.size_um
    return Inspection(
        verdict=judged.verdict,
        reasons=tuple(_reason(reason) for reason in judged.reasons),
        validity=judged.validity,
        in_zone=InZoneRecord(**_plain(judged.in_zone), sentence=judged.in_zone.sentence),
        views=tuple(_view(view, card.um_per_px_range) for view in found.views),
        coverage=_coverage(found.coverage),
        coverage_size_um=size_um,
        gaps=() if found.coverage is None else found.coverage.gaps,
        deposits=deposits,
        advice=(*judged.advice, *_next_words(found.coverage, judged.verdict)),
        next_picture=_next_picture(found.coverage),
        connector=request.stated,
        shape_um=None if found.shape is None else _plain(found.shape),
        model=ModelRecord(card.id, card.sha256),
        settings={
            **settings.to_json(),
            "rules": asdict(judged.rules),
            "thresholds": asdict(card.thresholds),
            "sight": asdict(sight_of(card.scores)),
        },
        cautions=CAUTIONS,
        notes=(*request.notes, *_notes(found.views)),
        code_version=code_version(),
        created_at=created_at,
        cleanliness=cleanliness_of(deposits, found.shape, _coverage(found.coverage), size_um),
    )


def _reason(reason: Any) -> ReasonRecord:
    parts = {**_plain(reason), "deposit": reason.deposit_id}
    del parts["deposit_id"]
    return ReasonRecord(**parts)


def _view(view: SeenView, trained_um_per_px: tuple[float, float]) -> ViewRecord:
    picture, pose, quality = view.picture, view.pose, view.quality
    camera = None if pose is None else pose.camera
    size = (None, None) if picture is None else picture.own_hw
    own = 1.0 if picture is None else picture.own_px  # what is told of pixels is told of the file's
    return ViewRecord(
        picture=view.name,
        stem=view.stem,
        sha256=None if picture is None else picture.sha256,
        readable=view.readable,
        why_not=view.why_not,
        duplicate_of=view.duplicate_of,
        width_px=size[1],
        height_px=size[0],
        um_per_px=None if camera is None else _number(camera.um_per_px / own),
        um_per_px_interval=None
        if pose is None
        else _pair([v / own for v in pose.um_per_px_interval]),
        scale_source=None if pose is None else pose.scale_source,
        tilt_deg=None if camera is None else _number(camera.tilt_deg),
        tilt_sd_deg=None if pose is None else _number(pose.tilt_sd_deg),
        turn_deg=_number(view.turn_deg),
        stated_turn_deg=view.stated_turn_deg,
        turn_source=_turn_source(view),
        turn_quality=None if pose is None else _number(pose.turn_quality),
        roll_deg=None if camera is None else _number(camera.roll_deg),
        fiber_px=None if camera is None else _pair([v * own for v in camera.fiber_px]),
        detection_limit_um=_number(view.detection_limit_um),
        blur_sigma_px=None if quality is None else _number(_times(quality.blur_sigma_px, own)),
        clipped_share=None if quality is None else _number(quality.clipped_share),
        notes=(
            *(() if picture is None else picture.notes),
            *_scale_note(view, trained_um_per_px),
            *_speck_note(view),
        ),
    )


def _turn_source(view: SeenView) -> str | None:
    if view.turn_deg is None:
        return None
    return "found" if view.stated_turn_deg is None else "stated"


def _scale_note(view: SeenView, trained_um_per_px: tuple[float, float]) -> tuple[str, ...]:
    """What to tell of a view whose scale the weights have not been trained on."""
    low, high = trained_um_per_px
    if view.pose is None or low <= view.pose.camera.um_per_px <= high:
        return ()
    return (
        f"{view.pose.camera.um_per_px:.3g} um per pixel is outside the {low:g} to {high:g} that "
        "the weights were trained on",
    )


def _deposit(deposit: Deposit, row: DepositJudgement, names: Sequence[str]) -> DepositRecord:
    parts = {k: v for k, v in vars(deposit).items() if k != "sightings"}
    parts["kind"] = KIND_NAMES[deposit.kind]
    parts["surface"] = SURFACE_NAMES[deposit.surface]
    parts["seen_in"] = tuple(names[index] for index in deposit.seen_in)
    judged = {name: _plain(getattr(row, name)) for name in ("bridge", "wedge", "reach", "harm")}
    judged["ruling"] = _ruling(row)
    judged["verdict_without"] = row.verdict_without
    return DepositRecord(**{**{k: _number(v) for k, v in parts.items()}, **judged})


def _ruling(row: DepositJudgement) -> dict[str, Any] | None:
    """Which rule stops the deposit, or by which it may stay."""
    reason = row.stop or row.stay
    if reason is None:
        return None
    parts = {k: v for k, v in _plain(reason).items() if k not in ("deposit_id", "picture")}
    return {"stops": row.stop is not None, **parts}


def _coverage(coverage: Coverage | None) -> dict[str, float | None]:
    share: Mapping[Surface, float] = {} if coverage is None else coverage.share
    return {SURFACE_NAMES[surface]: _number(share.get(surface)) for surface in CHARTED}


def _next_picture(coverage: Coverage | None) -> dict[str, Any] | None:
    if coverage is None or coverage.next_picture is None:
        return None
    wanted = coverage.next_picture
    adds = {name: _number(share) for name, share in wanted.adds.items()}
    return {"tilt_deg": wanted.tilt_deg, "turn_deg": wanted.turn_deg, "adds": adds}


def _next_words(coverage: Coverage | None, verdict: str) -> tuple[str, ...]:
    """Which picture to add, where the pictures cannot decide."""
    if verdict != "reshoot" or coverage is None or coverage.next_picture is None:
        return ()
    wanted = coverage.next_picture
    adds = " and ".join(f"{share:.0%} of the {name}" for name, share in wanted.adds.items())
    if wanted.tilt_deg == 0:
        return (f"The one picture that would add most: straight from the front; {adds} more.",)
    return (
        f"The one picture that would add most: tilt {wanted.tilt_deg:.0f} deg at turn "
        f"{wanted.turn_deg:.0f} deg; {adds} more.",
    )


def _speck_note(view: SeenView) -> tuple[str, ...]:
    """What sits on the camera and where, if anything does."""
    if not view.specks:
        return ()
    own = 1.0 if view.picture is None else view.picture.own_px
    places = sorted(seen.xy_px for seen in view.specks)
    at = ", ".join(f"({x * own:.0f}, {y * own:.0f})" for x, y in places)
    return (
        f"On the camera's lens or sensor, at the same pixels of other pictures too: {at} px. "
        "Left out, and what it hides is counted unseen; clean the lens.",
    )


def _notes(views: Sequence[SeenView]) -> tuple[str, ...]:
    notes = [
        f"{view.name} is the same picture as {view.duplicate_of} and counts once."
        for view in views
        if view.duplicate_of is not None
    ]
    first = reference(views)
    if first is not None:
        notes.append(f"No turn is known: angles count from the bottom of {views[first].name}.")
    zero = _zero_of(views)
    if zero is not None:
        notes.append(f"No turn was stated: angles count from the bottom of {zero}.")
    lost = ", ".join(views[index].name for index in sorted(unturned(views)))
    if lost:
        notes.append(f"How these are turned is not known, so they show no angles: {lost}.")
    return tuple(notes)


def _zero_of(views: Sequence[SeenView]) -> str | None:
    """The view whose bottom the found turns count from; None where one was stated."""
    if any(view.stated_turn_deg is not None and view.readable for view in views):
        return None
    known = [view for view in views if view.readable and view.turn_deg is not None]
    nearest = min(known, key=lambda v: abs(((v.turn_deg or 0.0) + 180) % 360 - 180), default=None)
    return None if nearest is None else nearest.name


def _pair(values: Sequence[float]) -> tuple[float, float]:
    return _number(float(values[0])), _number(float(values[1]))


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _number(value: Any) -> Any:
    """Numbers as Python's own, to 6 digits; None for NaN and infinity; anything else as it is."""
    plain = cast(Any, value.item() if isinstance(value, np.generic) else value)
    if not isinstance(plain, float):
        return plain
    return float(f"{plain:.6g}") if np.isfinite(plain) else None


def _plain(value: Any) -> Any:
    """A dataclass, or a tuple of them, as JSON values."""
    if is_dataclass(value):
        return {row.name: _plain(getattr(value, row.name)) for row in fields(value)}
    if isinstance(value, list | tuple):
        return tuple(_plain(each) for each in cast(Sequence[Any], value))
    return _number(value)

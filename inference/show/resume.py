"""What an earlier, interrupted run of a batch has done already."""

import hashlib
import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from ...model.errors import UsageError
from ...model.version import code_version
from ..keep.inspection import Inspection, read_inspection
from ..pipeline import Inspector
from ..request import Request

__all__ = ["finished"]

# What the records add to what was stated; a run that goes on finds these in the results.
_FROM_RECORDS = ("operator", "attempt", "cleanings_failed", "follows")


def finished(folder: Path, request: Request, inspector: Inspector) -> Inspection | None:
    """The inspection in `folder` if it answers this very request, else None.

    The same pictures (by content) with the same turns, facts, weights, settings and program.
    `inspection.json` is written last, so that what stands there is whole.
    """
    if not (folder / "inspection.json").exists():
        return None
    try:
        found = read_inspection(folder / "inspection.json")
    except UsageError:
        return None
    same = (
        found.code_version == code_version()
        and found.model.sha256 == inspector.segmenter.card.sha256
        and _stated(found.connector) == _stated(request.stated)
        and (found.in_zone.stated, found.in_zone.stated_by) == (request.in_zone, request.in_zone_by)
        and tuple(view.sha256 for view in found.views) == tuple(map(_sha256, request.pictures))
        and tuple(view.stated_turn_deg for view in found.views) == _turns(request)
        and _settings(found.settings) == _settings(_asked(request, inspector))
    )
    return found if same else None


def _stated(connector: Any) -> Any:
    kept = {k: v for k, v in connector.items() if k not in _FROM_RECORDS}
    return json.loads(json.dumps(kept))


def _turns(request: Request) -> tuple[float | None, ...]:
    return request.turns_deg or (None,) * len(request.pictures)


def _asked(request: Request, inspector: Inspector) -> dict[str, Any]:
    """The settings with which the request would be answered."""
    settings = inspector.settings
    if request.fiber_mode is None:
        return settings.to_json()
    rules = replace(settings.rules, fiber_mode=request.fiber_mode)
    return {**settings.to_json(), "rules": asdict(rules)}


def _settings(settings: Any) -> Any:
    """As JSON, without what the model file brings with it (its hash stands for that)."""
    own = {k: v for k, v in settings.items() if k not in ("thresholds", "sight")}
    return json.loads(json.dumps(own))


def _sha256(path: Path) -> str | None:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None

"""The nets at hand: the shipped one and those made here, which of them is active, and since when.

    FOLDER/NAME/NAME.onnx           the net that inspections use
          /NAME/weights.pt          what a further retraining starts from
          /NAME/model-card.md
          /NAME/retrain.json        parent, data, figures, and what the gate said
    FOLDER/active.json              every activation, the newest last; without it, the shipped net

FOLDER is FIBERWARD_MODELS, else `models` beside the user's own records. A net that the gate refused
is kept, and becomes active only with a stated reason. If the active file is gone or has changed,
that is an error: no other net silently takes its place.
"""

import hashlib
import json
import os
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol, cast

from ...model.errors import ModelError, UsageError
from ...model.shipped import SHIPPED_MODEL
from .files import write_atomically
from .own_folder import own_folder

__all__ = ["SHIPPED", "Activation", "AuditTrail", "ModelStore", "StoredModel"]

SHIPPED = "shipped"
ACTIVE_FILE = "active.json"
ACTIVE_SCHEMA = "fiberward.active-model/1"
RETRAIN_FILE = "retrain.json"
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,60}")


class AuditTrail(Protocol):
    """What keeps the audit trail: the records."""

    def note(self, action: str, subject: str, who: str | None = None, **detail: Any) -> None:
        """Add a row."""
        ...


@dataclass(frozen=True)
class StoredModel:
    """One net. weights: None where none are kept; about: what `retrain.json` holds, or empty."""

    name: str
    onnx: Path
    weights: Path | None
    about: Mapping[str, Any]

    @property
    def sha256(self) -> str:
        """Of the ONNX file. Raises ModelError where it cannot be read."""
        try:
            return hashlib.sha256(self.onnx.read_bytes()).hexdigest()
        except OSError as error:
            raise ModelError(f"{self.onnx}: cannot be read ({error.strerror})") from error

    @property
    def gate_passed(self) -> bool | None:
        """What the gate said; None for a net that never stood before it."""
        gate = self.about.get("gate")
        return None if gate is None else bool(gate["passed"])


@dataclass(frozen=True)
class Activation:
    """When which net became active, by whom and why."""

    name: str
    sha256: str
    at: str
    who: str
    reason: str


class ModelStore:
    """The nets below one folder."""

    def __init__(self, folder: Path | None = None) -> None:
        stated = os.environ.get("FIBERWARD_MODELS")
        self.folder = folder or (Path(stated) if stated else own_folder() / "models")

    def models(self) -> tuple[StoredModel, ...]:
        """The shipped net, then the others by name."""
        found = [self._shipped()]
        if self.folder.is_dir():
            for path in sorted(self.folder.iterdir()):
                if (path / f"{path.name}.onnx").exists():
                    found.append(self._stored(path.name))
        return tuple(found)

    def find(self, name: str) -> StoredModel:
        """The net of that name. Raises UsageError where there is none."""
        known = self.models()
        for model in known:
            if model.name == name:
                return model
        names = ", ".join(model.name for model in known)
        raise UsageError(f"no model {name!r}; there are {names}")

    def free_name(self, wanted: str) -> str:
        """`wanted`, or with the first free number behind it. Raises UsageError for an odd name."""
        if not NAME.fullmatch(wanted) or wanted == SHIPPED:
            raise UsageError(
                f"{wanted!r} cannot name a model: letters, digits, dot, dash and underscore, "
                f"up to 60, and not {SHIPPED!r}"
            )
        name, number = wanted, 2
        while (self.folder / name / f"{name}.onnx").exists():
            name, number = f"{wanted}-{number}", number + 1
        return name

    def history(self) -> tuple[Activation, ...]:
        """All activations, oldest first."""
        path = self.folder / ACTIVE_FILE
        if not path.exists():
            return ()
        try:
            document: Any = json.loads(path.read_text(encoding="utf-8"))
            if document["schema"] != ACTIVE_SCHEMA:
                raise ValueError(f"schema {document['schema']!r}")
            return tuple(Activation(**row) for row in document["history"])
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise ModelError(
                f"{path}: cannot be read ({error}); restore it, or remove it to go back to the "
                "shipped model"
            ) from error

    def active(self) -> StoredModel:
        """The net that inspections use. Raises ModelError where it is gone or has changed."""
        history = self.history()
        if not history or history[-1].name == SHIPPED:
            return self._shipped()
        last = history[-1]
        path = self.folder / last.name / f"{last.name}.onnx"
        if not path.exists():
            raise ModelError(
                f"{path}: the active model's file is gone; put it back, or run "
                "fiberward models rollback"
            )
        model = self._stored(last.name)
        if model.sha256 != last.sha256:
            raise ModelError(
                f"{path}: is not the file that was activated (its SHA-256 differs); put that back, "
                "or run fiberward models rollback"
            )
        return model

    def activate(self, name: str, who: str, reason: str, trail: AuditTrail) -> Activation:
        """Make a net the active one, noted in the trail first. Raises UsageError, ModelError."""
        model = self.find(name)
        history = self.history()
        before = history[-1].name if history else SHIPPED
        done = Activation(name, model.sha256, utc_now(), who, reason)
        trail.note(
            "model", done.sha256, who=who, name=name, before=before, reason=reason,
            gate=model.gate_passed,
        )  # fmt: skip
        rows = [asdict(each) for each in (*history, done)]
        self.folder.mkdir(parents=True, exist_ok=True)
        text = json.dumps({"schema": ACTIVE_SCHEMA, "history": rows}, indent=1, ensure_ascii=False)
        write_atomically(self.folder / ACTIVE_FILE, text.encode())
        return done

    def rollback(self, who: str, reason: str, trail: AuditTrail) -> Activation:
        """Go back to the net that was active before the present one. Raises UsageError."""
        history = self.history()
        if not history:
            raise UsageError("the shipped model is active and none was before it")
        past = [SHIPPED]
        for each in history:  # what a rollback left is not gone back to
            if len(past) > 1 and past[-2] == each.name and each.reason.startswith(ROLLED_BACK):
                past.pop()
            elif each.name != past[-1]:
                past.append(each.name)
        if len(past) < 2:
            raise UsageError("the shipped model is active and none was before it")
        return self.activate(past[-2], who, f"{ROLLED_BACK} from {past[-1]}: {reason}", trail)

    def _shipped(self) -> StoredModel:
        weights = SHIPPED_MODEL.with_suffix(".pt")
        return StoredModel(SHIPPED, SHIPPED_MODEL, weights if weights.exists() else None, {})

    def _stored(self, name: str) -> StoredModel:
        folder = self.folder / name
        about: dict[str, Any] = {}
        path = folder / RETRAIN_FILE
        if path.exists():
            try:
                about = cast(dict[str, Any], json.loads(path.read_text(encoding="utf-8")))
            except (OSError, ValueError) as error:
                raise ModelError(f"{path}: cannot be read ({error}); restore it") from error
        weights = folder / "weights.pt"
        return StoredModel(
            name, folder / f"{name}.onnx", weights if weights.exists() else None, about
        )


ROLLED_BACK = "rolled back"


def utc_now() -> str:
    """The time, UTC, RFC 3339 with Z."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

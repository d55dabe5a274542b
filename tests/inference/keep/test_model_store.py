"""Which net inspects: chosen by a person or the gate, audited, never silently another."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from fiberward.inference.keep.model_store import SHIPPED, ModelStore
from fiberward.inference.keep.records import Records
from fiberward.inference.keep.verify_records import verify
from fiberward.model.errors import ModelError, UsageError
from fiberward.model.shipped import SHIPPED_MODEL


class Trail:
    """Remembers what was noted."""

    def __init__(self) -> None:
        self.rows: list[dict[str, Any]] = []

    def note(self, action: str, subject: str, who: str | None = None, **detail: Any) -> None:
        self.rows.append({"action": action, "subject": subject, "who": who, **detail})


def stored(folder: Path, name: str, passed: bool = True) -> None:
    """A model of invented bytes, as far as the store looks at it."""
    (folder / name).mkdir(parents=True)
    (folder / name / f"{name}.onnx").write_bytes(f"net {name}".encode())
    about = {"gate": {"passed": passed, "reasons": ["deposits IoU fell"]}, "parent": None}
    (folder / name / "retrain.json").write_text(json.dumps(about))


def test_without_any_activation_the_shipped_net_is_active(tmp_path: Path) -> None:
    store = ModelStore(tmp_path / "none")
    assert store.active().name == SHIPPED
    assert store.active().onnx == SHIPPED_MODEL
    assert [model.name for model in store.models()] == [SHIPPED]


def test_activation_is_noted_with_who_why_and_what_was_before(tmp_path: Path) -> None:
    stored(tmp_path, "shop-a")
    store, trail = ModelStore(tmp_path), Trail()
    done = store.activate("shop-a", "R. Example", "passed the gate", trail)
    assert store.active().name == "shop-a"
    assert trail.rows == [
        {
            "action": "model", "subject": done.sha256, "who": "R. Example", "name": "shop-a",
            "before": SHIPPED, "reason": "passed the gate", "gate": True,
        }
    ]  # fmt: skip


def test_rollback_goes_back_step_by_step_to_the_shipped_net(tmp_path: Path) -> None:
    stored(tmp_path, "a")
    stored(tmp_path, "b")
    store, trail = ModelStore(tmp_path), Trail()
    store.activate("a", "x", "y", trail)
    store.activate("b", "x", "y", trail)
    assert store.rollback("x", "odd answers", trail).name == "a"
    assert store.rollback("x", "odd answers", trail).name == SHIPPED
    with pytest.raises(UsageError, match="none was before"):
        store.rollback("x", "again", trail)
    assert len(trail.rows) == len(store.history()) == 4


def test_a_net_that_is_gone_or_was_changed_is_an_error_not_another_net(tmp_path: Path) -> None:
    stored(tmp_path, "a")
    store = ModelStore(tmp_path)
    store.activate("a", "x", "y", Trail())
    file = tmp_path / "a" / "a.onnx"
    file.write_bytes(b"something else")
    with pytest.raises(ModelError, match="is not the file that was activated"):
        store.active()
    file.unlink()
    with pytest.raises(ModelError, match="is gone"):
        store.active()


def test_a_damaged_list_of_activations_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "active.json").write_text("{")
    with pytest.raises(ModelError, match="cannot be read"):
        ModelStore(tmp_path).active()


def test_names_that_no_file_can_have_are_refused_and_taken_ones_numbered(tmp_path: Path) -> None:
    stored(tmp_path, "shop")
    store = ModelStore(tmp_path)
    assert store.free_name("shop") == "shop-2"
    for odd in ("../up", "", SHIPPED, "a/b"):
        with pytest.raises(UsageError, match="cannot name a model"):
            store.free_name(odd)


def test_an_activation_stands_in_the_records_audit_trail(tmp_path: Path) -> None:
    stored(tmp_path / "models", "a")
    with Records.open(str(tmp_path / "records.db"), who="R. Example") as records:
        ModelStore(tmp_path / "models").activate("a", "R. Example", "why not", records)
        assert verify(records).wrong == ()
    with closing(sqlite3.connect(tmp_path / "records.db")) as raw:
        rows = raw.execute(
            "select who, action, detail from audit where action = 'model'"
        ).fetchall()
    assert [(who, action) for who, action, _ in rows] == [("R. Example", "model")]
    assert json.loads(rows[0][2])["name"] == "a"

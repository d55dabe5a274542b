"""The commands `fiberward models ...`: which nets there are, and which one inspects."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ...model.errors import UsageError
from .terminal import Terminal

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..keep.model_store import Activation, ModelStore, StoredModel
    from ..keep.records import Records

__all__ = ["activate_model", "list_models", "rollback_model", "show_model"]

Folder = Annotated[
    Path | None,
    typer.Option(
        "--models", metavar="DIR", help="The models' folder. [default: FIBERWARD_MODELS, else own]"
    ),
]
Db = Annotated[
    str | None,
    typer.Option(
        metavar="FILE|URL", help="Whose audit trail notes it. [default: FIBERWARD_DB, else own]"
    ),
]
Name = Annotated[str, typer.Argument(metavar="NAME", help="As `fiberward models list` shows it.")]
By = Annotated[str | None, typer.Option(metavar="NAME", help="Who decides. [default: the login]")]
GATE_WORDS = {None: "not asked", True: "passed", False: "refused"}
HEADLINE = (
    "recall_vouched", "recall_dirt", "false_per_clean_view", "deposits_iou", "surfaces_mean_iou",
)  # fmt: skip


def list_models(models: Folder = None) -> int:
    """List the nets: the shipped one and those retrained here; * marks the active one."""
    store = _store(models)
    active = store.active().name
    rows = [_row(model, active) for model in store.models()]
    lines = [f"{'':2}{'name':24} {'gate':10} {'parent':20} made"]
    for row in rows:
        mark = "* " if row["active"] else "  "
        gate, parent = GATE_WORDS[row["gate_passed"]], row["parent"] or "-"
        lines.append(f"{mark}{row['name']:24} {gate:10} {parent:20} {row['created_at'] or '-'}")
    history = [asdict(each) for each in store.history()]
    document = {"schema": "fiberward.models/1", "models": rows, "history": history}
    Terminal.current().result("\n".join(lines), document)
    return 0


def show_model(name: Name, models: Folder = None) -> int:
    """Show one net: what it learnt from, its figures, and what the gate said."""
    from ..see.model_file import open_model

    store = _store(models)
    model = store.find(name)
    _, card = open_model(model.onnx)
    row = _row(model, store.active().name)
    lines = [
        f"{name}{' (active)' if row['active'] else ''}: {model.onnx}",
        f"  SHA-256 {card.sha256}, made {card.created_at}",
        f"  parent {row['parent'] or '-'}, gate {GATE_WORDS[model.gate_passed]}",
        "  on withheld renders:",
    ]
    for key in HEADLINE:
        scores: dict[str, Any] = card.scores or {}
        figure = scores.get(key)
        value = "not measured" if figure is None else _figure(figure)
        lines.append(f"    {key.replace('_', ' '):24} {value}")
    lines += [f"  {line}" for line in _gate_lines(model.about.get("gate"))]
    lines += [
        f"  activated {each.at} by {each.who}: {each.reason}"
        for each in store.history()
        if each.name == name
    ]
    document = row | {
        "scores": card.scores,
        "thresholds": asdict(card.thresholds),
        "about": dict(model.about),
    }
    Terminal.current().result("\n".join(lines), document)
    return 0


def activate_model(
    name: Name,
    despite: Annotated[
        str | None,
        typer.Option(metavar="REASON", help="Activate although the gate refused it, and why."),
    ] = None,
    by: By = None,
    models: Folder = None,
    db: Db = None,
) -> int:
    """Make a net the one that inspects; noted in the records' audit trail."""
    store = _store(models)
    model = store.find(name)
    if model.gate_passed is False and not (despite or "").strip():
        first = model.about["gate"]["reasons"][0]
        raise UsageError(
            f"the gate refused {name} ({first}); to activate it all the same, say why: "
            "--despite REASON"
        )
    reason = (despite or "").strip() or "chosen"
    _changed(db, by, lambda records, who: store.activate(name, who, reason, records))
    return 0


def rollback_model(
    reason: Annotated[str, typer.Option(metavar="WHY", help="Why.")] = "chosen",
    by: By = None,
    models: Folder = None,
    db: Db = None,
) -> int:
    """Go back to the net that was active before; noted in the records' audit trail."""
    store = _store(models)
    _changed(db, by, lambda records, who: store.rollback(who, reason, records))
    return 0


def _changed(
    db: str | None, by: str | None, change: "Callable[[Records, str], Activation]"
) -> None:
    from ..keep.audit import login_name
    from ..keep.records import Records

    with Records.open(db) as records:
        done = change(records, by or login_name())
    text = f"{done.name} is the active model now (was noted in {records.place})"
    Terminal.current().result(text, asdict(done))


def _store(folder: Path | None) -> "ModelStore":
    from ..keep.model_store import ModelStore

    return ModelStore(folder)


def _row(model: "StoredModel", active: str) -> dict[str, Any]:
    parent: dict[str, Any] = model.about.get("parent") or {}
    return {
        "name": model.name,
        "active": model.name == active,
        "sha256": model.sha256,
        "gate_passed": model.gate_passed,
        "parent": parent.get("name"),
        "created_at": model.about.get("created_at"),
        "file": str(model.onnx),
    }


def _figure(figure: Any) -> str:
    value, low, high, n = (figure[key] for key in ("value", "low", "high", "n"))
    if value is None:
        return "not measured"
    return f"{value:.3f}" + (f" ({low:.3f} to {high:.3f}, n {n})" if low is not None else "")


def _gate_lines(gate: Any) -> list[str]:
    if gate is None:
        return []
    return [f"gate: {GATE_WORDS[bool(gate['passed'])]}", *(f"  - {r}" for r in gate["reasons"])]

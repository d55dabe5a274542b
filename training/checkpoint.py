"""A run's state on disk: small files, written so that a kill at any moment leaves a whole one.

    RUN/last.json                  names the folder that counts; replaced in one rename
    RUN/step-00001200/weights.pt   net: float16 (vectors and batch-norm statistics float32)
                     /ema.pt       its moving average, likewise
                     /moment1.pt   the optimisers' means of gradients, bfloat16
                     /moment2.pt   AdamW's mean squares, bfloat16

Half precision keeps each file of a 6.2-million-parameter net under 13 MB. `round_state` rounds the
living state to what is written, so that a run that was killed and one that went on are the same.
Only tensors and plain values are stored; they are read with `weights_only=True`.
"""

import json
import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import torch
from torch import Tensor, nn

from ..model.errors import ModelError
from .config import TrainingConfig, from_table
from .nets import build_net

__all__ = ["LAST", "RunState", "load", "load_ema", "newest", "round_state", "save", "start_from"]

SCHEMA = "fiberward.checkpoint/1"
LAST = "last.json"
MOMENTS = {"moment1": "exp_avg", "moment2": "exp_avg_sq"}


@dataclass
class RunState:
    """What changes while a run goes on. `step` counts finished steps of the whole run."""

    net: nn.Module
    ema: dict[str, Tensor]
    optimisers: Sequence[torch.optim.Optimizer]
    step: int = 0


def halved(value: Tensor) -> Tensor:
    """Matrices and kernels as float16; vectors, statistics and counts as they are."""
    return value.to(torch.float16) if value.is_floating_point() and value.ndim > 1 else value


def moments(state: RunState, key: str) -> dict[str, Tensor]:
    """The moving means of gradients or of their squares by parameter name, where there are any."""
    slots = {p: slot for optimiser in state.optimisers for p, slot in optimiser.state.items()}
    named = state.net.named_parameters()
    return {name: cast(Tensor, slots[p][key]) for name, p in named if key in slots.get(p, {})}


@torch.no_grad()
def round_state(state: RunState) -> None:
    """Round the living state to the precision that `save` writes; in every process."""
    for value in (*state.net.state_dict().values(), *state.ema.values()):
        value.copy_(halved(value))
    for key in MOMENTS.values():
        for value in moments(state, key).values():
            value.copy_(value.to(torch.bfloat16))


def save(run: Path, state: RunState, config: TrainingConfig, about: Mapping[str, Any]) -> Path:
    """Write the (rounded) state and make it the run's last; then remove older folders."""
    run.mkdir(parents=True, exist_ok=True)
    files: dict[str, dict[str, Tensor]] = {
        "weights": {k: halved(v) for k, v in state.net.state_dict().items()},
        "ema": {k: halved(v) for k, v in state.ema.items()},
    }
    for name, key in MOMENTS.items():
        files[name] = {k: v.to(torch.bfloat16) for k, v in moments(state, key).items()}
    folder = Path(tempfile.mkdtemp(prefix="writing-", dir=run))
    for name, tensors in files.items():
        torch.save({k: v.cpu().contiguous() for k, v in tensors.items()}, folder / f"{name}.pt")
    final = run / f"step-{state.step:08d}"
    if final.exists():
        shutil.rmtree(final)
    folder.chmod(0o755)
    folder.rename(final)
    head = {
        "schema": SCHEMA,
        "folder": final.name,
        "step": state.step,
        "config": config.as_table(),
        "about": dict(about),
    }
    write_atomically(run / LAST, json.dumps(head, indent=1))
    for old in (*run.glob("step-*"), *run.glob("writing-*")):
        if old != final:
            shutil.rmtree(old)
    return final


def write_atomically(path: Path, text: str) -> None:
    """The whole text or nothing, also when killed in between."""
    waiting = path.with_name(path.name + ".writing")
    with waiting.open("w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
    waiting.replace(path)


def newest(run: Path) -> dict[str, Any] | None:
    """The head of the run's last checkpoint, or None where the run has not begun."""
    path = run / LAST
    if not path.exists():
        return None
    try:
        head = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ModelError(
            f"{path}: cannot be read ({error}); restore it or begin a new run"
        ) from error
    if not isinstance(head, dict) or cast(dict[str, Any], head).get("schema") != SCHEMA:
        raise ModelError(f"{path}: not a checkpoint of the form {SCHEMA}; begin a new run")
    return cast(dict[str, Any], head)


def head_of(run: Path) -> dict[str, Any]:
    """The head of the run's last checkpoint; `ModelError` where the run has not begun."""
    head = newest(run)
    if head is None:
        raise ModelError(f"{run / LAST}: no checkpoint; give the folder of a training run")
    return head


def read_tensors(path: Path) -> dict[str, Tensor]:
    """One file of a checkpoint."""
    try:
        return cast(dict[str, Tensor], torch.load(path, map_location="cpu", weights_only=True))
    except (OSError, RuntimeError, EOFError, ValueError) as error:
        raise ModelError(f"{path}: damaged or missing checkpoint file ({error})") from error


def fill(net: nn.Module, tensors: dict[str, Tensor], path: Path) -> None:
    """Copy stored values into the net, whatever their precision; names and shapes must agree."""
    try:
        net.load_state_dict(
            {k: v.float() if v.is_floating_point() else v for k, v in tensors.items()}
        )
    except RuntimeError as error:
        raise ModelError(
            f"{path}: does not fit the net of these settings: it is of another shape; begin with "
            "another model (fiberward retrain: --parent shipped) or the settings it was made with"
        ) from error


def load(run: Path, state: RunState, config: TrainingConfig) -> bool:
    """Go on where the run stopped; False if nothing is stored. Refuses other settings."""
    head = newest(run)
    if head is None:
        return False
    stored = from_table(TrainingConfig, head["config"], str(run / LAST))
    if stored != config:
        wanted, have = config.as_table(), stored.as_table()
        keys = ", ".join(k for k in wanted if wanted[k] != have[k])
        raise ModelError(f"{run}: begun with other settings ({keys}); use those or another folder")
    folder = run / head["folder"]
    fill(state.net, read_tensors(folder / "weights.pt"), folder)
    average = read_tensors(folder / "ema.pt")
    for name, value in state.ema.items():
        value.copy_(average[name])
    stored_moments = {key: read_tensors(folder / f"{name}.pt") for name, key in MOMENTS.items()}
    names = {p: name for name, p in state.net.named_parameters()}
    for optimiser in state.optimisers:
        for p in (p for group in optimiser.param_groups for p in group["params"]):
            known = {k: v[names[p]] for k, v in stored_moments.items() if names[p] in v}
            if known:
                optimiser.state[p] = slot_of(p, known, head["step"])
    state.step = int(head["step"])
    return True


def slot_of(parameter: Tensor, known: Mapping[str, Tensor], step: int) -> dict[str, Any]:
    """An optimiser's memory of one parameter."""
    p = parameter.detach()
    count = torch.tensor(float(step))
    # laid out like the parameter: the fused optimiser walks both in memory order
    moments = {k: torch.empty_like(p).copy_(v) for k, v in known.items()}
    return {"step": count.to(p.device) if p.is_cuda else count} | moments  # as fused wants


def start_from(run: Path, state: RunState) -> None:
    """Begin with the averaged net of another run; parts which that net lacks keep their start.

    run: the other run's folder, or one file of weights such as the shipped `fiberward.pt`.
    """
    if run.is_file():
        known = read_tensors(run)
    else:
        known = read_tensors(run / head_of(run)["folder"] / "ema.pt")
    for name, value in state.net.state_dict().items():
        if name in known and known[name].shape == value.shape:
            value.copy_(known[name])
    for name, value in state.net.state_dict().items():
        state.ema[name].copy_(value)


def load_ema(run: Path) -> tuple[nn.Module, TrainingConfig, dict[str, Any]]:
    """The averaged net of a run, in eval mode; the run's settings; its checkpoint's head."""
    head = head_of(run)
    config = from_table(TrainingConfig, head["config"], str(run / LAST))
    net = build_net(config.architecture, config.net)
    path = run / head["folder"] / "ema.pt"
    fill(net, read_tensors(path), path)
    return net.eval(), config, head

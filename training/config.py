"""One frozen dataclass per training run: TOML in, unknown keys refused, kept in checkpoints."""

import types
import typing
from collections.abc import Mapping
from dataclasses import MISSING, asdict, dataclass, field, fields, is_dataclass
from pathlib import Path
from typing import Any, TypeVar, cast

from ..model.errors import SettingsError
from ..model.net import NetShape
from ..model.toml_text import toml_table
from ..synthetic.render import RenderPlan
from .seeds import MOST_RUNS

__all__ = ["ARCHITECTURES", "LossWeights", "TrainingConfig", "from_table", "read_config"]

T = TypeVar("T")
# nets that one loop can train; the first is the project's own (see training/nets.py)
ARCHITECTURES = ("sight", "lraspp-mobilenet-v3", "deeplab-resnet-50")


@dataclass(frozen=True)
class LossWeights:
    """What each part of the loss counts; see `training.losses`.

    fiber, chamfer: factors on the surface cross-entropy of those two small surfaces.
    reference_px: a deposit of this many pixels has kind weight 1; smaller ones
    sqrt(reference / area), within area_low..area_high. clean_share: what a clean pixel adds to the
    divisor of the kinds' cross-entropy. rim: weight of pixels beside a
    boundary between kinds. clean_share: see `training.losses.kind_terms`.
    """

    surface: float = 1.0
    fiber: float = 4.0
    chamfer: float = 1.5
    surface_dice: float = 0.3
    kind: float = 1.0
    clean_share: float = 0.02
    reference_px: float = 600.0
    area_low: float = 1.0
    area_high: float = 8.0
    rim: float = 0.35
    deposit_dice: float = 0.35
    kind_dice: float = 0.35
    unseen: float = 0.3
    unlike: float = 0.2


@dataclass(frozen=True)
class TrainingConfig:
    """Everything that decides a run.

    steps: of the whole run, over all calls; the cosine falls to 0 there. batches: what each
    process renders, one plan after the other in turn, so that full frames and native-scale crops
    alternate; each render is dealt out to `chunks` steps, and with `mirror` to as many again with
    left and right exchanged. echoes, echo_lag: how often each render serves, and how many renders
    later again (`training.echo`). pool: how many renders are kept in memory and used in turn,
    0 = every one is fresh. only: names of the net's parts that learn, the others stay as they
    are; empty = all. architecture: one of `ARCHITECTURES`. learning_rate is AdamW's peak, after
    warmup_steps. kernel_rate: Muon's peak for the kernels under a batch norm; 0 = AdamW moves them
    too (`training.optimiser`). clip: largest gradient norm.
    """

    seed: int = 1
    steps: int = 8000
    batches: tuple[RenderPlan, ...] = (
        RenderPlan(40, 2, (640, 640), crop=True, clean_share=0.2, negative_share=0.045),
        RenderPlan(12, 2, (960, 1280), crop=False, clean_share=0.34, negative_share=0.14),
    )
    chunks: int = 4
    mirror: bool = True
    echoes: int = 1
    echo_lag: int = 12
    pool: int = 0
    only: tuple[str, ...] = ()
    learning_rate: float = 2.5e-3
    kernel_rate: float = 0.02
    weight_decay: float = 0.02
    warmup_steps: int = 200
    ema_decay: float = 0.9985
    clip: float = 2.0
    bf16: bool = True
    compile: bool = False
    check_every: int = 20
    save_minutes: float = 3.0
    validation_batches: int = 4
    architecture: str = ARCHITECTURES[0]
    net: NetShape = field(default_factory=NetShape)
    loss: LossWeights = field(default_factory=LossWeights)

    @property
    def steps_per_render(self) -> int:
        """Steps that one render of each process serves."""
        return self.chunks * (2 if self.mirror else 1)

    def __post_init__(self) -> None:
        checks = {
            "seed": 1 <= self.seed < MOST_RUNS,
            "steps": self.steps >= 1,
            "batches": bool(self.batches) and all(map(possible, self.batches)),
            "chunks": 1 <= self.chunks <= min((p.scenes * p.sets for p in self.batches), default=1),
            "echoes": self.echoes >= 1,
            "echo_lag": self.echo_lag >= 1,
            "pool": self.pool >= 0,
            "learning_rate": self.learning_rate > 0,
            "kernel_rate": self.kernel_rate >= 0,
            "weight_decay": self.weight_decay >= 0,
            "warmup_steps": 0 <= self.warmup_steps <= self.steps,
            "ema_decay": 0 <= self.ema_decay < 1,
            "clip": self.clip > 0,
            "check_every": self.check_every >= 1,
            "save_minutes": self.save_minutes > 0,
            "architecture": self.architecture in ARCHITECTURES,
            "validation_batches": self.validation_batches >= 0,
        }
        wrong = [name for name, good in checks.items() if not good]
        if wrong:
            values = ", ".join(f"{name} = {getattr(self, name)!r}" for name in wrong)
            raise SettingsError(f"training settings: {values} is out of range; correct the value")

    def as_table(self) -> dict[str, Any]:
        """Plain nested values, from which `from_table` gives an equal object."""
        return asdict(self)


def possible(plan: RenderPlan) -> bool:
    """Whether a plan renders anything."""
    shares = (plan.clean_share, plan.negative_share)
    return min(plan.scenes, plan.sets, *plan.size_hw) >= 1 and all(0 <= s <= 1 for s in shares)


def read_config(path: Path) -> TrainingConfig:
    """Read a run's settings. Raises `SettingsError` for a missing file, bad TOML, key or value."""
    try:
        table = toml_table(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(
            f"{path}: cannot be read ({error.strerror}); give an existing TOML file"
        ) from error
    except ValueError as error:  # TOMLDecodeError and UnicodeDecodeError among them
        raise SettingsError(f"{path}: not valid TOML ({error}); correct the file") from error
    return from_table(TrainingConfig, table, str(path))


def from_table(kind: type[T], table: Mapping[str, Any], where: str) -> T:
    """A dataclass from plain values; unknown keys and wrong types raise `SettingsError`."""
    if not is_dataclass(kind):
        raise TypeError(f"expected a dataclass, got {kind!r}")
    known = {f.name: f for f in fields(kind)}
    unknown = sorted(set(table) - set(known))
    if unknown:
        raise SettingsError(
            f"{where}: unknown key {', '.join(unknown)}; known are {', '.join(known)}"
        )
    hints = typing.get_type_hints(kind)
    missing = [
        n
        for n, f in known.items()
        if n not in table and f.default is MISSING and f.default_factory is MISSING
    ]
    if missing:
        raise SettingsError(f"{where}: {', '.join(missing)} missing; add it")
    values = {
        name: convert(hints[name], value, f"{where}: {name}") for name, value in table.items()
    }
    return cast(T, kind(**values))


def convert(hint: Any, value: Any, where: str) -> Any:
    """One value as its annotation wants it: whole numbers serve as floats, lists as tuples."""
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if is_dataclass(hint) and isinstance(value, Mapping):
        return from_table(cast(type[Any], hint), cast(Mapping[str, Any], value), where)
    if origin is tuple and isinstance(value, (list, tuple)):
        items: list[Any] = list(cast(Any, value))
        wanted = [args[0]] * len(items) if args[-1] is Ellipsis else list(args)
        if len(wanted) == len(items):
            return tuple(convert(w, v, where) for w, v in zip(wanted, items, strict=True))
    elif origin in (typing.Union, types.UnionType):
        if value is None and type(None) in args:
            return None
        return convert(next(a for a in args if a is not type(None)), value, where)
    elif hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    elif hint is Any or type(value) is (origin or hint):
        return value
    raise SettingsError(f"{where} = {value!r} is not of the type {hint}; correct the value")

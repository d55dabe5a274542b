"""A run's averaged net as one ONNX file, refused unless it agrees with torch.

Weights are stored as float16 and computed in float32 (a `Cast` after each, which the runtime folds
when it loads), or, with `int8`, the convolutions are quantised statically, with renders for
calibration. The file says about itself what it was trained on and how well it agrees (keys in
`metadata`).
"""

import hashlib
import json
import os
import tempfile
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import nn

from ..model.errors import TrainingError
from ..model.kinds import KIND_NAMES
from ..model.net import SightNet
from ..model.surfaces import SURFACE_NAMES
from ..model.version import code_version
from ..synthetic.draw import Draw
from ..synthetic.render import RenderPlan
from ..synthetic.scene import draw_scene
from .checkpoint import load_ema
from .config import TrainingConfig
from .model_card import write_model_card
from .model_metadata import kept_calibration
from .nets import with_probabilities
from .runtime_form import RuntimeForm
from .seeds import AGREEMENT_SEED, QUANTISING_SEED
from .source import Source

__all__ = [
    "Agreement",
    "Exported",
    "about_run",
    "agreement_pictures",
    "compare",
    "export_net",
    "export_run",
]

SCHEMA = "fiberward.model/1"
OUTPUTS = ("surface", "kind", "unseen", "unlike")
LARGEST_BYTES = 16_000_000
# Values below which a weight stays float32. A later one, where the one before does not agree with
# torch: heads and finest stage too (2 % of it), then all but the two deepest stages (15.2 MB).
SMALL = (256, 16_384, 100_000)
THRESHOLDS = {"seed": 0.7, "grow": 0.4, "min_px": 12}
# limits of the agreement: largest |difference| of a probability, smallest share of equal labels
LIMITS = {"float16": (0.02, 0.999), "int8": (1.0, 0.985)}
AGREEMENT_SIZES_HW = ((240, 320), (192, 256), (225, 301), (97, 131))
CALIBRATION_SIZE_HW = (480, 640)

Picture = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Agreement:
    """How far an ONNX file is from the torch net.

    max_dp: largest |difference| of any probability; mean_dp: mean over all; surface, kind: share of
    pixels with the same likeliest label.
    """

    pictures: int
    shapes: int
    max_dp: float
    mean_dp: float
    surface: float
    kind: float


@dataclass(frozen=True)
class Exported:
    """The written file and what it says about its agreement.

    kept: the file replaced one of the same weights and took over what `calibrate` had found.
    """

    path: Path
    card: Path
    size_bytes: int
    agreement: Agreement
    kept: bool = False


def export_run(run: Path, out: Path, source: Source, int8: bool, scores: Any = None) -> Exported:
    """Export the averaged net of the training run in `run` to `out`, with its card beside it.

    scores: figures of `training.evaluate` to carry along, or None. Thresholds and calibration of a
    file at `out` stay if it holds the same weights, and so do its scores if none are given. Raises
    `ModelError` without a checkpoint, `TrainingError` if the file would be too large or does not
    agree.
    """
    net, config, head = load_ema(run)
    return export_net(net, out, source, int8, about_run(config, head, scores))


def about_run(config: TrainingConfig, head: Mapping[str, Any], scores: Any) -> dict[str, Any]:
    """What a file says of the run that it comes from; `head`: of the run's last checkpoint."""
    return {
        "um_per_px_range": um_per_px_range(config),
        "training_hash": training_hash(config, int(head["step"]), head["about"].get("averaged")),
        "scores": scores,
        "training": {"step": head["step"], "steps": config.steps, **head["about"]},
    }


def export_net(
    net: nn.Module,
    out: Path,
    source: Source,
    int8: bool,
    about: dict[str, Any],
    largest_bytes: int | None = LARGEST_BYTES,
) -> Exported:
    """Write, compare, and only then give the file its name. `largest_bytes` None: of any size."""
    form = "int8" if int8 else "float16"
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".export-", dir=out.parent) as folder:
        raw = Path(folder, "raw.onnx")
        trace(net, raw)
        full = without_notes(quantised(raw, source) if int8 else load_onnx(raw))
        plain = Path(folder, out.name)
        model, agreement = stored_closely(net, full, (plain, form), agreement_pictures(source))
        refuse_unless_close(agreement, form)
        kept = kept_calibration(out, model)
        described = about | {
            "numeric_form": form,
            "agreement": asdict(agreement),
            "thresholds": THRESHOLDS,
            "calibration": {"numeric_form": form},
        }
        if kept is not None:
            described |= kept | {"scores": about["scores"] or kept["scores"]}
        describe(model, metadata(described))
        save_onnx(model, plain)
        size = plain.stat().st_size
        if largest_bytes is not None and size > largest_bytes:
            raise TrainingError(
                f"{out}: {size} bytes, at most {largest_bytes}; make the net narrower"
            )
        os.replace(plain, out)
    card = write_model_card(out, described)
    return Exported(out, card, size, agreement, kept is not None)


def trace(net: nn.Module, path: Path) -> None:
    """The net with probabilities as float32 ONNX; batch, height and width stay free."""
    example = torch.zeros(2, 96, 160, 3, dtype=torch.uint8)
    net = net.cpu().eval()
    wrapped = (RuntimeForm(net) if isinstance(net, SightNet) else with_probabilities(net)).eval()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the exporter's own, about its internals
        torch.onnx.export(  # pyright: ignore[reportUnknownMemberType]
            wrapped,
            (example,),
            str(path),
            input_names=["picture"],
            output_names=list(OUTPUTS),
            dynamic_shapes=({0: "batch", 1: "height", 2: "width"},),
            external_data=False,
            dynamo=True,
            verbose=False,
        )


def load_onnx(path: Path) -> Any:
    """An ONNX model in memory."""
    import onnx

    kit: Any = onnx
    return kit.load(str(path))


def without_notes(model: Any) -> Any:
    """The same model without what the exporter noted of its making: stack traces that name the
    folders of the machine, node by node. Changed in place.
    """
    graph = model.graph
    for part in (graph, *graph.node, *graph.value_info, *graph.initializer, *graph.input,
                 *graph.output):  # fmt: skip
        del part.metadata_props[:]
        part.doc_string = ""
    return model


def save_onnx(model: Any, path: Path) -> None:
    """One file, weights inside."""
    import onnx

    kit: Any = onnx
    kit.save_model(model, str(path), save_as_external_data=False)


def stored_closely(
    net: nn.Module, full: Any, where: tuple[Path, str], batches: Sequence[Picture]
) -> tuple[Any, Agreement]:
    """The model `full` with its large weights as float16, as few at full precision as agree, and
    how far it is from the net. where: the file to write, and its numeric form.
    """
    path, form = where
    tried: list[tuple[Any, Agreement]] = []
    for small in SMALL:
        model = type(full)()
        model.CopyFrom(full)
        store_as_float16(model, small)
        save_onnx(model, path)
        tried.append((model, compare(net, path, batches)))
        if is_close(tried[-1][1], form):
            break
    return tried[-1]


def store_as_float16(model: Any, small: int = SMALL[0]) -> None:
    """Keep each float32 weight of at least `small` values as float16, cast where used; in place."""
    import onnx

    casts: list[Any] = []
    kept: list[Any] = []
    for weight in model.graph.initializer:
        values: Any = onnx.numpy_helper.to_array(weight)
        if values.dtype != np.float32 or values.size < small:
            kept.append(weight)
            continue
        name = weight.name + "_float16"
        kept.append(onnx.numpy_helper.from_array(values.astype(np.float16), name))
        to = onnx.TensorProto.FLOAT
        casts.append(onnx.helper.make_node("Cast", [name], [weight.name], name + "_cast", to=to))
    nodes = list(model.graph.node)
    del model.graph.initializer[:], model.graph.node[:]
    model.graph.initializer.extend(kept)
    model.graph.node.extend(casts + nodes)
    inferred = [v for v in model.graph.value_info if v.name not in {c.output[0] for c in casts}]
    del model.graph.value_info[:]
    model.graph.value_info.extend(inferred)


def quantised(raw: Path, source: Source) -> Any:
    """The model with int8 convolutions: static, per channel, calibrated on renders."""
    kit: Any = import_module("onnxruntime.quantization")
    pre_process: Any = import_module("onnxruntime.quantization.shape_inference").quant_pre_process

    class Reader(kit.CalibrationDataReader):
        """Hands out calibration pictures one by one."""

        def __init__(self) -> None:
            self.pictures = calibration_pictures(source)

        def get_next(self) -> dict[str, Picture] | None:
            picture = next(self.pictures, None)
            return None if picture is None else {"picture": picture[None]}

    ready, done = raw.with_name("ready.onnx"), raw.with_name("int8.onnx")
    pre_process(str(raw), str(ready), skip_symbolic_shape=True)
    kit.quantize_static(
        str(ready),
        str(done),
        Reader(),
        quant_format=kit.QuantFormat.QDQ,
        op_types_to_quantize=["Conv", "Add", "Relu", "Resize"],
        per_channel=True,
        activation_type=kit.QuantType.QUInt8,
        weight_type=kit.QuantType.QInt8,
    )
    return load_onnx(done)


def calibration_pictures(source: Source) -> Iterator[Picture]:
    """Whole frames and crops from renders that neither training nor validation sees."""
    for k in range(6):
        plan = RenderPlan(2, 2, CALIBRATION_SIZE_HW, crop=bool(k % 2), clean_share=0.5)
        yield from source(plan, QUANTISING_SEED + k).picture.cpu().numpy()


def agreement_pictures(source: Source) -> list[Picture]:
    """At least 20 renders of four sizes, uint8 [n,H,W,3] per size."""
    batches: list[Picture] = []
    for k, size_hw in enumerate(AGREEMENT_SIZES_HW):
        plan = RenderPlan(3, 2, size_hw, crop=bool(k % 2))
        batches.append(source(plan, AGREEMENT_SEED + k).picture.cpu().numpy())
    return batches


def compare(net: nn.Module, path: Path, batches: Sequence[Picture]) -> Agreement:
    """Run torch and the ONNX file on the same pictures."""
    runtime: Any = import_module("onnxruntime")
    session = runtime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    wrapped = with_probabilities(net.eval()).eval()
    max_dp, sum_dp, values, pictures = 0.0, 0.0, 0, 0
    same, pixels = {"surface": 0, "kind": 0}, 0
    for batch in batches:
        with torch.inference_mode():
            ours = [out.numpy() for out in wrapped(torch.as_tensor(batch))]
        theirs = session.run(list(OUTPUTS), {"picture": batch})
        for name, a, b in zip(OUTPUTS, ours, theirs, strict=True):
            gap = np.abs(a.astype(np.float64) - b)
            max_dp, sum_dp, values = (
                max(max_dp, float(gap.max())),
                sum_dp + gap.sum(),
                values + gap.size,
            )
            if name in same:
                same[name] += int((a.argmax(1) == b.argmax(1)).sum())
        pixels += batch.shape[0] * batch.shape[1] * batch.shape[2]
        pictures += batch.shape[0]
    return Agreement(
        pictures=pictures,
        shapes=len({batch.shape[1:3] for batch in batches}),
        max_dp=max_dp,
        mean_dp=float(sum_dp / values),
        surface=same["surface"] / pixels,
        kind=same["kind"] / pixels,
    )


def is_close(agreement: Agreement, form: str) -> bool:
    """Whether probabilities and labels lie within the form's limits."""
    most, least = LIMITS[form]
    return agreement.max_dp <= most and min(agreement.surface, agreement.kind) >= least


def refuse_unless_close(agreement: Agreement, form: str) -> None:
    """Raises `TrainingError` unless the file may be written."""
    most, least = LIMITS[form]
    if agreement.pictures < 20 or agreement.shapes < 4:
        raise TrainingError(
            f"the agreement was tried on {agreement.pictures} pictures of "
            f"{agreement.shapes} shapes; at least 20 of 4 are needed"
        )
    labels = min(agreement.surface, agreement.kind)
    if not is_close(agreement, form):
        raise TrainingError(
            f"the {form} file differs from torch by up to {agreement.max_dp:.4f} and has "
            f"{labels:.5f} of the labels equal (allowed: {most}, {least}); nothing was written"
        )


def um_per_px_range(config: TrainingConfig) -> list[float]:
    """1st and 99th percentile of um per pixel at the fibre over 512 scenes of each plan."""
    values: list[npt.NDArray[np.float64]] = []
    for k, plan in enumerate(config.batches):
        draw = Draw(config.seed + k, torch.device("cpu"))
        scene = draw_scene(draw, 512, plan.size_hw, plan.crop)
        values.append(1000 * scene.cameras.mm_per_px.double().numpy())
    low, high = np.percentile(np.concatenate(values), [1, 99])
    return [round(float(low), 3), round(float(high), 3)]


def training_hash(config: TrainingConfig, step: int, averaged: Any = None) -> str:
    """SHA-256 of what the net follows from: settings, step, the renderer's source, and what it was
    `averaged` with, if it was.
    """
    follows = [config.as_table(), step] if averaged is None else [config.as_table(), step, averaged]
    digest = hashlib.sha256(json.dumps(follows, sort_keys=True).encode())
    for path in sorted(Path(__file__).parent.with_name("synthetic").glob("*.py")):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()


def metadata(about: dict[str, Any]) -> dict[str, str]:
    """The file's own description: strings, JSON where they hold more than text."""
    return {
        "fiberward.schema": SCHEMA,
        "surfaces": json.dumps(SURFACE_NAMES),
        "kinds": json.dumps(KIND_NAMES),
        "um_per_px_range": json.dumps(about["um_per_px_range"]),
        "thresholds": json.dumps(about["thresholds"]),
        "calibration": json.dumps(about["calibration"]),
        "agreement": json.dumps(about["agreement"]),
        "training": json.dumps(about["training"]),
        "training_hash": about["training_hash"],
        "code_version": code_version(),
        "scores": json.dumps(about["scores"]),
        "created_at": datetime.now(UTC).isoformat(timespec="seconds"),
    }


def describe(model: Any, values: dict[str, str]) -> None:
    """Put the description into the model."""
    import onnx

    onnx.helper.set_model_props(model, values)

"""Index masks beside the pictures: STEM.surfaces.png and STEM.deposits.png, one byte per pixel.

The bytes are the indices of `model/surfaces.py` and `model/kinds.py`; 255 is not annotated. A
third mask, STEM.instances.png (16 bit), may number the deposits; without it they are the connected
pieces.
Where one of the first two is missing, that layer is not annotated.
"""

import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...inference.keep.files import write_atomically
from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES
from .label import NOT_ANNOTATED, Bytes, Findings, PictureLabel, instances_of
from .label_map import LabelMap

__all__ = ["has_masks", "note_masks_alone", "read_masks", "write_masks"]

LAYERS = ("surfaces", "deposits", "instances")
LOSSY = (".jpg", ".jpeg", ".webp")


@dataclass(frozen=True)
class _Layer:
    """What a mask's numbers mean."""

    count: int
    ids: Mapping[int, int]


def has_masks(picture: Path) -> bool:
    """Whether some mask, be it a lossy one, lies beside the picture."""
    return any(_beside(picture, layer, suffix).exists() for layer in LAYERS[:2]
               for suffix in (".png", *LOSSY))  # fmt: skip


def note_masks_alone(folder: Path, names: Iterable[str], findings: Findings) -> None:
    """Note each mask below `folder` whose picture is not among `names`."""
    labelled = {Path(name).with_suffix("") for name in names}
    for path in sorted(folder.rglob("*.png")):
        stem, layer = path.with_suffix(""), Path(path.stem).suffix.removeprefix(".")
        if layer in LAYERS and stem.with_suffix("").relative_to(folder) not in labelled:
            file = path.relative_to(folder).as_posix()
            findings.problem(file, f"its picture {Path(stem.name).stem} beside it", "none")


def _beside(picture: Path, layer: str, suffix: str) -> Path:
    return picture.with_name(f"{picture.stem}.{layer}{suffix}")


def read_masks(
    folder: Path, name: str, size_hw: tuple[int, int], names: LabelMap, findings: Findings
) -> PictureLabel | None:
    """The label of the picture `name` in `folder`; None (and problems noted) where it is amiss."""
    picture = folder / name
    surface = _index_mask(
        folder, name, "surfaces", _Layer(len(SURFACE_NAMES), names.surface_ids), findings
    )
    kind = _index_mask(
        folder, name, "deposits", _Layer(len(KIND_NAMES), names.deposit_ids), findings
    )
    for layer, mask in (("surfaces", surface), ("deposits", kind)):
        if mask is not None and mask.shape != size_hw:
            _wrong_size(_name(folder, picture, layer), mask.shape, size_hw, findings)
            return None
    if surface is None and kind is None:
        return None
    blank = np.full(size_hw, NOT_ANNOTATED, np.uint8)
    kind = blank if kind is None else kind
    instance = _instances(folder, picture, kind, findings)
    return PictureLabel(name, blank.copy() if surface is None else surface, kind, instance)


def _name(folder: Path, picture: Path, layer: str, suffix: str = ".png") -> str:
    return _beside(picture, layer, suffix).relative_to(folder).as_posix()


def _wrong_size(file: str, found: Any, size_hw: tuple[int, int], findings: Findings) -> None:
    hint = ", as turned upright" if tuple(found) == size_hw[::-1] else ""
    findings.problem(
        file, f"{size_hw[1]} x {size_hw[0]} px like its picture{hint}", f"{found[1]} x {found[0]}"
    )


def _index_mask(
    folder: Path, name: str, layer: str, meant: _Layer, findings: Findings
) -> Bytes | None:
    """One mask as our indices; None where there is none or it is amiss."""
    picture = folder / name
    path = _beside(picture, layer, ".png")
    if not path.exists():
        _lossy(folder, picture, layer, findings)
        other = "surfaces" if layer == "deposits" else "deposits"
        if _beside(picture, other, ".png").exists():
            findings.assume(f"where STEM.{layer}.png is missing, {layer} are not annotated")
        return None
    file = path.relative_to(folder).as_posix()
    values = _values(path, file, findings)
    if values is None:
        return None
    table = np.full(max(256, int(values.max(initial=0)) + 1), -1, np.int32)
    table[: meant.count] = np.arange(meant.count)
    table[NOT_ANNOTATED] = NOT_ANNOTATED
    for key, index in meant.ids.items():
        if key < table.size:
            table[key] = index
    meaning = table[values]
    if (meaning < 0).any():
        strange, pixels = np.unique(values[meaning < 0], return_counts=True)
        listed = [f"{v} on {n} px" for v, n in zip(strange[:8], pixels[:8], strict=True)]
        more = f" and {strange.size - 8} more" if strange.size > 8 else ""
        findings.problem(
            file, f"0 to {meant.count - 1}, 255, or an entry in label-map.toml",
            ", ".join(listed) + more,
        )  # fmt: skip
        return None
    if layer == "deposits" and set(np.unique(values)) == {0, NOT_ANNOTATED}:
        findings.problem(
            file,
            "indices of kinds",
            "only 0 and 255: taken as clean and not annotated; a mask of black and white "
            "must be numbered by kind",
            stops=False,
        )
    return meaning.astype(np.uint8)


def _lossy(folder: Path, picture: Path, layer: str, findings: Findings) -> None:
    """A mask in a lossy format cannot be used: its values have been smeared."""
    for suffix in LOSSY:
        path = _beside(picture, layer, suffix)
        if path.exists():
            file = _name(folder, picture, layer, suffix)
            values = _values(path, file, Findings())
            count = "" if values is None else f" with {np.unique(values).size} different values"
            findings.problem(file, "a lossless PNG", f"a lossy {suffix[1:]}{count}")


def _values(path: Path, file: str, findings: Findings) -> npt.NDArray[np.int64] | None:
    """A mask's numbers as they are stored, a palette's indices included."""
    from PIL import Image

    try:
        with Image.open(path) as picture:
            values = np.asarray(picture)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        findings.problem(file, "a readable index mask", str(error))
        return None
    if values.ndim != 2:
        findings.problem(
            file, "one channel of indices", f"{values.shape[2]} channels: a coloured picture"
        )
        return None
    if values.dtype == bool:  # black and white is stored as 0 and 1 but means 0 and 255
        return values.astype(np.int64) * 255
    return values.astype(np.int64)


def _instances(
    folder: Path, picture: Path, kind: Bytes, findings: Findings
) -> npt.NDArray[np.int32]:
    """The deposits' numbers, from their own mask if it agrees."""
    path = _beside(picture, "instances", ".png")
    deposits = (kind > 0) & (kind != NOT_ANNOTATED)
    if path.exists():
        file = _name(folder, picture, "instances")
        values = _values(path, file, findings)
        if values is not None and values.shape == kind.shape:
            unnumbered = int((deposits & (values == 0)).sum())
            if not unnumbered:
                return np.where(deposits, values, 0).astype(np.int32)
            findings.problem(
                file, "a number on every deposit's pixel",
                f"none on {unnumbered} px; connected pieces are used instead", stops=False,
            )  # fmt: skip
        elif values is not None:
            size = f"{kind.shape[1]} x {kind.shape[0]} px like its picture"
            found = f"{values.shape[1]} x {values.shape[0]}; connected pieces are used instead"
            findings.problem(file, size, found, stops=False)
    findings.assume("without STEM.instances.png, each connected piece of one kind is a deposit")
    return instances_of(kind)


def write_masks(label: PictureLabel, folder: Path) -> None:
    """Write the three masks beside where the picture lies in `folder`."""
    from PIL import Image

    picture = folder / label.picture
    picture.parent.mkdir(parents=True, exist_ok=True)
    layers: tuple[Any, ...] = label.surface, label.kind, label.instance.astype(np.uint16)
    for layer, mask in zip(LAYERS, layers, strict=True):
        buffer = io.BytesIO()
        Image.fromarray(mask).save(buffer, format="PNG")
        write_atomically(_beside(picture, layer, ".png"), buffer.getvalue())

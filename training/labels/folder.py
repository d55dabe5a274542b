"""A shop's folder: its pictures, their labels in whatever form, and the connectors they show."""

import csv
import json
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ...inference.see.inputs import PICTURE_SUFFIXES, is_own_output, natural_key
from ...inference.see.picture import Picture, read_picture
from ...model.errors import UnreadablePicture, UsageError
from .coco import is_coco, read_coco
from .cvat import read_cvat
from .index_masks import has_masks, note_masks_alone, read_masks
from .label import Findings, PictureLabel
from .label_map import LabelMap, read_label_map
from .labelme import is_labelme, read_labelme

__all__ = ["CONNECTORS_FILE", "LabelledView", "ShopData", "read_shop_data"]

CONNECTORS_FILE = "connectors.csv"
VIEW_ENDING = re.compile(r"[-_ ][^-_ ]*$")


@dataclass(frozen=True)
class LabelledView:
    """A picture, its label, and the connector that it shows."""

    connector: str
    picture: Picture
    label: PictureLabel

    @property
    def name(self) -> str:
        """The picture's path within the folder."""
        return self.label.picture


@dataclass(frozen=True)
class ShopData:
    """What a folder holds.

    forms: how many pictures were labelled in which form. connectors: what each picture shows.
    """

    folder: Path
    views: tuple[LabelledView, ...]
    unlabelled: tuple[str, ...]
    forms: dict[str, int]
    connectors: dict[str, str]


def read_shop_data(folder: Path, findings: Findings) -> ShopData:
    """Read all pictures below `folder` that have a label.

    What is wrong with a file goes into `findings`, and the file's picture is left out. Raises
    `UsageError` where there is no folder or no picture, `SettingsError` for a bad label map.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder}: is no folder; give one of pictures with labels")
    names = picture_names(folder)
    if not names:
        raise UsageError(f"{folder}: holds no pictures; give a folder of pictures with labels")
    label_map = read_label_map(folder)
    listed = _listed_labels(folder, names, label_map, findings)
    note_masks_alone(folder, names, findings)
    connectors = _connectors(folder, names, findings)
    views: list[LabelledView] = []
    forms: dict[str, int] = {}
    unlabelled: list[str] = []
    for name in names:
        found = [(form, label) for form, labels in listed.items() if (label := labels.get(name))]
        masks = has_masks(folder / name)
        if not found and not masks:
            unlabelled.append(name)
            continue
        if len(found) + masks > 1:
            kinds = [form for form, _ in found] + ["index masks"] * masks
            findings.problem(name, "a label in one form", " and ".join(kinds))
            continue
        try:
            picture = read_picture(folder / name)
        except UnreadablePicture as error:
            findings.problem(name, "a readable picture", str(error))
            continue
        size = picture.rgb.shape[0], picture.rgb.shape[1]
        form, label = ("index masks", None) if masks else found[0]
        if label is None:
            label = read_masks(folder, name, size, label_map, findings)
        if label is None:
            continue
        if label.size_hw != size:
            h, w = label.size_hw
            findings.problem(
                name, f"a label of {size[1]} x {size[0]} px like its picture", f"{w} x {h} ({form})"
            )
            continue
        forms[form] = forms.get(form, 0) + 1
        views.append(LabelledView(connectors[name], picture, label))
    stopped = findings.stopped()
    usable = tuple(view for view in views if view.name not in stopped)
    return ShopData(folder, usable, tuple(unlabelled), forms, connectors)


def picture_names(folder: Path) -> list[str]:
    """Paths of the pictures below `folder`, in natural order; none of masks or of our outputs."""
    found = [
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.suffix.lower() in PICTURE_SUFFIXES and path.is_file() and not is_own_output(path)
        and not path.name.startswith(".") and not _is_lossy_mask(path)
    ]  # fmt: skip
    return sorted(found, key=natural_key)


def _is_lossy_mask(path: Path) -> bool:
    return Path(path.stem).suffix in (".surfaces", ".deposits", ".instances")


def _listed_labels(
    folder: Path, names: list[str], label_map: LabelMap, findings: Findings
) -> dict[str, dict[str, PictureLabel]]:
    """Per form of file, the labels by picture."""
    listed: dict[str, dict[str, PictureLabel]] = {}
    for path in sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".json", ".xml")):
        file = path.relative_to(folder).as_posix()
        form, labels = _labels_of(path, file, label_map, findings)
        known = listed.setdefault(form, {})
        for label in labels:
            name = _picture_of(label.picture, file, names)
            if name is None:
                findings.problem(file, "pictures in this folder", f"no picture {label.picture!r}")
            elif name in known:
                findings.problem(name, "one label", f"two {form} labels, the second in {file}")
            else:
                known[name] = PictureLabel(name, label.surface, label.kind, label.instance)
    return listed


def _labels_of(
    path: Path, file: str, label_map: LabelMap, findings: Findings
) -> tuple[str, list[PictureLabel]]:
    """The form and the labels of one file; none where it is something else."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        findings.problem(file, "a readable UTF-8 file", str(error), stops=False)
        return "", []
    if path.suffix.lower() == ".xml":
        return "CVAT XML", read_cvat(text, file, label_map, findings) or []
    try:
        document: Any = json.loads(text)
    except (ValueError, RecursionError) as error:
        findings.problem(file, "JSON", str(error), stops=False)
        return "", []
    if is_coco(document):
        return "COCO JSON", read_coco(document, file, label_map, findings)
    if is_labelme(document):
        label = read_labelme(document, file, label_map, findings)
        return "labelme JSON", [label] if label is not None else []
    findings.assume("JSON files of other kinds beside the pictures say nothing about labels")
    return "", []


def _picture_of(stated: str, file: str, names: list[str]) -> str | None:
    """The picture that a label file means: by its path, else by its name if only one has it."""
    base = file.rpartition("/")[0]
    composed = {_composed(name): name for name in names}
    for candidate in (stated, f"{base}/{stated}" if base else stated):
        if _composed(candidate) in composed:
            return composed[_composed(candidate)]
    last = _composed(stated.rpartition("/")[2])
    same = [name for plain, name in composed.items() if plain.rpartition("/")[2] == last]
    return same[0] if len(same) == 1 else None


def _composed(name: str) -> str:
    """One spelling of a name: some systems write an accented letter as two characters."""
    return unicodedata.normalize("NFC", name)


def _connectors(folder: Path, names: list[str], findings: Findings) -> dict[str, str]:
    """The connector that each picture shows."""
    path = folder / CONNECTORS_FILE
    if path.exists():
        stated = dict(_stated_connectors(path))
        rows = {name: stated.get(_composed(name)) for name in names}
        for name, connector in rows.items():
            if not connector:
                found = "none" if connector is None else "no connector in it"
                findings.problem(name, f"a row in {CONNECTORS_FILE}", found)
        return {name: connector or name for name, connector in rows.items()}
    if any("/" in name for name in names):
        findings.assume("each sub-folder holds one connector")
        return {name: name.rpartition("/")[0] or _stem_group(name) for name in names}
    findings.assume(
        "one connector's pictures share their name up to the last - or _ or space "
        f"(else list them in {CONNECTORS_FILE}: picture,connector)"
    )
    return {name: _stem_group(name) for name in names}


def _stem_group(name: str) -> str:
    """`c12-0.jpg` and `c12-1.jpg` are pictures of `c12`."""
    stem = Path(name).stem
    return VIEW_ENDING.sub("", stem) or stem


def _stated_connectors(path: Path) -> Iterator[tuple[str, str]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            for row in csv.DictReader(stream):
                yield _composed(row["picture"].replace("\\", "/")), row["connector"].strip()
    except (OSError, UnicodeDecodeError, KeyError, AttributeError, csv.Error) as error:
        raise UsageError(f"{path}: expected columns picture,connector ({error!r})") from error

"""CVAT's XML 1.1 for pictures: polygons, boxes, ellipses and masks in, masks out."""

import xml.etree.ElementTree as ET
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES
from .label import Findings, PictureLabel
from .label_map import UNSURE, LabelMap
from .shapes import (
    Shape,
    ellipse_shape,
    painted,
    polygon_shape,
    runs_of,
    shape_of_mask,
    shapes_of,
    stated_size,
)

__all__ = ["read_cvat", "write_cvat"]

AREAS = ("polygon", "box", "ellipse", "mask")


def read_cvat(
    text: str, where: str, names: LabelMap, findings: Findings
) -> list[PictureLabel] | None:
    """The labels of all pictures of the file; None where it is not CVAT's.

    Shapes are painted by z_order, then in the file's order. A listed picture without shapes is
    clean. where: the file's name, for messages.
    """
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        findings.problem(where, "XML without entities", "a DOCTYPE")
        return None
    try:
        root = ET.fromstring(text)
    except ET.ParseError as error:
        findings.problem(where, "well-formed XML", str(error))
        return None
    if root.tag != "annotations":
        return None
    if root.find("track") is not None:
        findings.problem(where, "the form for pictures", "tracks of a video", stops=False)
    labels: list[PictureLabel] = []
    for image in root.iter("image"):
        try:
            name = image.attrib["name"].replace("\\", "/")
            size = stated_size(image.attrib["height"], image.attrib["width"])
        except (KeyError, ValueError) as error:
            findings.problem(where, "name, width and height of each image", f"{error!r} amiss")
            continue
        labels.append(painted(name, size, _shapes(image, name, size, findings), names, findings))
    findings.assume(f"{where}: pictures listed without shapes are clean")
    return labels


def _shapes(
    image: ET.Element, picture: str, size_hw: tuple[int, int], findings: Findings
) -> list[Shape]:
    found: list[tuple[int, Shape]] = []
    for element in image:
        try:
            if element.tag not in AREAS:
                if "label" in element.attrib and element.tag != "tag":
                    raise ValueError(f"a {element.tag}, which covers no area")
                continue
            shape = _shape(element, size_hw)
            if shape is not None:
                found.append((int(element.attrib.get("z_order", "0")), shape))
        except (KeyError, ValueError, OverflowError) as error:
            findings.problem(picture, "polygons, boxes, ellipses or masks", str(error))
    return [shape for _, shape in sorted(found, key=lambda pair: pair[0])]


def _shape(element: ET.Element, size_hw: tuple[int, int]) -> Shape | None:
    name, given = element.attrib["label"], element.attrib
    if float(given.get("rotation", "0")) % 360:  # which way it turns is told differently
        raise ValueError(f"a {name!r} {element.tag} turned by {given['rotation']} degrees: draw it "
                         "as a polygon or a mask")  # fmt: skip
    if element.tag == "polygon":
        flat = [float(v) for point in given["points"].split(";") for v in point.split(",")]
        return polygon_shape(name, [flat], size_hw)
    if element.tag == "box":
        x0, y0, x1, y1 = (float(given[key]) for key in ("xtl", "ytl", "xbr", "ybr"))
        return polygon_shape(name, [[x0, y0, x1, y0, x1, y1, x0, y1]], size_hw)
    if element.tag == "ellipse":
        cx, cy, rx, ry = (float(given[key]) for key in ("cx", "cy", "rx", "ry"))
        return ellipse_shape(name, (cx, cy), (rx, ry), size_hw)
    left, top = (int(float(given[key])) for key in ("left", "top"))
    height, width = stated_size(float(given["height"]), float(given["width"]))
    runs = [int(v) for v in given["rle"].split(",")]
    if sum(runs) != width * height or min(runs) < 0:
        raise ValueError(f"a {name!r} mask of {sum(runs)} px for {width} x {height}")
    inside = np.arange(len(runs)) % 2 == 1  # runs go along the rows and begin outside
    return shape_of_mask(name, np.repeat(inside, runs).reshape(height, width), top, left)


def write_cvat(labels: Iterable[PictureLabel], path: Path) -> None:
    """Write labels as one XML file: a mask per surface and per deposit."""
    root = ET.Element("annotations")
    ET.SubElement(root, "version").text = "1.1"
    task = ET.SubElement(ET.SubElement(root, "meta"), "task")
    ET.SubElement(task, "mode").text = "annotation"
    declared = ET.SubElement(task, "labels")
    for name in (*SURFACE_NAMES, *KIND_NAMES[1:], UNSURE):
        ET.SubElement(ET.SubElement(declared, "label"), "name").text = name
    for number, label in enumerate(labels):
        height, width = label.size_hw
        about = {"id": number, "name": label.picture, "width": width, "height": height}
        image = ET.SubElement(root, "image", {k: str(v) for k, v in about.items()})
        for shape in shapes_of(label):
            h, w = shape.mask.shape
            given = {
                "label": shape.name,
                "source": "manual",
                "occluded": 0,
                "rle": ", ".join(map(str, runs_of(shape.mask.ravel()))),
                "left": shape.x,
                "top": shape.y,
                "width": w,
                "height": h,
                "z_order": 0,
            }
            ET.SubElement(image, "mask", {k: str(v) for k, v in given.items()})
    ET.ElementTree(root).write(path, encoding="utf-8", xml_declaration=True)

"""The shipped demonstration: what it is asked to show, and its files."""

from pathlib import Path

import pytest
import torch
from PIL import Image

from fiberward.inference.show import demo_command
from fiberward.synthetic.anchors import GROUPS
from fiberward.synthetic.demo_connector import NAMES, wanted_dirt
from fiberward.synthetic.scene import Part

FOLDER = Path(demo_command.__file__).parent / "demo"


def test_the_demonstration_is_dirty_on_chamfer_and_barrel_and_never_on_the_face():
    """What a grade of the zones alone would miss."""
    wanted = wanted_dirt()
    parts = {part for group in wanted[wanted >= 0].unique().tolist() for part in GROUPS[group]}
    assert {Part.CHAMFER, Part.BARREL} <= parts
    assert not parts & {Part.ENDFACE, Part.FIBER}
    assert int(torch.count_nonzero(wanted >= 0)) >= 10


@pytest.mark.parametrize("name", NAMES)
def test_the_shipped_pictures_are_small_and_marked_as_invented(name: str):
    path = FOLDER / name
    assert path.stat().st_size < 400_000
    with Image.open(path) as picture:
        assert picture.size == (1280, 960)
        assert b"invented" in picture.info["comment"]

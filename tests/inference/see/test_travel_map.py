"""What the fused map gives to be drawn."""

import numpy as np

from fiberward.inference.see.travel_map import TravelMap
from fiberward.model.kinds import Kind


def test_slivers_are_not_drawn_as_seen_but_dirt_in_them_is():
    """A streak of one pixel between unseen ground would look like a thread."""
    seen = np.zeros((40, 40), bool)
    seen[5:20, 5:20] = True
    seen[30, 3:37] = True
    kind = np.zeros((40, 40), np.uint8)
    kind[30, 10:13] = Kind.LINT
    nothing = np.zeros((40, 40), np.float32)
    rgb = np.zeros((40, 40, 3), np.uint8)
    laid = TravelMap(rgb, kind, seen, np.ones_like(seen), 20.0, {}, nothing)
    drawn = laid.broadly_seen()
    assert drawn[7:18, 7:18].all()
    assert not (drawn & ~seen).any()
    assert np.flatnonzero(drawn[30]).tolist() == [10, 11, 12]

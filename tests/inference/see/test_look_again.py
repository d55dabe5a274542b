"""A second look at a place where other views show a grain: what counts there, and what does not."""

from dataclasses import replace

import numpy as np
import pytest

from fiberward.inference.see.deposits import SeenDeposit
from fiberward.inference.see.fuse import Deposit, fuse
from fiberward.inference.see.look_again import seen_again
from fiberward.inference.see.segment import Segmentation
from fiberward.inference.see.sighting import sight_of
from fiberward.model.camera import surface_coordinates
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

from .test_fuse import FOUR, PROFILE, SHAPE, SIZE_HW, sighting

VIEW, S_UM, THETA_DEG, SIZE_UM = 1, 700.0, 40.0, 60.0
SURFACE = surface_coordinates(FOUR[VIEW].camera, SHAPE).surface


@pytest.fixture
def grain() -> Deposit:
    """60 um on the endface, seen by the front view and the one of turn 120, not by that of 0."""
    seen = [
        [sighting(k, S_UM, THETA_DEG, SIZE_UM, kind=Kind.PARTICLE, confidence=0.95)]
        if k in (0, 2) else []
        for k in range(4)
    ]  # fmt: skip
    (deposit,) = fuse(seen, FOUR)
    assert not deposit.unsure
    return deposit


def segmentation(
    p: float, side_px: int = 10, right_px: int = 0, surface: Surface | None = None
) -> Segmentation:
    """A view with one square of probability `p`, so far right of where the grain lies."""
    sight = sight_of(FOUR[VIEW].camera, PROFILE, S_UM, THETA_DEG)
    assert sight is not None
    x, y = (int(v) - side_px // 2 for v in sight.xy_px)
    deposit_p = np.zeros(SIZE_HW, np.float32)
    deposit_p[y : y + side_px, x + right_px : x + right_px + side_px] = p
    nothing = np.zeros(SIZE_HW, np.uint8)
    host = SURFACE if surface is None else np.full(SIZE_HW, surface, np.uint8)
    return Segmentation(host, nothing, deposit_p, nothing.astype(np.float32), 0.0, None, 8)


def again(deposit: Deposit, seen: Segmentation) -> SeenDeposit | None:
    return seen_again([deposit], VIEW, seen, FOUR[VIEW]).get(0)


def test_a_weak_sign_at_the_very_place_is_the_grain(grain: Deposit) -> None:
    """Its area against the drawing: 10 px a side of 6 um, on ground seen at 45 degrees."""
    seen = again(grain, segmentation(0.4))
    assert seen is not None
    assert (seen.view, seen.kind, seen.surface) == (VIEW, Kind.PARTICLE, Surface.ENDFACE)
    assert seen.pixel_count == 100
    assert not seen.unsure
    assert seen.s_um == pytest.approx(S_UM, abs=25)
    assert seen.theta_deg == pytest.approx(THETA_DEG, abs=3)


def test_where_the_view_shows_nothing_it_stays_silent(grain: Deposit) -> None:
    assert again(grain, segmentation(0.14)) is None
    assert again(grain, segmentation(0.16)) is not None


def test_a_sign_beside_the_place_is_not_the_grain(grain: Deposit) -> None:
    assert again(grain, segmentation(0.4, right_px=40)) is None


@pytest.mark.parametrize("side_px", [4, 20])
def test_what_is_far_smaller_or_larger_is_not_the_grain(grain: Deposit, side_px: int) -> None:
    """Other views say 79 px; 16 and 400 are more than a factor of 2 away."""
    assert again(grain, segmentation(0.4, side_px)) is None


def test_the_edge_of_a_listed_piece_is_no_sign(grain: Deposit) -> None:
    seen = segmentation(0.4)
    rows, columns = np.nonzero(seen.deposit_p)
    kind = seen.kind.copy()
    kind[rows.min() : rows.max() + 1, columns.max() + 1 : columns.max() + 9] = Kind.FILM
    assert again(grain, replace(seen, kind=kind)) is None
    kind = np.roll(kind, 3, axis=1)
    assert again(grain, replace(seen, kind=kind)) is not None


def test_a_place_behind_another_surface_is_not_asked(grain: Deposit) -> None:
    assert again(grain, segmentation(0.4, surface=Surface.HOUSING)) is None


def test_only_sure_deposits_are_looked_for_and_only_where_they_are_not_listed(
    grain: Deposit,
) -> None:
    assert again(replace(grain, unsure=True), segmentation(0.4)) is None
    assert again(replace(grain, seen_in=(0, 1, 2)), segmentation(0.4)) is None
    assert again(replace(grain, theta_deg=None), segmentation(0.4)) is None


def test_a_large_film_is_not_looked_for(grain: Deposit) -> None:
    film = replace(grain, kind=Kind.FILM, size_um=600.0, area_um2=283_000.0)
    assert again(film, segmentation(0.4, 60)) is None

"""What a view's mask says of a deposit once the other views were heard."""

import numpy as np
import numpy.typing as npt

from fiberward.inference.see.agreed_kinds import agreed_kinds
from fiberward.inference.see.deposits import SeenDeposit
from fiberward.inference.see.fuse import Deposit, fuse
from fiberward.model.kinds import Kind

from .test_fuse import FOUR, sighting

SIDE, SIZE_HW = 8, (40, 60)


def grain(view: int, kind: Kind, unsure: bool = False) -> SeenDeposit:
    """A grain on the endface, 8 x 8 px from row 10, column 20 of each view's mask on."""
    return sighting(
        view, 700.0, 40.0, kind=kind, unsure=unsure, confidence=0.3 if unsure else 0.9,
        mask=np.ones((SIDE, SIDE), bool), y0=10, x0=20,
    )  # fmt: skip


def listed(*seen: SeenDeposit) -> tuple[Deposit, ...]:
    return fuse([[each for each in seen if each.view == k] for k in range(len(FOUR))], FOUR)


def mask_of(seen: SeenDeposit) -> npt.NDArray[np.uint8]:
    """What the net alone makes of a view that shows it, beside a film at the right."""
    kind = np.zeros(SIZE_HW, np.uint8)
    kind[:, 30:] = Kind.FILM
    if not seen.unsure:
        kind[seen.y0 : seen.y0 + SIDE, seen.x0 : seen.x0 + SIDE] = seen.kind
    return kind


def test_a_deposit_has_one_kind_in_all_views() -> None:
    """Two views say particle, one damage: the third's mask says particle too, and only there."""
    seen = grain(0, Kind.PARTICLE), grain(1, Kind.PARTICLE), grain(2, Kind.DAMAGE)
    (deposit,) = listed(*seen)
    assert deposit.kind == Kind.PARTICLE
    agreed = agreed_kinds(mask_of(seen[2]), (deposit,), 2)
    np.testing.assert_array_equal(agreed, mask_of(grain(2, Kind.PARTICLE)))


def test_a_piece_left_unsure_stays_out_of_the_mask() -> None:
    seen = grain(0, Kind.PARTICLE), grain(2, Kind.PARTICLE, unsure=True)
    agreed = agreed_kinds(mask_of(seen[1]), listed(*seen), 2)
    np.testing.assert_array_equal(agreed, mask_of(seen[1]))


def test_other_views_and_the_plane_that_was_given_are_left_alone() -> None:
    seen = grain(0, Kind.PARTICLE), grain(1, Kind.PARTICLE), grain(2, Kind.DAMAGE)
    before = mask_of(seen[2])
    for view in (2, 3):
        agreed = agreed_kinds(before, listed(*seen), view)
        np.testing.assert_array_equal(before, mask_of(seen[2]))
    np.testing.assert_array_equal(agreed, before)

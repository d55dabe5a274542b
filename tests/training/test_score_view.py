"""Scoring one view on hand-drawn masks whose score follows from the definitions."""

from dataclasses import replace

import numpy as np
import pytest

from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface
from fiberward.training.score_view import Truth, ViewScore, score_view, shows


def view() -> Truth:
    """An endface with one dark 10x10 particle in evenly noisy grey."""
    rgb = np.random.default_rng(1).normal(120, 3, (80, 100, 3)).clip(0, 255).astype(np.uint8)
    kind = np.zeros((80, 100), np.uint8)
    kind[30:40, 40:50] = Kind.PARTICLE
    rgb[kind > 0] = 40
    return Truth(
        name="a",
        group="a",
        rgb=rgb,
        surface=np.full((80, 100), Surface.ENDFACE, np.uint8),
        kind=kind,
        instance=kind.astype(np.int32),
        um_per_px=2.0,
    )


def answer(*boxes: tuple[int, int, int, int, Kind]) -> np.ndarray:
    """A mask with filled boxes (top, bottom, left, right, kind)."""
    mask = np.zeros((80, 100), np.uint8)
    for top, bottom, left, right, kind in boxes:
        mask[top:bottom, left:right] = kind
    return mask


def score(*boxes: tuple[int, int, int, int, Kind]) -> ViewScore:
    """The truth's own surfaces with these deposits."""
    return score_view(view(), view().surface, answer(*boxes))


@pytest.mark.parametrize(
    ("box", "found", "false"),
    [
        ((30, 40, 40, 50, Kind.PARTICLE), True, 0),  # exact
        ((30, 32, 40, 50, Kind.FILM), True, 0),  # just a fifth, of another kind
        ((30, 32, 40, 49, Kind.FILM), False, 0),  # 18 of 100 px: missed, but on something true
        ((10, 20, 10, 20, Kind.PARTICLE), False, 1),  # elsewhere
        ((10, 13, 10, 13, Kind.PARTICLE), False, 0),  # elsewhere, below 12 px: no piece
    ],
)
def test_a_deposit_is_found_by_a_fifth_of_its_pixels(
    box: tuple[int, int, int, int, Kind], found: bool, false: int
) -> None:
    scored = score(box)
    assert [d.found for d in scored.deposits] == [found]
    assert scored.false_pieces == false


def test_a_found_deposits_kind_is_what_most_of_its_answered_pixels_are() -> None:
    scored = score((30, 40, 40, 44, Kind.FILM), (30, 40, 44, 50, Kind.RESIDUE))
    assert scored.deposits[0].kind_found == Kind.RESIDUE


def test_lint_is_found_by_an_answer_beside_it() -> None:
    truth = view()
    thin = np.zeros_like(truth.kind)
    thin[20, 10:90] = Kind.LINT
    rgb = np.where(thin[..., None] > 0, 220, truth.rgb).astype(np.uint8)
    truth = replace(truth, rgb=rgb, kind=thin, instance=thin.astype(np.int32))
    beside = answer((22, 24, 10, 40, Kind.LINT))
    far = answer((25, 27, 10, 40, Kind.LINT))
    assert score_view(truth, truth.surface, beside).deposits[0].found
    assert not score_view(truth, truth.surface, far).deposits[0].found


def test_pixels_and_sizes_of_the_exact_answer() -> None:
    scored = score((30, 40, 40, 50, Kind.PARTICLE))
    assert (scored.deposit_hit_px, scored.deposit_union_px) == (100, 100)
    assert scored.surfaces[Surface.ENDFACE, Surface.ENDFACE] == 8000
    assert scored.surfaces.sum() == 8000
    # area-equivalent diameter of 100 px at 2 um per px
    assert scored.deposits[0].size_um == pytest.approx(2 * 2 * np.sqrt(100 / np.pi))


def test_what_cannot_be_seen_counts_neither_way() -> None:
    truth = view()
    blind = replace(truth, weight=np.zeros(truth.kind.shape, np.float32))
    scored = score_view(blind, truth.surface, answer((30, 40, 40, 50, Kind.PARTICLE)))
    assert scored.deposits == ()
    assert (scored.not_shown, scored.false_pieces) == (1, 0)
    assert scored.deposit_union_px == 0
    assert not scored.clean


@pytest.mark.parametrize(
    ("change", "limit_px", "vouched"),
    [
        ({}, 11.28, True),  # 100 px: a circle of 11.284 px across
        ({}, 11.29, False),  # smaller than what the picture is said to show
        ({}, None, False),  # a picture that is no evidence
        ({"surface": Surface.CAVITY}, 5.0, True),
        ({"surface": Surface.HOUSING}, 5.0, False),  # its outside: no mate speaks of it
        ({"kind": Kind.DAMAGE}, 5.0, False),  # no dirt
        ({"kind": Kind.FILM}, 5.0, True),
    ],
)
def test_a_mate_vouches_for_dirt_at_or_above_the_limit_on_what_coverage_speaks_of(
    change: dict[str, int], limit_px: float | None, vouched: bool
) -> None:
    truth = view()
    surface = np.full_like(truth.surface, change.get("surface", Surface.ENDFACE))
    kind = np.where(truth.kind > 0, change.get("kind", Kind.PARTICLE), 0).astype(np.uint8)
    truth = replace(truth, surface=surface, kind=kind)
    scored = score_view(truth, surface, kind, limit_px)
    assert [d.vouched for d in scored.deposits] == [vouched]
    assert scored.deposits[0].found


@pytest.mark.parametrize(("grey", "vouched"), [(139, True), (143, False)])
def test_a_mate_vouches_for_dirt_that_differs_from_its_ground_by_30_per_cent(
    grey: int, vouched: bool
) -> None:
    """The detection limit is stated for dirt at 70 % of its ground: 140 on a ground of 200."""
    truth = view()
    rgb = np.full_like(truth.rgb, 200)
    rgb[truth.instance > 0] = grey
    scored = score_view(replace(truth, rgb=rgb), truth.surface, truth.kind, 5.0)
    assert [d.vouched for d in scored.deposits] == [vouched]


@pytest.mark.parametrize(
    ("grey", "side_px", "expected"),
    [
        (40, 10, True),  # far darker than the ground
        (120, 10, False),  # as grey as the ground
        (113, 10, True),  # 7 levels at noise 3, 100 px: about 21
        (113, 3, False),  # the same, 9 px: below Rose's criterion
    ],
)
def test_the_picture_shows_what_stands_out_of_its_noise(
    grey: int, side_px: int, expected: bool
) -> None:
    rgb = np.random.default_rng(3).normal(120, 3, (60, 60, 3)).clip(0, 255).astype(np.uint8)
    mask = np.zeros((60, 60), bool)
    mask[20 : 20 + side_px, 20 : 20 + side_px] = True
    rgb[mask] = grey
    assert shows(rgb, mask) is expected

"""The loss on hand-made cases whose values follow from its definition."""

import math

import pytest
import torch

from fiberward.model.net import Logits
from fiberward.synthetic.render import RenderPlan, Renders
from fiberward.training.config import LossWeights
from fiberward.training.losses import (
    Batch,
    area_weight,
    deal,
    loss,
    mirrored,
    on_rim,
    prepare,
    soft_dice,
)

from .fake import fake_source

WEIGHTS = LossWeights()


def renders(kind: torch.Tensor, instance: torch.Tensor, unlike: float = 0.0) -> Renders:
    """One picture of endface (5) with the given labels, all of weight 1."""
    zeros = torch.zeros(1, *kind.shape)
    return Renders(
        picture=torch.zeros(1, *kind.shape, 3, dtype=torch.uint8),
        surface=torch.full((1, *kind.shape), 5, dtype=torch.uint8),
        kind=kind[None].to(torch.uint8),
        instance=instance[None].to(torch.int16),
        weight=zeros + 1,
        unseen=zeros,
        unlike=torch.tensor([unlike]),
        truth=[{}],
    )


def right_logits(batch: Batch, sure: float = 20.0) -> Logits:
    """Logits that give every label of the batch."""
    one_hot = torch.nn.functional.one_hot
    surface = sure * one_hot(batch.surface, 7).permute(0, 3, 1, 2).float()
    kind = sure * one_hot(batch.kind, 7).permute(0, 3, 1, 2).float()
    unseen = sure * (2 * batch.unseen[:, None] - 1)
    return Logits(surface, kind, unseen, sure * (2 * batch.unlike - 1))


@pytest.mark.parametrize(
    ("area_px", "expected"),
    [
        (600, 1.0),  # the reference size
        (150, 2.0),  # sqrt(600 / 150)
        (4, 8.0),  # sqrt(150) = 12.2, clipped above
        (2400, 1.0),  # sqrt(1 / 4), clipped below
    ],
)
def test_a_deposits_weight_follows_the_root_of_its_area(area_px: int, expected: float) -> None:
    instance = torch.zeros(2, 50, 60, dtype=torch.int16)
    instance[1].view(-1)[:area_px] = 3  # the same id does not occur in the other picture
    weight = area_weight(instance, WEIGHTS)
    assert weight[1].view(-1)[:area_px].allclose(torch.tensor(expected))
    assert weight[0].eq(1).all()
    assert weight[1].view(-1)[area_px:].eq(1).all()


def test_equal_ids_in_two_pictures_are_two_deposits() -> None:
    instance = torch.zeros(2, 40, 40, dtype=torch.int16)
    instance[0].view(-1)[:600] = 1
    instance[1].view(-1)[:150] = 1
    weight = area_weight(instance, WEIGHTS)
    assert weight[0, 0, 0] == 1.0
    assert weight[1, 0, 0] == 2.0


def test_the_rim_is_one_pixel_on_both_sides_of_a_boundary() -> None:
    kind = torch.zeros(1, 9, 9)
    kind[0, 3:6, 3:6] = 2
    expected = torch.zeros(9, 9, dtype=torch.bool)
    expected[2:7, 2:7] = True
    expected[4, 4] = False
    assert on_rim(kind)[0].equal(expected)


def test_ignored_pixels_do_not_move_the_loss() -> None:
    kind = torch.zeros(20, 20)
    kind[5:10, 5:10] = 1
    made = renders(kind, kind)
    made.weight[0, 15:, :] = 0
    batch = prepare(made, WEIGHTS)
    right = right_logits(batch)
    changed = right.kind.clone()
    changed[:, 3, 15:, :] += 50  # sure of a film where nothing is taught
    before = loss(right, batch, WEIGHTS)
    after = loss(right._replace(kind=changed), batch, WEIGHTS)
    assert after.total == before.total


def test_right_answers_cost_almost_nothing() -> None:
    kind = torch.zeros(20, 20)
    kind[5:10, 5:10] = 4
    batch = prepare(renders(kind, kind), WEIGHTS)
    assert loss(right_logits(batch), batch, WEIGHTS).total < 1e-4


def test_indifferent_answers_cost_the_entropy_of_seven_classes() -> None:
    kind = torch.zeros(20, 20)
    kind[5:10, 5:10] = 4
    batch = prepare(renders(kind, kind), WEIGHTS)
    zeros = torch.zeros(1, 7, 20, 20)
    parts = loss(Logits(zeros, zeros, zeros[:, :1], torch.zeros(1)), batch, WEIGHTS).parts
    assert float(parts["surface"]) == pytest.approx(math.log(7), rel=1e-6)
    every, clean = batch.kind_weight.sum(), batch.kind_weight[batch.kind == 0].sum()
    divisor = every - clean + WEIGHTS.clean_share * clean  # clean pixels hardly count in it
    assert float(parts["kind"]) == pytest.approx(math.log(7) * float(every / divisor), rel=1e-6)
    assert float(parts["unseen"]) == pytest.approx(math.log(2), rel=1e-6)


def test_missing_a_small_deposit_costs_more_than_the_same_pixels_of_a_large_one() -> None:
    kind = torch.zeros(60, 60)
    kind[2:6, 2:6] = 1  # 16 px
    kind[10:50, 10:50] = 1  # 1600 px
    instance = kind.clone()
    instance[10:50, 10:50] = 2
    batch = prepare(renders(kind, instance), WEIGHTS)
    right = right_logits(batch).kind

    def cost_of_missing(rows: slice, columns: slice) -> float:
        missed = right.clone()
        missed[:, :, rows, columns] = 0
        missed[:, 0, rows, columns] = 20
        return float(loss(right_logits(batch)._replace(kind=missed), batch, WEIGHTS).parts["kind"])

    small = cost_of_missing(slice(3, 5), slice(3, 5))
    large = cost_of_missing(slice(20, 22), slice(20, 22))
    assert small == pytest.approx(math.sqrt(600 / 16) * large, rel=1e-3)


def test_a_picture_without_a_connector_teaches_only_surround() -> None:
    kind = torch.zeros(8, 8)
    made = renders(kind, kind, unlike=1.0)
    made.surface[0, :, :4] = 0
    batch = prepare(made, WEIGHTS)
    assert batch.surface_weight[0, :, :4].eq(1).all()
    assert batch.surface_weight[0, :, 4:].eq(0).all()


def test_dice_of_a_half_covered_truth_is_two_thirds() -> None:
    label = torch.zeros(1, 100, 100, dtype=torch.long)
    label[:, :50] = 1
    p = torch.zeros(1, 2, 100, 100)
    p[:, 1, :25] = 1.0  # half the truth, nothing else: 2 * 2500 / (2500 + 5000)
    value = soft_dice(p, label, torch.ones(1, 100, 100), range(1, 2))
    assert float(value) == pytest.approx(1 - 2 / 3, abs=1e-4)


def test_dice_leaves_out_classes_that_do_not_occur() -> None:
    label = torch.zeros(1, 4, 4, dtype=torch.long)
    p = torch.full((1, 7, 4, 4), 1 / 7)
    assert soft_dice(p, label, torch.ones(1, 4, 4), range(1, 7)) == 0


def test_dealing_and_mirroring_keep_every_picture_with_its_labels() -> None:
    renders = fake_source(RenderPlan(4, 1, (6, 8)), 3)
    batch = prepare(renders, LossWeights())
    hands = deal(batch, 2)
    assert torch.equal(hands[1].kind, batch.kind[1::2])
    assert torch.equal(hands[1].picture, batch.picture[1::2])
    seen = mirrored(batch)
    assert torch.equal(seen.picture[:, :, 0], batch.picture[:, :, -1])
    assert torch.equal(seen.surface[:, :, 0], batch.surface[:, :, -1])
    assert torch.equal(seen.unlike, batch.unlike)

"""The seeded stream of random numbers."""

import pytest
import torch

from fiberward.synthetic.draw import Draw

CPU = torch.device("cpu")


def test_the_same_seed_gives_the_same_numbers_and_another_seed_others():
    first, again, other = (Draw(seed, CPU).normal(4, 3) for seed in (1, 1, 2))
    assert torch.equal(first, again)
    assert not torch.equal(first, other)


@pytest.mark.parametrize("what", ["unit", "normal", "noise", "noise_unit"])
def test_copies_repeat_the_rows_that_one_copy_alone_would_draw(what):
    alone = getattr(Draw(5, CPU), what)(2, 7)
    copied = getattr(Draw(5, CPU, copies=3), what)(6, 7)
    assert torch.equal(copied, alone.repeat(3, 1))


def test_a_first_axis_that_copies_cannot_fill_is_refused():
    with pytest.raises(ValueError, match="copies"):
        Draw(5, CPU, copies=3).unit(4)


def test_picks_follow_their_weights():
    """Within four standard errors of the binomial distribution."""
    picked = Draw(3, CPU).pick((1.0, 3.0), 10_000).float().mean()
    assert float(picked) == pytest.approx(0.75, abs=4 * (0.75 * 0.25 / 10_000) ** 0.5)


def test_seeds_that_differ_far_up_alone_give_streams_of_their_own():
    """Training, validation and every set that is measured on start a power of two apart."""
    bases = (0, 3 << 36, *(k << 52 for k in range(1, 9)))
    first = {tuple(Draw(base + k, CPU).unit(4).tolist()) for base in bases for k in range(3)}
    assert len(first) == 3 * len(bases)
    own = torch.Generator().manual_seed(5)
    assert torch.equal(Draw(5, CPU).unit(4), torch.rand(65536, generator=own)[:4])

"""What a net learns from, is judged by and is calibrated on are never the same renders."""

from itertools import pairwise

from fiberward.synthetic.draw import stream_of
from fiberward.synthetic.render_command import connector_seed
from fiberward.training import seeds
from fiberward.training.seeds import MOST_RUNS, training_seed

MANY = 2**40  # far more seeds than any purpose ever takes


def purposes() -> dict[str, range]:
    """The streams that each purpose may draw from."""
    named = {name: value for name, value in vars(seeds).items() if name.endswith("_SEED")}
    assert len(named) >= 10
    found = {name: range(first, first + MANY) for name, first in named.items()}
    found["CONNECTOR_SEED"] = range(2 * seeds.CONNECTOR_SEED, 2 * (seeds.CONNECTOR_SEED + MANY))
    found["training"] = range(
        training_seed(1, 0, 0), training_seed(MOST_RUNS - 1, 2**30 - 1, 63) + 1
    )
    found["fiberward render"] = range(0, 2 * connector_seed(34_000, 0) + 2)
    return found


def test_no_two_purposes_share_a_seed() -> None:
    ordered = sorted(purposes().values(), key=lambda each: each.start)
    assert all(one.stop <= other.start for one, other in pairwise(ordered))


def test_processes_steps_and_runs_of_training_share_no_seed() -> None:
    found = [training_seed(run, group, rank)
             for run in (1, 2) for group in (0, 1, 2**30 - 1) for rank in (0, 63)]  # fmt: skip
    assert found == sorted(set(found))


def test_no_two_purposes_draw_the_same_numbers() -> None:
    """PyTorch's CPU generator reads 32 bits: far apart is not enough (`synthetic.draw`)."""
    drawn = {seed for each in purposes().values() for seed in each[:1000]}
    drawn |= {training_seed(run, group, 0) for run in (1, 2) for group in range(1000)}
    assert len({stream_of(seed) for seed in drawn}) == len(drawn) > 13_000

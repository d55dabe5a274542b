"""Where each purpose's renders take their seeds from, so that no two purposes share a picture.

    from 0          `fiberward render` (--seed below 34,000)
    from 2**36      training: 2**36 seeds for each of the runs 1 to 2**15 - 1
    from 2**51      replay, against forgetting
    from k * 2**52  one of what follows for each k

A connector draws from two streams, those of twice its seed and the next: hence the halves.
"""

__all__ = [
    "AGREEMENT_SEED",
    "CHECK_SEED",
    "CONNECTOR_SEED",
    "ECHO_SEED",
    "EVALUATION_SEED",
    "FIT_SEED",
    "FOREIGN_SEED",
    "GATE_SEED",
    "MOST_RUNS",
    "QUANTISING_SEED",
    "REPLAY_SEED",
    "VALIDATION_SEED",
    "training_seed",
]

RUN_STRIDE, STEP_STRIDE = 2**36, 64
MOST_RUNS = 2**15
REPLAY_SEED = MOST_RUNS * RUN_STRIDE
PURPOSE_STRIDE = 2**52
VALIDATION_SEED = 1 * PURPOSE_STRIDE
QUANTISING_SEED = 2 * PURPOSE_STRIDE
AGREEMENT_SEED = 3 * PURPOSE_STRIDE
EVALUATION_SEED = 4 * PURPOSE_STRIDE
FIT_SEED = 5 * PURPOSE_STRIDE
CHECK_SEED = 6 * PURPOSE_STRIDE
GATE_SEED = 7 * PURPOSE_STRIDE
FOREIGN_SEED = 8 * PURPOSE_STRIDE
CONNECTOR_SEED = 9 * PURPOSE_STRIDE // 2
ECHO_SEED = 10 * PURPOSE_STRIDE  # no pictures: how those of training are exposed anew


def training_seed(run: int, group: int, rank: int) -> int:
    """The seed of process `rank`'s `group` of batches in the run with that seed.

    At most 64 processes and 2**30 groups.
    """
    return run * RUN_STRIDE + group * STEP_STRIDE + rank

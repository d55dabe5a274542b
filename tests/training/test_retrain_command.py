"""What `fiberward retrain` says of its learning."""

import pytest

from fiberward.model.net import SightNet
from fiberward.training.retrain import Trained
from fiberward.training.retrain_command import learnt_words

from .fake import TINY


@pytest.mark.parametrize(
    ("best_step", "best_share", "said"),
    [
        (0, 0.0, "nothing that was learnt was better"),
        (30, 1.0, "all of what was learnt until step 30 was kept: score 0.861 before, 0.870 after"),
        (60, 0.5, "50% of what was learnt until step 60"),
    ],
)
def test_it_says_whether_the_learning_was_of_use(
    best_step: int, best_share: float, said: str
) -> None:
    after = 0.870 if best_step else 0.861
    trained = Trained(SightNet(TINY), True, 120, best_step, best_share, after, 0.861)
    assert said in learnt_words(trained)

"""A shop's labelled picture as it is learnt from."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fiberward.model.kinds import Kind
from fiberward.training.score_view import shows
from fiberward.training.shop_pool import patch_of_view

SIZE_HW = 120, 160
FILM = np.s_[20:100, 30:130]


def shaded_film() -> Any:
    """A film hardly darker than the ground, whose shade runs from one side to the other."""
    ground = np.linspace(40, 220, SIZE_HW[1])[None].repeat(SIZE_HW[0], axis=0)
    ground[FILM] -= 4
    rgb = np.repeat(ground.round().astype(np.uint8)[..., None], 3, axis=2)
    kind, instance = np.zeros(SIZE_HW, np.uint8), np.zeros(SIZE_HW, np.int32)
    kind[FILM], instance[FILM] = Kind.FILM, 1
    label = SimpleNamespace(surface=np.ones_like(kind), kind=kind, instance=instance)
    return SimpleNamespace(label=label, picture=SimpleNamespace(rgb=rgb))


def parent_saying(deposit_p: float, share: float) -> Any:
    """A net that says `deposit_p` on the first `share` of the film's rows, else nothing."""
    said = np.zeros(SIZE_HW, np.float32)
    said[20 : 20 + round(80 * share), 30:130] = deposit_p

    class Parent:
        card = SimpleNamespace(thresholds=SimpleNamespace(grow=0.2))

        def __call__(self, _rgb: Any) -> Any:
            return SimpleNamespace(deposit_p=said, unseen=np.zeros(SIZE_HW, np.float32))

    return Parent()


@pytest.mark.parametrize(
    ("deposit_p", "share", "learnt"),
    [(0.0, 1.0, False), (0.3, 0.1, False), (0.15, 1.0, False), (0.3, 0.5, True)],
)
def test_a_film_that_shading_drowns_is_learnt_where_the_parent_has_an_inkling_of_it(
    deposit_p: float, share: float, learnt: bool
) -> None:
    view = shaded_film()
    assert not shows(view.picture.rgb, view.label.instance == 1)
    weight = patch_of_view(view, parent_saying(deposit_p, share)).weight
    assert weight[FILM].all() == learnt
    assert weight[FILM].any() == learnt
    weight[FILM] = 1
    assert weight.all()

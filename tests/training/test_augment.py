"""Varied patches: seeded, labels by nearest neighbour, nothing invented at the edges."""

import subprocess
import sys

import numpy as np
import pytest

from fiberward.training.augment import Augmenter, Patch

SIZE = (96, 128)


def patch() -> Patch:
    """A bright disc, labelled as it looks: endface where bright, a particle in its middle."""
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    far = np.hypot(y - 48, x - 64)
    surface = np.where(far < 36, 5, 1).astype(np.uint8)
    kind = (far < 12).astype(np.uint8)
    grey = np.where(far < 12, 20, np.where(far < 36, 220, 110)).astype(np.uint8)
    return Patch(
        rgb=np.repeat(grey[..., None], 3, 2),
        surface=surface,
        kind=kind,
        instance=7 * kind.astype(np.int32),
        weight=np.ones(SIZE, np.uint8),
        unseen=np.zeros(SIZE, np.uint8),
    )


def test_the_same_seed_gives_the_same_bits_and_another_seed_others() -> None:
    one, other = Augmenter(), Augmenter()
    other(patch(), 99, SIZE)  # what came before does not matter
    for name in ("rgb", "surface", "kind", "instance", "weight", "unseen"):
        np.testing.assert_array_equal(
            getattr(one(patch(), 3, SIZE), name), getattr(other(patch(), 3, SIZE), name)
        )
    assert (one(patch(), 3, SIZE).rgb != one(patch(), 4, SIZE).rgb).any()


@pytest.mark.parametrize("seed", range(12))
def test_labels_hold_no_value_that_was_not_there_and_stay_on_what_they_mark(seed: int) -> None:
    made = Augmenter()(patch(), seed, SIZE)
    assert set(np.unique(made.surface)) <= {1, 5, 255}
    assert set(np.unique(made.kind)) <= {0, 1, 255}
    assert set(np.unique(made.instance)) <= {0, 7}
    np.testing.assert_array_equal(made.instance > 0, made.kind == 1)
    outside = made.kind == 255
    assert not made.weight[outside].any()
    dark = made.rgb.mean(axis=2)
    assert dark[made.kind == 1].mean() + 40 < dark[made.surface == 1].mean()


def test_no_argument_goes_unheard() -> None:
    """The library only warns of arguments that it does not know (its own behaviour, tried here)."""
    import albumentations

    with pytest.warns(UserWarning, match="not valid"):
        albumentations.GaussNoise(var_limit=3)
    Augmenter()  # raises if ours has one


def test_importing_it_asks_no_server_for_a_newer_version() -> None:
    code = (
        "import socket\n"
        "def refuse(*a, **k): raise SystemExit('looked up ' + str(a))\n"
        "socket.getaddrinfo = refuse\n"
        "import fiberward.training.augment as a; a.Augmenter(); print('quiet')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.strip() == "quiet", done.stderr

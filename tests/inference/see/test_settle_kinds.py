"""Kinds settled between neighbours: wavering goes, what the net is sure of stays."""

import time

import numpy as np
import pytest

from fiberward.inference.see.settle_kinds import LikelyKinds, joined, settled_kinds
from fiberward.model.kinds import Kind

FILM, GRAIN, DROP = (int(k) for k in (Kind.FILM, Kind.PARTICLE, Kind.LIQUID))


def stated(p: np.ndarray, mask: np.ndarray) -> LikelyKinds:
    """The net's word from p [6, H, W] wherever the mask is."""
    pixels = np.flatnonzero(mask)
    return LikelyKinds(pixels, p.reshape(6, -1)[:, pixels].astype(np.float16))


def energy(kind: np.ndarray, p: np.ndarray, border_cost: float) -> float:
    mask = kind > 0
    y, x = np.nonzero(mask)
    own = -np.log(np.maximum(p.astype(np.float16)[kind[y, x] - 1, y, x].astype(float), 0.01)).sum()
    pairs = ((kind[1:], kind[:-1]), (kind[:, 1:], kind[:, :-1]))
    borders = sum(int(((a != b) & (a > 0) & (b > 0)).sum()) for a, b in pairs)
    return float(own + border_cost * borders)


def test_a_drop_whose_pixels_waver_between_two_kinds_is_one_drop():
    rng = np.random.default_rng(1)
    mask = np.zeros((40, 50), bool)
    mask[5:35, 5:45] = True
    p = np.full((6, 40, 50), 0.02)
    p[DROP - 1] = rng.uniform(0.35, 0.65, (40, 50))
    p[FILM - 1] = 0.92 - p[DROP - 1]
    wavering = settled_kinds(mask, stated(p, mask), 1, border_cost=0)
    assert {FILM, DROP} == set(np.unique(wavering[mask]))
    settled = settled_kinds(mask, stated(p, mask), 1)
    assert (settled[mask] == DROP).all()
    assert not settled[~mask].any()


def test_a_grain_that_the_net_is_sure_of_stays_on_its_film():
    mask = np.ones((30, 30), bool)
    p = np.full((6, 30, 30), 0.02)
    p[FILM - 1] = 0.9
    p[:, 12:17, 12:17] = 0.02
    p[GRAIN - 1, 12:17, 12:17] = 0.9
    kind = settled_kinds(mask, stated(p, mask), 12)
    assert (kind == GRAIN).sum() == 25
    assert (kind[12:17, 12:17] == GRAIN).all()


def test_an_island_too_small_to_be_listed_takes_the_kind_round_it():
    mask = np.ones((20, 20), bool)
    p = np.full((6, 20, 20), 0.001)
    p[FILM - 1] = 0.95
    p[:, 8:11, 8:11] = 0.001
    p[GRAIN - 1, 8:11, 8:11] = 0.95
    assert (settled_kinds(mask, stated(p, mask), 12, border_cost=0) == FILM).all()
    apart = np.zeros((20, 20), bool)
    apart[8:11, 8:11] = True  # with nothing round it the island keeps its kind
    assert (settled_kinds(apart, stated(p, apart), 12)[apart] == GRAIN).all()


@pytest.mark.parametrize("seed", range(6))
def test_settling_never_raises_the_energy(seed):
    rng = np.random.default_rng(seed)
    mask = rng.random((24, 31)) < 0.8
    p = rng.dirichlet(np.full(6, 0.4), (24, 31)).transpose(2, 0, 1)
    before = settled_kinds(mask, stated(p, mask), 1, border_cost=0)
    assert (before[mask] == p.astype(np.float16).argmax(axis=0)[mask] + 1).all()
    for cost in (0.5, 2.0):
        after = settled_kinds(mask, stated(p, mask), 1, border_cost=cost)
        assert energy(after, p, cost) <= energy(before, p, cost) + 1e-6
        assert ((after > 0) == mask).all()
    assert energy(after, p, 2.0) < energy(before, p, 2.0)


def test_nothing_found_and_bands_joined():
    none = LikelyKinds(np.zeros(0, np.int64), np.zeros((6, 0), np.float16))
    assert not settled_kinds(np.zeros((3, 4), bool), none, 1).any()
    p = np.eye(6)[:, :2].astype(np.float16)
    bands = [LikelyKinds(np.array([1, 2]), p), none, LikelyKinds(np.array([9, 11]), p)]
    whole = joined(bands)
    assert whole.pixels.tolist() == [1, 2, 9, 11]
    assert whole.likeliest((3, 4)).ravel()[[1, 2, 9, 11, 0]].tolist() == [1, 2, 1, 2, 0]


def test_its_time_grows_with_the_number_of_islands_in_a_large_film():
    """Four times the islands: about four times the time, not sixteen times."""

    def seconds(side):
        p = np.full((6, side, side), 0.02)
        p[FILM - 1] = 0.9
        p[FILM - 1, ::3, ::3], p[DROP - 1, ::3, ::3] = 0.4, 0.5
        mask = np.ones((side, side), bool)
        likely = stated(p, mask)
        begun = time.process_time()
        assert (settled_kinds(mask, likely, 1) == FILM).all()
        return time.process_time() - begun

    small, large = (min(seconds(side) for _ in range(2)) for side in (96, 192))
    assert large < 9 * small

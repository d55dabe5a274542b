"""The gate: better where it should be, worse nowhere, or refused with the figure that says so."""

from dataclasses import replace

import numpy as np

from fiberward.training.gate import RENDERS, SHOP, Compared, compare_foreign, compare_on, decide
from fiberward.training.score_view import TrueDeposit, ViewScore

BOTH = {"surfaces": True, "deposits": True}


def views(hit_share: float, found: float = 1.0, false: int = 0, count: int = 12) -> list[ViewScore]:
    """Views of so many connectors, each with 10 deposits; a little different from one another."""
    made: list[ViewScore] = []
    for k in range(count):
        table = np.zeros((7, 7), np.int64)
        wrong = 40 + k
        for s in range(7):
            table[s, s], table[s, (s + 1) % 7] = 1000 - wrong, wrong
        union = 1000 + 10 * k
        deposits = tuple(
            TrueDeposit(s % 7, 1 + s % 6, 9.0 + s, None, s < round(10 * found), 1 + s % 6)
            for s in range(10)
        )
        hit = round(union * (hit_share + 0.002 * (k % 3)))
        made.append(ViewScore(f"v{k}", f"c{k}", table, hit, union, deposits, 0, false, False))
    return made


def rows(shop: tuple[list, list], renders: tuple[list, list]) -> list[Compared]:
    return [*compare_on(SHOP, *shop), *compare_on(RENDERS, *renders)]


SAME = (views(0.8), views(0.8))
BETTER = (views(0.7), views(0.8))


def test_better_on_the_shop_and_equal_on_renders_passes() -> None:
    gate = decide(rows(BETTER, SAME), [], BOTH)
    assert gate.passed
    assert gate.reasons[0].startswith("better: shop, deposits IoU: 0.702 -> 0.802")


def test_nothing_gained_is_refused() -> None:
    gate = decide(rows(SAME, SAME), [], BOTH)
    assert not gate.passed
    assert "not shown to be better" in gate.reasons[0]


def test_what_was_forgotten_on_renders_is_named() -> None:
    gate = decide(rows(BETTER, (views(0.8, found=1.0), views(0.8, found=0.9))), [], BOTH)
    assert not gate.passed
    assert any("renders, dirt found: 1.000 -> 0.889" in reason for reason in gate.reasons)


def test_false_alarms_beyond_the_margin_are_refused() -> None:
    gate = decide(rows(BETTER, (views(0.8), views(0.8, false=1))), [], BOTH)
    assert any("false per view: 0.000 -> 1.000" in reason for reason in gate.reasons)


def test_one_deposit_in_a_small_set_is_within_the_margin_two_are_not() -> None:
    old = views(0.7, count=4)
    for missed, passes in ((1, True), (2, False)):
        new = views(0.8, count=4)
        lost = tuple(replace(d, found=k >= missed) for k, d in enumerate(new[0].deposits))
        new[0] = replace(new[0], deposits=lost)
        found = [row for row in compare_on(SHOP, old, new) if row.figure == "dirt found"]
        assert [row.refuses for row in found] == [not passes], found


def test_doubted_labels_are_refused_whatever_the_figures() -> None:
    gate = decide(rows(BETTER, SAME), ["particle and lint look exchanged"], BOTH)
    assert not gate.passed
    assert gate.reasons == ("the labels are in doubt: particle and lint look exchanged",)


def test_a_net_that_no_longer_knows_what_is_no_connector_is_refused() -> None:
    good, bad = [True] * 12, [True] * 9 + [False] * 3
    assert not compare_foreign(good, good).refuses
    assert compare_foreign(good, bad).refuses


def test_the_interval_is_of_the_change_not_of_each_net() -> None:
    """Connectors differ far more than the nets do: only pairs can tell the nets apart."""
    old = [replace(v, deposit_hit_px=int(v.deposit_union_px * (0.2 + 0.06 * k)))
           for k, v in enumerate(views(0.5))]  # fmt: skip
    new = [replace(v, deposit_hit_px=v.deposit_hit_px + v.deposit_union_px // 50) for v in old]
    row = next(row for row in compare_on(SHOP, old, new) if row.figure == "deposits IoU")
    assert row.low is not None
    assert row.high is not None
    assert 0.015 < row.low <= row.high < 0.025


def test_the_only_deposit_of_a_kind_lost_is_told_but_proves_nothing() -> None:
    """Drawn or not drawn, it never comes back: a bootstrap of it alone has no spread."""
    old = views(0.7, count=6)
    lint = TrueDeposit(3, 2, 40.0, None, True, 2)
    kept = [replace(v, deposits=tuple(d for d in v.deposits if d.kind != 2)) for v in old]
    old = [replace(kept[0], deposits=(*kept[0].deposits, lint)), *kept[1:]]
    lost = replace(lint, found=False)
    new = [replace(kept[0], deposits=(*kept[0].deposits, lost)), *kept[1:]]
    [row] = [row for row in compare_on(RENDERS, old, new) if row.figure == "lint found"]
    assert (row.old, row.new, row.n, row.low) == (1.0, 0.0, 1, None)
    assert not row.refuses


def test_a_kind_lost_on_many_connectors_is_refused() -> None:
    """Six losses in one direction: by a fair coin 1 in 64, and a resample without any is rarer."""
    old = views(0.7, count=12)
    new = [
        replace(v, deposits=tuple(replace(d, found=d.kind != 2 or k > 7) for d in v.deposits))
        for k, v in enumerate(old)
    ]
    [row] = [row for row in compare_on(RENDERS, old, new) if row.figure == "lint found"]
    assert row.refuses
    assert "(99 %: " in str(row)

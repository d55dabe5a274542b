"""A shop's connectors are never cut between parts, and what judged once judges again."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fiberward.inference.see.picture import Picture
from fiberward.model.errors import UsageError
from fiberward.model.kinds import Kind
from fiberward.training.labels.folder import LabelledView
from fiberward.training.labels.label import PictureLabel
from fiberward.training.shop_split import Split, read_parts, remember_parts, split_views

BLANK = np.zeros((4, 4), np.uint8)


def view(connector: str, number: int) -> LabelledView:
    name = f"{connector}-{number}.png"
    picture = Picture(Path(name), f"sha of {name}", np.zeros((4, 4, 3), np.uint8))
    return LabelledView(
        connector, picture, PictureLabel(name, BLANK, BLANK, BLANK.astype(np.int32))
    )


def shop(connectors: int) -> list[LabelledView]:
    return [view(f"c{c}", number) for c in range(connectors) for number in range(2)]


def names(views: tuple[LabelledView, ...]) -> set[str]:
    return {each.connector for each in views}


def test_six_connectors_give_two_that_judge_and_one_that_stops() -> None:
    split = split_views(shop(6), {})
    assert [len(names(part)) for part in (split.learn, split.stop, split.judge)] == [3, 1, 2]
    assert names(split.learn) | names(split.stop) | names(split.judge) == {
        f"c{k}" for k in range(6)
    }
    assert split.leaks() == []


@pytest.mark.parametrize("lone", range(6))
@pytest.mark.parametrize(("elsewhere_px", "teaches"), [(0, True), (3, True), (5, False)])
def test_the_one_connector_with_a_kind_teaches_it(
    lone: int, elsewhere_px: int, teaches: bool
) -> None:
    """12 px of film on one connector; on another none, 3 (12 of 15: most), or 5 (12 of 17)."""
    views = shop(6)
    for place, px in ((2 * lone, 12), ((2 * lone + 2) % 12, elsewhere_px)):
        kind = BLANK.copy()
        kind.flat[:px] = Kind.FILM
        views[place] = replace(views[place], label=replace(views[place].label, kind=kind))
    split, without = split_views(views, {}), split_views(shop(6), {})
    assert [len(names(part)) for part in (split.learn, split.stop, split.judge)] == [3, 1, 2]
    if teaches:
        assert f"c{lone}" in names(split.learn)
    else:
        assert split.as_dict() == without.as_dict()


def test_the_order_of_the_pictures_does_not_matter() -> None:
    assert split_views(shop(9), {}).as_dict().keys() == {"learn", "stop", "judge"}
    one, other = split_views(shop(9), {}), split_views(shop(9)[::-1], {})
    assert names(one.judge) == names(other.judge)


def test_connectors_that_judged_once_judge_again_among_more(tmp_path: Path) -> None:
    first = split_views(shop(6), {})
    remember_parts(tmp_path, first)
    later = split_views(shop(20), read_parts(tmp_path))
    assert names(first.judge) <= names(later.judge)
    assert names(first.learn) <= names(later.learn)


def test_a_leak_is_reported() -> None:
    same = view("a", 0)
    leaky = Split((same,), (), (view("a", 1),))
    assert leaky.leaks() == ["connector a is in learn and in judge"]
    copy = LabelledView("b", same.picture, same.label)
    assert Split((same,), (copy,), ()).leaks() == [
        f"sha256 {same.picture.sha256} is in learn and in stop"
    ]


def test_too_few_connectors_are_refused_in_words() -> None:
    with pytest.raises(UsageError, match="3 labelled connectors: at least 4"):
        split_views(shop(3), {})

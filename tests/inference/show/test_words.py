"""How verdicts and figures are put."""

import pytest

from fiberward.inference.keep.inspection import VERDICTS
from fiberward.inference.show.words import VERDICT_WORDS, clock, deg, percent, um


def test_each_verdict_has_its_own_name_and_symbol() -> None:
    assert tuple(VERDICT_WORDS) == VERDICTS
    for part in ("name", "symbol", "ascii_symbol", "meaning"):
        assert len({getattr(words, part) for words in VERDICT_WORDS.values()}) == len(VERDICTS)


def test_no_verdict_is_shown_as_the_bare_word_clean_or_as_a_grade_of_two_opposites() -> None:
    for words in VERDICT_WORDS.values():
        assert words.name.casefold() not in {"clean", "pass", "fail", "ok"}


def test_plain_symbols_are_ascii() -> None:
    assert all(words.ascii_symbol.isascii() for words in VERDICT_WORDS.values())


@pytest.mark.parametrize(
    ("share", "shown"),
    [(None, "–"), (0.0, "0 %"), (1.0, "100 %"), (0.9999, "99 %"), (0.0001, "1 %"), (0.5, "50 %")],
)
def test_shares_are_never_rounded_to_all_or_nothing(share: float | None, shown: str) -> None:
    assert percent(share) == shown


@pytest.mark.parametrize(
    ("value", "shown"), [(None, "–"), (0.04, "0.0"), (9.94, "9.9"), (10.4, "10"), (6447.2, "6447")]
)
def test_lengths_have_no_more_digits_than_they_are_worth(value: float | None, shown: str) -> None:
    assert um(value) == shown


@pytest.mark.parametrize(("value", "shown"), [(None, "–"), (359.7, "0"), (0.2, "0"), (88.2, "88")])
def test_angles_stay_below_a_full_turn(value: float | None, shown: str) -> None:
    assert deg(value) == shown


def test_times_are_shown_with_their_offset(monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    monkeypatch.setenv("TZ", "XYZ-05:30")  # POSIX: 5 h 30 east of Greenwich
    time.tzset()
    try:
        assert clock("2026-01-02T20:04:05Z") == "2026-01-03 01:34 UTC+05:30"
    finally:
        monkeypatch.undo()
        time.tzset()

"""What a command says, and where it says it."""

import io
import json
from collections.abc import Iterator

import pytest

from fiberward.inference.show.terminal import Terminal


class Screen(io.StringIO):
    """A stderr that a person watches."""

    def isatty(self) -> bool:
        return True


def test_progress_hands_on_every_item_in_order_and_is_silent_where_nobody_watches(
    capsys: pytest.CaptureFixture[str],
):
    assert list(Terminal().progress(iter("abc"), "letters", 3)) == ["a", "b", "c"]
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize(("quiet", "shown"), [(False, True), (True, False)])
def test_progress_is_drawn_on_a_screen_unless_quiet(
    quiet: bool, shown: bool, monkeypatch: pytest.MonkeyPatch
):
    screen = Screen()
    monkeypatch.setattr("sys.stderr", screen)
    monkeypatch.setenv("TERM", "xterm")
    assert list(Terminal(quiet=quiet).progress([1, 2], "pictures")) == [1, 2]
    assert ("pictures" in screen.getvalue()) == shown


def test_progress_has_no_colour_where_none_is_wanted(monkeypatch: pytest.MonkeyPatch):
    screen = Screen()
    monkeypatch.setattr("sys.stderr", screen)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("NO_COLOR", "1")
    list(Terminal().progress([1, 2], "pictures"))
    assert "\x1b[3" not in screen.getvalue()


def test_progress_takes_items_one_at_a_time():
    taken: list[int] = []

    def items() -> Iterator[int]:
        for item in range(3):
            taken.append(item)
            yield item

    progress = Terminal().progress(items(), "items")
    next(progress)
    assert taken == [0]


def test_json_takes_the_place_of_the_text(capsys: pytest.CaptureFixture[str]):
    Terminal(json=True).result("text", {"size_um": 3.5, "missing": None})
    assert json.loads(capsys.readouterr().out) == {"size_um": 3.5, "missing": None}


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_json_has_no_word_for_is_refused(value: float):
    with pytest.raises(ValueError, match="JSON"):
        Terminal(json=True).result("", {"size_um": value})


def test_the_running_command_finds_its_own_terminal():
    assert Terminal.current() == Terminal()
    with Terminal().having(quiet=True, json=False).in_charge():
        assert Terminal.current() == Terminal(quiet=True)
    assert Terminal.current() == Terminal()

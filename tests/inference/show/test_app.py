"""The command line: its exit codes, how errors end, and what it does not import."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from fiberward.inference.show import app, lazy_command

COMMANDS = '''
from typing import Annotated
import typer
from fiberward.inference.show.terminal import Terminal
from fiberward.model.errors import *

def say(word: str, loud: bool = False) -> int:
    """Say a word.

    And more about it.
    """
    terminal = Terminal.current()
    terminal.note("a note")
    terminal.warn("a warning")
    terminal.result(word.upper() if loud else word, {"word": word})
    return 0

def answer(code: int) -> int:
    return code

def leave(code: int):
    raise typer.Exit(code)

def fail(kind: str):
    """Fail."""
    raise {each.__name__: each for each in [FiberwardError, MissingExtra, ModelError,
        SettingsError, TrainingError, UnreadablePicture, UsageError, ZeroDivisionError,
        MemoryError, OSError, KeyboardInterrupt]}[kind](f"{kind} of\\n two lines")

def own_options(json: Annotated[bool, typer.Option("--json")] = False,
                verbose: Annotated[bool, typer.Option("--quiet")] = False) -> int:
    return 40 + json + 2 * verbose

def pour():
    for _ in range(100_000):
        print("line")
    return 0
'''
FUNCTIONS = ("say", "answer", "leave", "fail", "own_options", "pour")
NEEDS = "import {package}\n\ndef {name}() -> int:\n    '''Needs a package.'''\n    return 0\n"


@pytest.fixture(autouse=True)
def _commands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands made for these tests, beside the real ones."""
    (tmp_path / "commands_for_tests.py").write_text(COMMANDS)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "commands_for_tests", raising=False)
    for name in FUNCTIONS:
        monkeypatch.setitem(app.OWN_COMMANDS, name, f"commands_for_tests:{name}")


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["answer", "0"], 0),
        (["answer", "1"], 1),
        (["answer", "3"], 3),
        (["leave", "4"], 4),
        (["say", "hello"], 0),
        (["fail", "UsageError"], 2),
        (["fail", "SettingsError"], 2),
        (["fail", "UnreadablePicture"], 3),
        (["fail", "ModelError"], 4),
        (["fail", "MissingExtra"], 4),
        (["fail", "TrainingError"], 5),
        (["fail", "FiberwardError"], 5),
        (["fail", "ZeroDivisionError"], 5),
        (["fail", "MemoryError"], 5),
        (["fail", "OSError"], 5),
        (["fail", "KeyboardInterrupt"], 130),
        (["say"], 2),
        (["say", "a", "b"], 2),
        (["say", "--nonsense", "a"], 2),
        (["answer", "many"], 2),
        (["nonsense"], 2),
        ([], 2),
        (["--help"], 0),
        (["say", "--help"], 0),
        (["--version"], 0),
    ],
)
def test_the_exit_code_tells_what_happened(arguments: list[str], code: int):
    assert app.main(arguments) == code


@pytest.mark.parametrize(
    "arguments",
    [
        *(["fail", kind] for kind in ("UsageError", "UnreadablePicture", "ZeroDivisionError")),
        *(["nonsense"], ["say"], ["say", "--nonsense", "a"], ["fail", "KeyboardInterrupt"]),
    ],
)
def test_an_error_is_one_line_on_stderr_and_nothing_on_stdout(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
):
    app.main(arguments)
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("fiberward: ")
    assert err.count("\n") == 1


def test_a_user_error_says_its_message_and_nothing_more(capsys: pytest.CaptureFixture[str]):
    app.main(["fail", "UnreadablePicture"])
    assert capsys.readouterr().err == "fiberward: UnreadablePicture of two lines\n"


def test_an_internal_error_tells_where_its_traceback_is(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    app.main(["fail", "ZeroDivisionError"])
    [saved] = tmp_path.glob("fiberward-error-*.txt")
    assert str(saved) in capsys.readouterr().err
    assert "ZeroDivisionError: ZeroDivisionError of" in saved.read_text()


def test_with_debug_the_traceback_of_an_internal_error_is_shown(
    capsys: pytest.CaptureFixture[str],
):
    assert app.main(["fail", "ZeroDivisionError", "--debug"]) == 5
    assert "Traceback (most recent call last)" in capsys.readouterr().err


def test_results_go_to_stdout_and_the_rest_to_stderr(capsys: pytest.CaptureFixture[str]):
    app.main(["say", "hello", "--loud"])
    assert capsys.readouterr() == ("HELLO\n", "a note\na warning\n")


def test_quiet_leaves_warnings_only(capsys: pytest.CaptureFixture[str]):
    app.main(["say", "hello", "--quiet"])
    assert capsys.readouterr() == ("hello\n", "a warning\n")


def test_json_is_one_document_on_stdout(capsys: pytest.CaptureFixture[str]):
    app.main(["say", "日本 \udcff", "--json"])
    assert json.loads(capsys.readouterr().out) == {"word": "日本 \udcff"}


def test_a_name_that_the_terminal_cannot_show_is_escaped(capfdbinary: pytest.CaptureFixture[bytes]):
    assert app.main(["say", "\udcff"]) == 0
    assert capfdbinary.readouterr().out == b"\\udcff\n"


def test_a_command_keeps_options_that_it_defines_itself():
    assert app.main(["own_options", "--json"]) == 41
    assert app.main(["own_options", "--quiet"]) == 42


def test_help_shows_the_first_line_of_each_command(capsys: pytest.CaptureFixture[str]):
    app.main(["--help"])
    lines = [line.strip() for line in capsys.readouterr().out.splitlines()]
    assert any(line.split() == ["say", "Say", "a", "word."] for line in lines)
    assert any(line.startswith("doctor ") for line in lines)


def test_a_misspelt_command_is_put_right(capsys: pytest.CaptureFixture[str]):
    app.main(["docter"])
    assert "Did you mean 'doctor'?" in capsys.readouterr().err


class Blocked:
    """A finder that refuses one package, as if it were not installed."""

    def __init__(self, package: str) -> None:
        self.package = package

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        if name.split(".")[0] == self.package:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


@pytest.fixture
def needing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], str]:
    """Makes a command whose module imports a package that is not installed."""

    def make(package: str) -> str:
        name = f"needs_{package}"
        (tmp_path / f"{name}_module.py").write_text(NEEDS.format(package=package, name=name))
        for loaded in [each for each in sys.modules if each.split(".")[0] == package]:
            monkeypatch.delitem(sys.modules, loaded)
        monkeypatch.setattr(sys, "meta_path", [Blocked(package), *sys.meta_path])
        monkeypatch.setitem(app.OWN_COMMANDS, name, f"{name}_module:{name}")
        return name

    return make


def test_a_command_without_its_training_packages_is_listed_and_says_what_to_install(
    needing: Callable[[str], str], capsys: pytest.CaptureFixture[str]
):
    name = needing("torchvision")
    assert app.main(["--help"]) == 0
    assert f"{name}  Needs a package." in capsys.readouterr().out
    assert app.main([name]) == 4
    line = capsys.readouterr().err
    assert "torchvision is not installed" in line
    assert "pip install '.[train]'" in line


def test_a_damaged_plain_install_is_told_apart_from_a_missing_extra(
    needing: Callable[[str], str], capsys: pytest.CaptureFixture[str]
):
    assert app.main([needing("tifffile")]) == 4
    assert "installation is incomplete" in capsys.readouterr().err


def test_a_module_of_ours_that_is_missing_is_an_internal_error(
    monkeypatch: pytest.MonkeyPatch,
):
    monkeypatch.setitem(app.OWN_COMMANDS, "gone", "fiberward.inference.gone:gone")
    assert app.main(["gone"]) == 5


@pytest.mark.parametrize("name", ["evaluate", "export", "render", "train"])
def test_the_commands_of_other_rooms_are_registered(name: str):
    if not lazy_command.commands_of_other_rooms():
        pytest.skip("entry points exist in an installed package only")
    assert name in {command.name for command in lazy_command.commands_of_other_rooms()}


def run(code: str, *arguments: str, **options: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", code, *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, **options)  # type: ignore[call-overload]


HEAVY = ("PIL", "albumentations", "cv2", "imagecodecs", "numpy", "onnxruntime", "scipy", "tifffile")


def test_help_imports_nothing_heavy():
    code = (
        "import sys; from fiberward.inference.show.app import main; assert main(['--help']) == 0; "
        f"print(sorted({{*{HEAVY!r}, 'torch'}} & set(sys.modules)), file=sys.stderr)"
    )
    done = run(code)
    assert (done.returncode, done.stderr) == (0, "[]\n")


def test_a_reader_that_leaves_early_is_no_verdict(tmp_path: Path):
    code = (
        f"import sys; sys.path.insert(0, {str(tmp_path)!r}); "
        "from fiberward.inference.show import app; "
        "app.OWN_COMMANDS['pour'] = 'commands_for_tests:pour'; sys.exit(app.main(['pour']))"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        errors = process.stderr.read()
        assert (process.wait(), errors) == (141, b"")

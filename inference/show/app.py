"""The command `fiberward`: its list of commands, its exit codes, and how errors end.

Exit codes, the first that applies of 5, 4, 2, 3, 1, 0:
    0    done, and every connector may be mated
    1    done, and at least one may not (other commands: done, with a negative answer)
    2    the command was called wrongly
    3    some input could not be read; the rest was done
    4    the model or the environment is not usable
    5    internal error
    130  interrupted
"""

import io
import sys
import tempfile
import traceback
from collections.abc import Sequence
from typing import Annotated, Any

import typer
from typer.core import TyperGroup
from typer.main import get_command

from ...model.errors import FiberwardError
from ...model.version import code_version
from .lazy_command import LazyCommand, commands_of_other_rooms, missing_extra

__all__ = ["build_command", "main"]

OWN_COMMANDS = {
    "demo": "fiberward.inference.show.demo_command:demo",
    "desk": "fiberward.inference.show.desk.command:desk",
    "inspect": "fiberward.inference.show.inspect_command:inspect",
    "compare": "fiberward.inference.show.compare_command:compare",
    "explain": "fiberward.inference.show.explain_command:explain",
    "joint": "fiberward.inference.show.joint_command:joint",
    "doctor": "fiberward.inference.show.doctor_command:doctor",
    "moves learn": "fiberward.inference.show.moves_command:learn_moves",
    "moves show": "fiberward.inference.show.moves_command:show_moves",
    "models activate": "fiberward.inference.show.models_command:activate_model",
    "models list": "fiberward.inference.show.models_command:list_models",
    "models rollback": "fiberward.inference.show.models_command:rollback_model",
    "models show": "fiberward.inference.show.models_command:show_model",
    "records export": "fiberward.inference.show.records_command:export_records",
    "records import": "fiberward.inference.show.records_command:import_records",
    "records list": "fiberward.inference.show.records_command:list_records",
    "records overrule": "fiberward.inference.show.records_command:overrule_record",
    "records show": "fiberward.inference.show.records_command:show_record",
    "records verify": "fiberward.inference.show.records_command:verify_records",
    "report": "fiberward.inference.show.report_command:report",
    "sheet": "fiberward.inference.show.sheet_command:sheet",
    "study": "fiberward.inference.show.study_command:study",
    "watch": "fiberward.inference.show.watch_command:watch",
}
# What stands before the space of a name above: a group, and what its commands are for.
GROUPS = {
    "models": "List, show and choose the nets that inspect.",
    "moves": "Learn and show how dirt moves when connectors are mated.",
    "records": "Find, show, check, export and import inspections.",
}
EXIT_INTERNAL = 5
EXIT_INTERRUPTED = 130

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["--help", "-h"]},
)


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"fiberward {code_version()}")
        raise typer.Exit


@app.callback()
def fiberward(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    """Map contamination over a whole fibre-optic connector.

    Take low-magnification pictures of the whole connector, from the front and from the side, and
    run `fiberward inspect`. To see what comes out, run `fiberward demo`.
    """


def build_command() -> TyperGroup:
    """The whole command, with those of other rooms; nothing heavy is imported."""
    group = get_command(app)
    assert isinstance(group, TyperGroup)
    inner = {
        name: TyperGroup(name=name, help=about, no_args_is_help=True, rich_markup_mode=None)
        for name, about in GROUPS.items()
    }
    for name, target in OWN_COMMANDS.items():
        first, _, rest = name.rpartition(" ")
        inner.get(first, group).add_command(LazyCommand(rest, target))
    for command in inner.values():
        group.add_command(command)
    for command in commands_of_other_rooms():
        if command.name not in OWN_COMMANDS:
            group.add_command(command)
    return group


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command line (default: this process's own) and return the exit code."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    _never_fail_to_print()
    try:
        answer = build_command().main(arguments, "fiberward", standalone_mode=False)
    except (KeyboardInterrupt, typer.Abort):
        answer = EXIT_INTERRUPTED
    except Exception as error:
        return _end_of(error, "--debug" in arguments)
    if answer == EXIT_INTERRUPTED:
        print("fiberward: interrupted", file=sys.stderr)
    return answer if isinstance(answer, int) else 0


def _never_fail_to_print() -> None:
    """Show what the terminal's encoding lacks, as in odd file names, by escapes."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _end_of(error: Exception, debug: bool) -> int:
    """Tell of an error in one line and return its exit code."""
    if isinstance(error, ModuleNotFoundError):
        error = missing_extra(error)
    if isinstance(error, FiberwardError):
        print(f"fiberward: {_one_line(str(error))}", file=sys.stderr)
        return error.exit_code
    usage: Any = error
    if hasattr(error, "format_message") and hasattr(error, "exit_code"):
        return _end_of_usage_error(usage)
    where = _show_traceback(error) if debug else _save_traceback(error)
    kind = type(error).__name__
    print(f"fiberward: internal error, {kind}: {_one_line(str(error))}; {where}", file=sys.stderr)
    return EXIT_INTERNAL


def _end_of_usage_error(error: Any) -> int:
    """One line for what the command-line parser refused, or the help that it asks to show."""
    message = _one_line(error.format_message())
    context = getattr(error, "ctx", None)
    if type(error).__name__ == "NoArgsIsHelpError" and context is not None:
        print(context.get_help(), file=sys.stderr)
        return int(error.exit_code)
    hint = f" (see {context.command_path} --help)" if context is not None else ""
    print(f"fiberward: {message}{hint}", file=sys.stderr)
    return int(error.exit_code)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _show_traceback(error: Exception) -> str:
    traceback.print_exception(error)
    return "traceback above"


def _save_traceback(error: Exception) -> str:
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="fiberward-error-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write("".join(traceback.format_exception(error)))
    except OSError:
        return "the traceback could not be saved, run again with --debug"
    return f"the traceback is in {file.name}"

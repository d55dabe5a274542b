"""Commands that are listed without being imported.

A command is named by a target, `package.module:function`. `fiberward --help` reads the function's
summary from the module's source; the module is imported when the command runs. So the list of
commands is quick, and complete even where the packages that a command needs are missing.
"""

import ast
import inspect
import os
import sys
from collections.abc import Callable, Generator
from contextlib import contextmanager
from functools import wraps
from importlib import import_module
from importlib.metadata import entry_points
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand
from typer.main import get_command

from ...model.errors import MissingExtra, ModelError
from .terminal import Terminal

__all__ = ["LazyCommand", "commands_of_other_rooms", "missing_extra", "summary_of"]

ENTRY_POINT_GROUP = "fiberward.commands"
OWN_PACKAGE = "fiberward"
EXIT_READER_LEFT = 141
DESK_PACKAGES = {"starlette", "uvicorn"}
TRAINING_PACKAGES = {
    *("albucore", "albumentations", "onnx", "onnxscript"),
    *("pycocotools", "torch", "torchvision"),
}
SHARED_OPTIONS = {
    "json": "Print the result as one JSON document.",
    "quiet": "No progress and no notes on stderr; errors stay.",
    "debug": "Print the whole traceback of an internal error.",
}


class LazyCommand(TyperCommand):
    """A command that imports its module when it is called.

    The function behind it is a plain Typer function. It gets the options `--json`, `--quiet` and
    `--debug`, unless it defines them itself, and finds their values in `Terminal.current()`.
    What it returns is the exit code (None is 0).
    """

    def __init__(self, name: str, target: str) -> None:
        self.target = target
        super().__init__(name, rich_markup_mode=None)

    def get_short_help_str(self, limit: int = 45) -> str:
        """The summary; read only for a list of commands, for reading all takes 40 ms."""
        self.short_help = self.short_help or summary_of(self.target)
        return super().get_short_help_str(limit)

    def make_context(
        self, info_name: str | None, args: list[str], parent: Any = None, **extra: Any
    ) -> Any:
        """The context of the real command, which takes this one's place from here on."""
        return self.load().make_context(info_name, args, parent, **extra)

    def load(self) -> TyperCommand:
        """The real command; raises MissingExtra where packages of an extra are not installed."""
        module, _, function = self.target.partition(":")
        try:
            run = getattr(import_module(module), function)
        except ModuleNotFoundError as error:
            raise missing_extra(error) from error
        app = typer.Typer(add_completion=False, rich_markup_mode=None)
        app.command(self.name)(with_shared_options(run))
        command = get_command(app)
        assert isinstance(command, TyperCommand)
        return command


def commands_of_other_rooms() -> list[LazyCommand]:
    """The commands that other rooms registered in the entry-point group, by name."""
    found = {point.name: point.value for point in entry_points(group=ENTRY_POINT_GROUP)}
    return [LazyCommand(name, target) for name, target in sorted(found.items())]


def missing_extra(error: ModuleNotFoundError) -> Exception:
    """What to tell about a package that is not installed; a missing module of ours is a defect."""
    package = (error.name or "").split(".")[0]
    if package in ("", OWN_PACKAGE):
        return error
    if package in TRAINING_PACKAGES:
        return MissingExtra(
            f"this command needs the training packages, and {package} is not installed: "
            "run pip install '.[train]' in Fiberward's folder"
        )
    if package in DESK_PACKAGES:
        return MissingExtra(
            f"the desk needs the packages of its extra, and {package} is not installed: "
            "run pip install '.[desk]' in Fiberward's folder"
        )
    return ModelError(
        f"the package {package} is not installed, so this installation is incomplete: "
        "run pip install . in Fiberward's folder"
    )


def summary_of(target: str) -> str:
    """The first line of the function's docstring, read from the source without importing it."""
    module, _, function = target.partition(":")
    try:
        spec = find_spec(module)
    except ModuleNotFoundError:
        spec = None
    if spec is None or spec.origin is None:
        return "(not installed)"
    for node in ast.parse(Path(spec.origin).read_bytes()).body:
        if isinstance(node, ast.FunctionDef) and node.name == function:
            return (ast.get_docstring(node) or "").partition("\n")[0]
    return ""


def with_shared_options(run: Callable[..., Any]) -> Callable[..., Any]:
    """`run` with the options all commands share, less those that it defines itself."""
    signature = inspect.signature(run)
    added = [name for name in SHARED_OPTIONS if name not in _own_flags(signature)]

    @wraps(run)
    def call(**values: Any) -> Any:
        shared = {name: values.pop(f"shared_{name}") for name in added}
        with Terminal.current().having(**shared).in_charge(), _reader_may_leave():
            return run(**values)

    options = [_flag_parameter(name) for name in added]
    parameters = [*signature.parameters.values(), *options]
    call.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
    call.__annotations__ |= {option.name: option.annotation for option in options}
    return call


@contextmanager
def _reader_may_leave() -> Generator[None]:
    """End quietly when whoever read our stdout went away, as in `fiberward ... | head`.

    The exit code is then that of a process ended by SIGPIPE: no verdict may be read from it.
    """
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError as error:
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115  (lives as long as the process)
        raise typer.Exit(EXIT_READER_LEFT) from error


def _own_flags(signature: inspect.Signature) -> set[str]:
    """Names of parameters that already make one of the shared options."""
    names = set[str]()
    for parameter in signature.parameters.values():
        names.add(parameter.name)
        declared = [parameter.default, *getattr(parameter.annotation, "__metadata__", ())]
        for option in declared:
            # In Annotated[...], typer keeps the first flag in the place of the default.
            flags = [
                getattr(option, "default", None),
                *(getattr(option, "param_decls", None) or ()),
            ]
            names |= {flag.removeprefix("--") for flag in flags if isinstance(flag, str)}
    return names


def _flag_parameter(name: str) -> inspect.Parameter:
    option = typer.Option(f"--{name}", help=SHARED_OPTIONS[name], show_default=False)
    return inspect.Parameter(
        f"shared_{name}",
        inspect.Parameter.KEYWORD_ONLY,
        default=False,
        annotation=Annotated[bool, option],
    )

"""What a command says, and where: results to stdout, everything else to stderr."""

import json
import sys
from collections.abc import Generator, Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import Any, TypeVar

__all__ = ["Terminal"]

T = TypeVar("T")


@dataclass(frozen=True)
class Terminal:
    """How the running command talks.

    json: results are one JSON document instead of text. quiet: no progress and no notes.
    debug: internal errors show their whole traceback.
    """

    json: bool = False
    quiet: bool = False
    debug: bool = False

    @classmethod
    def current(cls) -> "Terminal":
        """The one of the running command; the plain one outside a command."""
        return _current.get()

    def having(self, **options: bool) -> "Terminal":
        """This one with each option that is true switched on."""
        return replace(self, **{name: True for name, on in options.items() if on})

    @contextmanager
    def in_charge(self) -> Generator[None]:
        """Make this the current one for a while."""
        token = _current.set(self)
        try:
            yield
        finally:
            _current.reset(token)

    def result(self, text: str, document: Mapping[str, Any]) -> None:
        """Print the result to stdout: `document` with --json, else `text`."""
        # ASCII only, so that no terminal's encoding and no odd file name can stop it.
        shown = json.dumps(document, indent=2, allow_nan=False) if self.json else text
        print(shown, flush=True)

    def note(self, line: str) -> None:
        """Tell something on the way, on stderr; nothing with --quiet."""
        if not self.quiet:
            print(line, file=sys.stderr, flush=True)

    def warn(self, line: str) -> None:
        """Tell something that must not be missed, on stderr, --quiet or not."""
        print(line, file=sys.stderr, flush=True)

    def progress(self, items: Iterable[T], label: str, total: int | None = None) -> Iterator[T]:
        """The items, with a progress bar on stderr where a person watches."""
        if self.quiet or not sys.stderr.isatty():
            yield from items
            return
        from rich.console import Console
        from rich.progress import track

        # rich itself honours NO_COLOR.
        console = Console(stderr=True)
        yield from track(items, description=label, total=total, console=console, transient=True)


_PLAIN = Terminal()
_current: ContextVar[Terminal] = ContextVar("terminal", default=_PLAIN)

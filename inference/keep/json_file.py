"""JSON files of people's, with line and column of whatever is wrong in them."""

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

from ...model.errors import UsageError
from .files import read_text, text_lines

__all__ = ["JsonValue", "json_values", "place_of"]

_SPACE = re.compile(r"[ \t\r\n]*")
_DECODER = json.JSONDecoder()


@dataclass(frozen=True)
class JsonValue:
    """A document of a file, the text it was read from, and the line on which that begins."""

    line: int
    text: str
    value: Any

    @property
    def is_object(self) -> bool:
        """Whether it has keys."""
        return isinstance(self.value, dict)

    def refused(self, path: Path, keys: Sequence[str | int], said: str) -> UsageError:
        """What is to be raised for what stands under these keys."""
        line, column = place_of(self.text, keys)
        key = "".join(f"[{k}]" if isinstance(k, int) else f".{k}" for k in keys).lstrip(".")
        where = f"{path}, line {self.line + line - 1}, column {column}"
        return UsageError(f"{where}{f', key {key}' if key else ''}: {said}")


def json_values(path: Path) -> Iterator[JsonValue]:
    """Each document in a file: one JSON document, or one a line, read one at a time."""
    lines = text_lines(path)
    first, second = next(lines, None), next(lines, None)
    if first is None:
        raise UsageError(f"{path}, line 1, column 1: the file is empty")
    if second is None:
        yield _parsed(path, *first)
    elif _is_whole(first[1]):
        for number, line in chain((first, second), lines):
            yield _parsed(path, number, line)
    else:
        yield _parsed(path, 1, read_text(path))


def _parsed(path: Path, number: int, text: str) -> JsonValue:
    """The document that begins on this line."""
    try:
        value = json.loads(text, parse_constant=_no_number)
        json.dumps(value, ensure_ascii=False).encode()  # half a letter cannot be stored
    except json.JSONDecodeError as error:
        line = number + error.lineno - 1
        raise UsageError(
            f"{path}, line {line}, column {error.colno}: {error.msg}; expected a file written "
            "by fiberward records export or fiberward inspect"
        ) from error
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{path}, line {number}, column 1: {error}") from error
    return JsonValue(number, text, value)


def _no_number(text: str) -> None:
    raise ValueError(f"{text} is no JSON number")


def _is_whole(line: str) -> bool:
    """Whether a line is a JSON document by itself."""
    try:
        json.loads(line)
    except (ValueError, RecursionError):
        return line.lstrip().startswith('{"schema"')  # one of several, but damaged
    return True


def place_of(text: str, keys: Sequence[str | int]) -> tuple[int, int]:
    """Line and column, from 1, of the value under `keys` (names and numbers of elements).

    text: JSON that was read already. Where a key is not there: of what should hold it.
    """
    at = _skip(text, 0)
    for key in keys:
        inside = _child(text, at, key)
        if inside is None:
            break
        at = inside
    return text.count("\n", 0, at) + 1, at - text.rfind("\n", 0, at)


def _child(text: str, at: int, key: str | int) -> int | None:
    """Where the value under one key of the value at `at` begins."""
    if text[at] != ("{" if isinstance(key, str) else "["):
        return None
    place, number, found = _skip(text, at + 1), 0, None
    while text[place] not in "}]":
        name: str | int = number
        if text[at] == "{":
            name, place = _DECODER.raw_decode(text, place)
            place = _skip(text, _skip(text, place) + 1)  # past the colon
        if name == key:
            found = place  # of keys told twice the last one counts
        _, place = _DECODER.raw_decode(text, place)
        place = _skip(text, place)
        if text[place] == ",":
            place = _skip(text, place + 1)
        number += 1
    return found


def _skip(text: str, at: int) -> int:
    found = _SPACE.match(text, at)
    return at if found is None else found.end()

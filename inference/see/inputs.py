"""From the paths on the command line to connectors, each with its pictures.

Pictures given by name are one connector; so are the pictures of a folder. A folder of folders is
many connectors. What this program wrote itself is never taken as input.
"""

import os
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from ...model.errors import FiberwardError, UnreadablePicture, UsageError
from .connector_file import CONNECTOR_FILE, ConnectorFacts, read_connector_file

__all__ = [
    "ConnectorInput",
    "Inputs",
    "expand_inputs",
    "is_own_output",
    "natural_key",
    "pictures_in",
]

PICTURE_SUFFIXES = frozenset(
    [".bmp", ".gif", ".jfif", ".jpe", ".jpeg", ".jpg", ".pbm", ".pgm", ".png", ".pnm", ".ppm"]
    + [".tif", ".tiff", ".webp"]
    # These cannot be read. They are taken all the same, so that the person is told.
    + [".avif", ".cr2", ".cr3", ".dng", ".heic", ".heif", ".jp2", ".nef", ".orf", ".raf", ".raw"]
)
OWN_ENDINGS = (
    *(".surfaces.png", ".deposits.png", ".overlay.png", ".instances.png"),
    *(".merged.png", ".depth.png"),
)
OWN_NAMES = frozenset(
    ["travel-map.png", "travel-map.picture.jpg", "travel-map.limit.png"]
    + ["travel-map.front-picture.jpg", "travel-map.front-limit.png", "comparison.png"]
    + ["inspection.json", "compare.json", "report.html"]
)


@dataclass(frozen=True)
class ConnectorInput:
    """One connector to inspect.

    name: the folder's name, None for pictures given by name. pictures: in natural order of their
    names within a folder, as given otherwise. turns_deg: the stated turn of each, [0, 360), None
    where none is stated. facts: what connector.toml states.
    """

    name: str | None
    pictures: tuple[Path, ...]
    turns_deg: tuple[float | None, ...]
    facts: ConnectorFacts = ConnectorFacts()


@dataclass(frozen=True)
class Inputs:
    """All connectors, and an error for each that could not be taken; the others go on."""

    connectors: tuple[ConnectorInput, ...]
    problems: tuple[FiberwardError, ...]


def expand_inputs(paths: Sequence[Path | str]) -> Inputs:
    """Sort the given paths into connectors.

    Raises UsageError where it cannot be told which pictures belong to which connector. A folder
    that cannot be listed, holds no picture or has a faulty connector.toml is among the problems.
    """
    given = [Path(path) for path in paths]
    if not given:
        raise UsageError("no pictures given; name the pictures of one connector, or a folder")
    folders = [path for path in given if path.is_dir()]
    if not folders:
        return Inputs((_of_pictures(given),), ())
    if len(folders) != len(given):
        stray = next(path for path in given if path not in folders)
        raise UsageError(
            f"{stray}: pictures and folders cannot be mixed; give the pictures of one connector, "
            "or folders with one connector each"
        )
    connectors: list[ConnectorInput] = []
    problems: list[FiberwardError] = []
    for folder in folders:
        found = _of_folder(folder)
        connectors.extend(found.connectors)
        problems.extend(found.problems)
    _check_names(connectors)
    return Inputs(tuple(connectors), tuple(problems))


def pictures_in(folder: Path) -> list[Path]:
    """The pictures of a folder in natural order; UnreadablePicture if it cannot be listed."""
    return _listing(folder)[0]


def is_own_output(path: Path) -> bool:
    """Whether a file of this name is one that an inspection writes (or a truth mask)."""
    name = path.name.casefold()
    return name in OWN_NAMES or name.endswith(OWN_ENDINGS)


def natural_key(name: str) -> tuple[tuple[bool, int, str], ...]:
    """A sort key that puts "view 2" before "view 10"."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return tuple((not part[0].isdigit(), _int(part), part) for part in parts)


def _int(part: str) -> int:
    # Past 18 digits the order of the text serves; int() would refuse some thousands of them.
    return int(part) if part[0].isdigit() and len(part) <= 18 else 0


def _of_pictures(pictures: Sequence[Path]) -> ConnectorInput:
    repeated = [path for path, count in Counter(pictures).items() if count > 1]
    if repeated:
        raise UsageError(f"{repeated[0]}: is given twice; give each picture once")
    return ConnectorInput(None, tuple(pictures), (None,) * len(pictures))


def _of_folder(folder: Path) -> Inputs:
    """One connector, or those of the folders inside."""
    try:
        pictures, inner = _listing(folder)
        if pictures:
            with_pictures = [each for each in inner if _listing(each)[0]]
            if with_pictures:
                raise UsageError(
                    f"{folder}: holds pictures and the folder {with_pictures[0].name} with more; "
                    "give each connector a folder of its own"
                )
            return Inputs((_connector(folder, pictures),), ())
    except FiberwardError as error:
        return Inputs((), (error,))
    found = [_of_inner_folder(each) for each in inner if not _holds_only_outputs(each)]
    if not found:
        return Inputs((), (UnreadablePicture(f"{folder}: holds no pictures"),))
    return Inputs(
        tuple(connector for each in found for connector in each.connectors),
        tuple(problem for each in found for problem in each.problems),
    )


def _of_inner_folder(folder: Path) -> Inputs:
    try:
        pictures, _ = _listing(folder)
        if not pictures:
            raise UnreadablePicture(f"{folder}: holds no pictures")
        return Inputs((_connector(folder, pictures),), ())
    except FiberwardError as error:
        return Inputs((), (error,))


def _connector(folder: Path, pictures: Sequence[Path]) -> ConnectorInput:
    file = folder / CONNECTOR_FILE
    facts = read_connector_file(file) if file.exists() else ConnectorFacts()
    turns = tuple(facts.turns_deg.get(path.name) for path in pictures)
    return ConnectorInput(folder.resolve().name, tuple(pictures), turns, facts)


def _listing(folder: Path) -> tuple[list[Path], list[Path]]:
    """The pictures and the folders inside, in natural order; hidden ones are left out."""
    try:
        with os.scandir(folder) as entries:
            paths = [Path(entry.path) for entry in entries if not entry.name.startswith(".")]
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise UnreadablePicture(f"{folder}: cannot be listed ({reason})") from error
    ordered = _in_natural_order(paths)
    folders = [path for path in ordered if path.is_dir()]
    pictures = [
        path
        for path in ordered
        if path.suffix.casefold() in PICTURE_SUFFIXES
        and not path.is_dir()
        and not is_own_output(path)
    ]
    return pictures, folders


def _in_natural_order(paths: Iterable[Path]) -> list[Path]:
    return sorted(paths, key=lambda path: (natural_key(path.name), path.name))


def _holds_only_outputs(folder: Path) -> bool:
    """Whether a folder without pictures of its own was written by an inspection."""
    try:
        pictures, inner = _listing(folder)
        has_output = any(is_own_output(path) for path in folder.iterdir())
    except (OSError, FiberwardError):
        return False
    inner_outputs = bool(inner) and all(_holds_only_outputs(each) for each in inner)
    return not pictures and (has_output or inner_outputs)


def _check_names(connectors: Sequence[ConnectorInput]) -> None:
    """Two connectors of one name would overwrite each other's outputs."""
    names = Counter((connector.name or "").casefold() for connector in connectors)
    for connector in connectors:
        if names[(connector.name or "").casefold()] > 1:
            raise UsageError(
                f"two folders are called {connector.name}; inspect them apart or rename one"
            )

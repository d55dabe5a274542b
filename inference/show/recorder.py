"""The loop inspect, clean, inspect: what the records know before, and what they get after."""

import hashlib
from dataclasses import replace
from pathlib import Path

from ...model.errors import FiberwardError, RecordsError, UsageError
from ..keep.compare import Side
from ..keep.find_records import files_of, history, inspection_of, pictures_seen_before
from ..keep.history import standing_of
from ..keep.inspection import Inspection
from ..keep.map_files import MAP_FILES, map_of
from ..keep.records import KeptFile, Records, check_connector
from ..request import Request
from .comparing import Compared, compare_sides, write_comparison
from .pictures_out import jpeg_bytes, read_drawn
from .terminal import Terminal
from .words import VERDICT_WORDS, clock

__all__ = ["Recorder", "side_of"]

MAP = "travel-map.png"
COMPARED_STAGES = ("cleaned", "mated")  # before which something was done to the connector


class Recorder:
    """Fills requests from the records, and records results.

    Only connectors whose label was stated are recorded; the name of a folder is no label. Nothing
    is opened before the first of them. `attempt`: which cleaning it was, if the person counted.
    """

    def __init__(self, where: str | None, attempt: int | None = None) -> None:
        self.where, self.attempt = where, attempt
        self._records: Records | None = None

    def _open(self) -> Records:
        if self._records is None:
            self._records = Records.open(self.where)
            for line in self._records.found:
                Terminal.current().warn(f"fiberward: {line}")
        return self._records

    def prepared(self, request: Request) -> Request:
        """The request with the connector's standing, and a note of what was found before.

        Raises RecordsError where the records cannot be opened, UsageError where what is stated
        contradicts what they hold; both before the pictures are looked at.
        """
        facts = request.facts
        if not request.labelled or facts.label is None:
            if self.attempt is not None:
                raise UsageError("--attempt counts for one connector: name it with --connector")
            return request
        records = self._open()
        check_connector(records, request.stated)
        standing = standing_of(history(records, facts.label, facts.end), facts.stage, self.attempt)
        notes = list(request.notes)
        earlier = standing.earlier
        if earlier is not None:
            word = VERDICT_WORDS[earlier.holds].name
            notes.append(
                f"Inspected before, {clock(earlier.created_at)}"
                f"{f' ({earlier.stage})' if earlier.stage else ''}: {word}, "
                f"{earlier.stops} deposit{'' if earlier.stops == 1 else 's'} in the way."
            )
        if standing.attempt is not None:
            notes.append(f"Cleaning {standing.attempt} since it came in or was mated.")
        return replace(
            request,
            notes=tuple(notes),
            attempt=standing.attempt,
            cleanings_failed=standing.cleanings_failed,
            follows=None if earlier is None else earlier.uid,
        )

    def check_pictures(self, request: Request, sha256s: frozenset[str]) -> None:
        """Raise UsageError for pictures of the inspection before: they show no new cleaning."""
        if request.follows is None or request.attempt is None or self.attempt is not None:
            return
        if pictures_seen_before(self._open(), request.follows, sha256s):
            raise UsageError(
                f"connector {request.facts.label}: these are pictures of the inspection before, "
                "which show no new cleaning; take new ones, or leave the label (--connector) out"
            )

    def add(self, inspection: Inspection, request: Request, folder: Path) -> str | None:
        """Record an inspection whose files lie in `folder`; its uid, None for one without a label.

        One that is recorded already is left as it is.
        """
        if not request.labelled:
            return None
        files: list[KeptFile] = []
        for name in (MAP, *MAP_FILES):
            path = folder / name
            if path.exists():  # without a usable view there is none
                files.append(KeptFile("travel-map", name, path.suffix, path.read_bytes()))
        for view in inspection.views:
            drawn = read_drawn(folder / f"{view.stem}.overlay.png")
            if drawn is not None:
                files.append(KeptFile("overlay", view.stem, ".jpg", jpeg_bytes(drawn)))
        try:
            return self._open().add(inspection, [*_originals(inspection, request), *files])
        except FiberwardError as error:
            document = folder / "inspection.json"
            raise RecordsError(
                f"{error}; the results are in {folder}; to record them later: "
                f"fiberward records import {document}"
            ) from error

    def compare(self, request: Request, uid: str, folder: Path) -> Compared | None:
        """Compare a recorded inspection with the one before it, and record and write that.

        None unless the connector was cleaned or mated since then.
        """
        if request.follows is None or request.facts.stage not in COMPARED_STAGES:
            return None
        records = self._open()
        found = compare_sides(side_of(records, request.follows), side_of(records, uid))
        records.add_comparison(request.follows, uid, found.document)
        write_comparison(found, folder)
        return found

    def close(self) -> None:
        """Close the records if they were opened."""
        if self._records is not None:
            self._records.close()


def _originals(inspection: Inspection, request: Request) -> list[KeptFile]:
    """The pictures as they were inspected; raises RecordsError where they no longer are."""
    files: list[KeptFile] = []
    for view, path in zip(inspection.views, request.pictures, strict=True):
        if view.sha256 is None or view.duplicate_of is not None:
            continue
        try:
            data = path.read_bytes()
        except OSError as error:
            raise RecordsError(f"{path}: cannot be read again ({error.strerror})") from error
        if hashlib.sha256(data).hexdigest() != view.sha256:
            raise RecordsError(f"{path}: is no longer the picture that was inspected")
        files.append(KeptFile("picture", view.picture, path.suffix.lower(), data))
    return files


def side_of(records: Records, uid: str) -> Side:
    """A recorded inspection with its map."""
    side = Side(inspection_of(records, uid))
    shape = side.shape()
    files = {name: path for role, name, path in files_of(records, uid) if role == "travel-map"}
    return side if shape is None else Side(side.inspection, map_of(files, shape))

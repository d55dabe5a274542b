"""The cases on the desk: one folder each, as `fiberward inspect --out` writes it or more.

What comes from outside as a key is looked up among the folders that are there; it never becomes
part of a path.
"""

import hashlib
import json
import os
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from ....model.errors import FiberwardError
from ...keep.inspection import Inspection, read_inspection
from ...record import utc_now
from .job import JOB_FILE, PICTURES, Job, read_job, write_job

__all__ = ["EXTRAS", "PAGE_FILE", "REPORT", "RESULT", "Case", "Shelf"]

RESULT = "inspection.json"
REPORT = "report.html"
EXTRAS = ".desk"
PAGE_FILE = "page.json"


@dataclass(frozen=True)
class Case:
    """One connector's inspection on the desk: its folder, what was stated, what came out.

    `inspection` is None until there is one. A case without a `job` was written by the command line.
    """

    key: str
    folder: Path
    job: Job | None
    inspection: Inspection | None

    @property
    def state(self) -> str:
        """How far it is (`job.State`)."""
        if self.inspection is not None and (self.job is None or self.job.state == "running"):
            return "done"
        return "done" if self.job is None else self.job.state

    @property
    def label(self) -> str | None:
        """What the connector is called."""
        if self.inspection is not None:
            return self.inspection.connector.get("label")
        return None if self.job is None else self.job.label

    @property
    def name(self) -> str:
        """What the page calls it."""
        if self.label is not None or self.job is None or self.job.came_from is None:
            return self.label or "without a label"
        return f"without a label (folder {self.job.came_from})"

    @property
    def created_at(self) -> str:
        """When it was inspected or, before that, begun."""
        if self.inspection is not None:
            return self.inspection.created_at
        return "" if self.job is None else self.job.created_at

    @property
    def page(self) -> Mapping[str, Any]:
        """What the worker left for the page; empty for a case of the command line."""
        path = self.folder / EXTRAS / PAGE_FILE
        try:
            return _page_of(path, path.stat().st_mtime_ns)
        except (OSError, ValueError):
            return {}

    def file(self, *names: str) -> Path | None:
        """A file of the case by its parts' names; None if it is none inside the case's folder."""
        path = self.folder.joinpath(*names)
        inside = path.resolve().is_relative_to(self.folder.resolve())
        return path if inside and path.is_file() else None


class Shelf:
    """All cases of one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._read: dict[Path, tuple[float, Inspection | None]] = {}

    def cases(self) -> list[Case]:
        """Every case, newest first."""
        found = [self._case(folder) for folder in self._folders()]
        return sorted((c for c in found if c), key=lambda c: (c.created_at, c.key), reverse=True)

    def find(self, key: str) -> Case | None:
        """The case of a key, None if there is none."""
        for folder in self._folders():
            if _key_of(folder) == key:
                return self._case(folder)
        return None

    def begin(self, job: Job | None = None) -> Case:
        """A new, empty case."""
        self.folder.mkdir(parents=True, exist_ok=True)
        name = f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{secrets.token_hex(8)}"
        folder = self.folder / name
        (folder / PICTURES).mkdir(parents=True)
        job = job or Job(utc_now())
        write_job(folder, job)
        return Case(_key_of(folder), folder, job, None)

    def _folders(self) -> list[Path]:
        try:
            with os.scandir(self.folder) as entries:
                return [Path(e.path) for e in entries if e.is_dir(follow_symlinks=False)]
        except OSError:
            return []

    def _case(self, folder: Path) -> Case | None:
        job = read_job(folder) if (folder / JOB_FILE).is_file() else None
        inspection = self._inspection(folder / RESULT)
        if job is None and inspection is None:
            return None
        return Case(_key_of(folder), folder, job, inspection)

    def _inspection(self, path: Path) -> Inspection | None:
        """The inspection at `path`, kept until the file changes; None if it cannot be read."""
        try:
            changed = path.stat().st_mtime
        except OSError:
            return None
        known = self._read.get(path)
        if known is None or known[0] != changed:
            try:
                found = read_inspection(path)
            except FiberwardError:
                found = None
            known = self._read[path] = (changed, found)
        return known[1]


@lru_cache(maxsize=8)  # each of a page's pictures asks for it
def _page_of(path: Path, changed_ns: int) -> Mapping[str, Any]:
    return json.loads(path.read_bytes())


def _key_of(folder: Path) -> str:
    return hashlib.sha256(os.fsencode(folder.name)).hexdigest()[:12]

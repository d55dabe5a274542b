"""What a person stated about one connector on the page, and how far its inspection is.

It lies beside the results as `desk.json`, so that nothing is lost when the server dies. What is
stated of the connector also goes into a `connector.toml` beside its pictures, which the command
line reads the same way.
"""

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal, cast, get_args

from ....model.errors import UsageError
from ...keep.files import write_atomically
from ...request import STAGES
from ...see.connector_file import CONNECTOR_FILE
from ...see.inputs import natural_key
from ..jobs import StatedOptions

__all__ = [
    "JOB_FILE",
    "PICTURES",
    "SCHEMA",
    "Job",
    "Shot",
    "State",
    "read_job",
    "with_stated",
    "write_connector_file",
    "write_job",
]

SCHEMA = "fiberward.desk/1"
JOB_FILE = "desk.json"
PICTURES = "pictures"
MOST_LETTERS = 120
TEXTS = ("label", "end", "lot", "method", "operator", "in_zone_by")
CHOICES = {
    "ferrule_mm": ("2.5", "1.25"),
    "finish": ("pc", "apc"),
    "fiber_mode": ("single", "multi"),
    "stage": STAGES,
    "in_zone": ("within", "outside"),
}
NUMBERS = {"matings_so_far": r"\d{1,6}", "key_deg": r"\d{1,3}(\.\d{1,3})?"}
# Of the facts, those that connector.toml takes; the rest are options of the command line.
IN_FILE = (
    *("label", "end", "lot", "ferrule_mm", "finish", "fiber_mode", "stage", "method"),
    *("matings_so_far", "key_deg"),
)
AS_OPTION = ("operator", "in_zone", "in_zone_by")
BARE = ("ferrule_mm", *NUMBERS)  # written without quotes in TOML

State = Literal["draft", "queued", "running", "done", "failed", "stopped"]


@dataclass(frozen=True)
class Shot:
    """One picture: its `file` among the case's pictures, and its stated `turn`, - to find it."""

    file: str
    turn: str = "-"


@dataclass(frozen=True)
class Job:
    """One connector's inspection as stated; a text is None where nothing was said.

    `shots` stand in the natural order of their names. `problem`: why it failed, in one line.
    `state`: draft while pictures and facts are collected. `came_from`: the watched sub-folder that
    its pictures lay in. `exercise`: of an invented connector, its result hidden at first. `more`:
    whether it begins with the pictures of an earlier inspection; `next_tilt_deg`, `next_turn_deg`:
    the picture that one wanted.
    """

    created_at: str
    shots: tuple[Shot, ...] = ()
    label: str | None = None
    end: str | None = None
    lot: str | None = None
    ferrule_mm: str | None = None
    finish: str | None = None
    fiber_mode: str | None = None
    stage: str | None = None
    method: str | None = None
    matings_so_far: str | None = None
    key_deg: str | None = None
    operator: str | None = None
    in_zone: str | None = None
    in_zone_by: str | None = None
    state: State = "draft"
    problem: str | None = None
    came_from: str | None = None
    exercise: bool = False
    more: bool = False
    next_tilt_deg: float | None = None
    next_turn_deg: float | None = None

    @property
    def open(self) -> bool:
        """Whether its pictures and facts may still change."""
        return self.state in ("draft", "failed", "stopped")

    def options(self) -> StatedOptions:
        """What the command line takes as options."""
        return StatedOptions(**{name: getattr(self, name) for name in AS_OPTION})

    def words(self, folder: Path) -> list[str]:
        """The command line that does the same, as words."""
        stated = [
            f"--{name.replace('_', '-')}={value}"
            for name in AS_OPTION
            if (value := getattr(self, name)) is not None
        ]
        return ["fiberward", "inspect", *stated, "--out", str(folder), str(folder / PICTURES)]

    def connector_file(self) -> str:
        """What is stated of the connector as the text of a `connector.toml`."""
        lines = [
            f"{name} = {value if name in BARE else _quoted(value)}"
            for name in IN_FILE
            if (value := getattr(self, name)) is not None
        ]
        for shot in self.shots:
            if shot.turn != "-":
                lines += ["[[picture]]", f"file = {_quoted(shot.file)}", f"turn_deg = {shot.turn}"]
        return "\n".join(lines) + "\n"


def read_job(folder: Path) -> Job | None:
    """The job of a case's folder; None where there is none that can be read."""
    try:
        document = json.loads((folder / JOB_FILE).read_bytes())
        if document.pop("schema") != SCHEMA or document["state"] not in get_args(State):
            return None
        shots = tuple(_shot(each) for each in document.pop("shots"))
        return Job(**document, shots=shots)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def write_job(folder: Path, job: Job) -> None:
    """Write the job beside its results, whole or not at all."""
    shots = sorted(job.shots, key=lambda shot: (natural_key(shot.file), shot.file))
    document = {"schema": SCHEMA, **asdict(replace(job, shots=tuple(shots)))}
    write_atomically(folder / JOB_FILE, json.dumps(document, indent=1).encode())


def write_connector_file(folder: Path, job: Job) -> None:
    """Write what is stated beside the pictures of the case in `folder`."""
    write_atomically(folder / PICTURES / CONNECTOR_FILE, job.connector_file().encode())


def with_stated(job: Job, stated: Mapping[str, Any]) -> Job:
    """The job with what the page's form says; raises UsageError for what cannot be meant."""
    checks: dict[str, Callable[[str, Any], str | None]] = {
        **dict.fromkeys(TEXTS, _text),
        **dict.fromkeys(CHOICES, _choice),
        **dict.fromkeys(NUMBERS, _number),
    }
    unknown = set(stated) - {*checks, "turns"}
    if unknown:
        raise UsageError(f"unknown fields: {', '.join(sorted(unknown))[:200]}")
    values = {name: check(name, stated[name]) for name, check in checks.items() if name in stated}
    return replace(job, shots=_turned(job.shots, stated.get("turns")), **cast(Any, values))


def _turned(shots: tuple[Shot, ...], turns: Any) -> tuple[Shot, ...]:
    """The shots with the turns stated for them by file name."""
    if turns is None:
        return shots
    if not isinstance(turns, dict):
        raise UsageError("turns: expected one for each picture, by its file name")
    stated = cast(Mapping[str, Any], turns)
    return tuple(
        replace(shot, turn=_turn(stated[shot.file])) if shot.file in stated else shot
        for shot in shots
    )


def _shot(row: Mapping[str, str]) -> Shot:
    if Path(row["file"]).name != row["file"] or row["file"].startswith("."):
        raise ValueError(f"{row['file']!r} is no name of a picture")
    return Shot(row["file"], _turn(row["turn"]))


def _text(name: str, value: Any) -> str | None:
    if not isinstance(value, str) or len(value) > MOST_LETTERS:
        raise UsageError(f"{name}: expected a text of at most {MOST_LETTERS} letters")
    if any(not letter.isprintable() for letter in value):
        raise UsageError(f"{name}: expected one line of plain text")
    return value.strip() or None


def _choice(name: str, value: Any) -> str | None:
    if value in (None, ""):
        return None
    if value not in CHOICES[name]:
        raise UsageError(f"{name}: expected one of {', '.join(CHOICES[name])}")
    return str(value)


def _number(name: str, value: Any) -> str | None:
    text = str(value).strip()
    if not text:
        return None
    if not re.fullmatch(NUMBERS[name], text, re.ASCII):
        raise UsageError(f"{name.replace('_', ' ')}: {text[:20]!r} is no such number")
    return str(int(text)) if name == "matings_so_far" else str(float(text))


def _turn(value: Any) -> str:
    """A turn as the command line takes it: degrees, or - to find it."""
    text = str(value).strip() or "-"
    if text == "-":
        return text
    if not re.fullmatch(r"-?\d{1,3}(\.\d{1,3})?", text, re.ASCII):
        raise UsageError(f"turn {text[:20]!r}: give degrees, as 120, or - to have it found")
    return f"{float(text):g}"


def _quoted(text: str) -> str:
    """A TOML basic string; JSON's escapes are among those of TOML."""
    return json.dumps(text, ensure_ascii=False)

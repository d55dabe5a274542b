"""Inspecting one connector or many: what is asked, where results go, and what is told."""

import sys
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from ...model.errors import FiberwardError, UsageError
from ..keep.comparison_file import COMPARISON_FILE
from ..keep.inspection import Inspection
from ..pipeline import Inspector
from ..request import STAGES, Request
from ..see.inputs import ConnectorInput, Inputs
from .comparing import Compared, comparison_words
from .outputs import write_outputs
from .resume import finished
from .terminal import Terminal
from .words import VERDICT_WORDS

if TYPE_CHECKING:  # the records take long to import
    from .recorder import Recorder

__all__ = [
    "Job",
    "Plan",
    "StatedOptions",
    "file_name",
    "free_folder",
    "plan_jobs",
    "run_jobs",
    "summary",
]

DEFAULT_FOLDER = Path("fiberward-inspections")
BATCH_SCHEMA = "fiberward.inspections/1"
EXIT_NOT_MATE, EXIT_UNREADABLE = 1, 3
MOST_REASONS = 6
# What no file name may hold on some system, and names that one system reserves.
_FORBIDDEN = set('<>:"/\\|?*')
_RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in range(1, 10))}


@dataclass(frozen=True)
class StatedOptions:
    """The options of the command line as given; None where one was left out."""

    ferrule: str | None = None
    turn: str | None = None
    connector: str | None = None
    stage: str | None = None
    in_zone: str | None = None
    in_zone_by: str | None = None
    method: str | None = None
    operator: str | None = None


@dataclass(frozen=True)
class Job:
    """One connector to inspect and the folder for its results."""

    request: Request
    folder: Path

    def __str__(self) -> str:
        return self.folder.name


@dataclass(frozen=True)
class Plan:
    """All jobs, and an error for each connector that could not be taken."""

    jobs: tuple[Job, ...]
    problems: tuple[FiberwardError, ...]


def plan_jobs(
    inputs: Inputs, stated: StatedOptions, out: Path | None, notes: tuple[str, ...] = ()
) -> Plan:
    """The jobs of a command line; `notes` go to the head of each result.

    Raises UsageError for options that no connector could be inspected with. What is wrong with one
    connector of several is among the problems, and the others go on.
    """
    many = len(inputs.connectors) + len(inputs.problems) > 1
    if many and stated.connector is not None:
        raise UsageError("--connector names one connector, and several are given; leave it out")
    jobs: list[Job] = []
    problems = list(inputs.problems)
    taken: set[Path] = set()
    for connector in inputs.connectors:
        try:
            request = replace(_request(connector, stated), notes=notes)
            jobs.append(Job(request, _folder(connector, request, out, many, taken)))
        except FiberwardError as error:
            problems.append(error)
    if not many and problems:
        raise problems[0]
    return Plan(tuple(jobs), tuple(problems))


def run_jobs(
    inspector: Inspector,
    plan: Plan,
    terminal: Terminal,
    recorder: "Recorder | None" = None,
    resume: bool = False,
    how: str = "as inspected before",
) -> int:
    """Inspect every connector, write, record and tell the results; returns the exit code.

    The first that applies of 2, 3, 1, 0. An internal error is raised when the others are done.
    `resume`: a connector whose results stand there already, made of the same, is not inspected
    again; if they were not recorded, they are. `how`: what is told of such a one.
    """
    codes = [0]
    documents: list[dict[str, Any]] = []
    crash: Exception | None = None
    for error in plan.problems:
        terminal.warn(f"fiberward: {error}")
        codes.append(error.exit_code)
    for done, job in enumerate(plan.jobs):
        try:
            before = finished(job.folder, job.request, inspector) if resume else None
            if before is not None:
                inspection, more = before, _tell_finished((before, how), job, terminal, recorder)
            else:
                inspection, more = _run(inspector, job, terminal, recorder, _count(done, plan))
        except KeyboardInterrupt:
            if len(plan.jobs) > 1:
                terminal.warn(
                    f"fiberward: stopped after {done} of {len(plan.jobs)} connectors; the same "
                    "command with --out and --resume goes on from there"
                )
            raise
        except FiberwardError as error:
            if len(plan.jobs) + len(plan.problems) == 1:
                raise
            terminal.warn(f"fiberward: {error}")
            codes.append(error.exit_code)
        except Exception as error:
            if len(plan.jobs) == 1:
                raise
            terminal.warn(f"fiberward: {job.folder.name}: internal error; the others go on")
            crash = crash or error
        else:
            codes += more
            documents.append(inspection.to_json())
    if terminal.json:
        terminal.result("", _document(documents, plan))
    if crash is not None:
        raise crash
    return next(code for code in (4, 2, 3, 1, 0) if code in codes)


def _count(done: int, plan: Plan) -> str:
    """Which connector of how many, for the progress bar."""
    return f"{done + 1}/{len(plan.jobs)} " if len(plan.jobs) > 1 else ""


def _tell_finished(
    found: tuple[Inspection, str], job: Job, terminal: Terminal, recorder: "Recorder | None"
) -> list[int]:
    """Tell of results that an earlier run or a worker made, and record them if they are not."""
    before, how = found
    uid = None if recorder is None else recorder.add(before, job.request, job.folder)
    words = VERDICT_WORDS[before.verdict]
    name = before.connector["label"] or job.folder.name
    if recorder is not None and uid is not None:
        terminal.note(f"recorded as {uid[:12]}")
        if not (job.folder / COMPARISON_FILE).exists():
            request = replace(job.request, follows=before.connector.get("follows"))
            _compare(recorder, request, uid, job.folder, terminal)
    if not terminal.json:
        symbol = _symbol(words.symbol, words.ascii_symbol)
        terminal.result(f"{symbol} {words.name}: {name} ({how})", {})
    return _codes(before, ())


def _run(
    inspector: Inspector, job: Job, terminal: Terminal, recorder: "Recorder | None", count: str
) -> tuple[Inspection, list[int]]:
    """Inspect, write, record, compare with the inspection before, and tell; the exit codes."""
    name = count + (job.request.facts.label or job.folder.name)
    request = job.request if recorder is None else recorder.prepared(job.request)
    result = inspector.inspect(request, lambda items: terminal.progress(items, name))
    for line in result.unreadable:
        terminal.warn(f"fiberward: {line}")
    if recorder is not None:
        looked_at = [view.sha256 for view in result.inspection.views if view.sha256 is not None]
        recorder.check_pictures(request, frozenset(looked_at))
    write_outputs(result, job.folder, job.request.pictures)
    uid = None if recorder is None else recorder.add(result.inspection, request, job.folder)
    compared: Compared | None = None
    if recorder is not None and uid is not None:
        terminal.note(f"recorded as {uid[:12]}")
        compared = _compare(recorder, request, uid, job.folder, terminal)
    if not terminal.json:
        terminal.result(summary(result.inspection, job.folder), {})
        if compared is not None:
            terminal.result(comparison_words(compared, job.folder), {})
    return result.inspection, _codes(result.inspection, result.unreadable)


def _compare(
    recorder: "Recorder", request: Request, uid: str, folder: Path, terminal: Terminal
) -> Compared | None:
    """Compare with the inspection before; where that fails, this one is done and recorded still."""
    try:
        return recorder.compare(request, uid, folder)
    except FiberwardError as error:
        terminal.warn(f"fiberward: not compared with the inspection before: {error}")
        return None


def _codes(inspection: Inspection, unreadable: Sequence[str]) -> list[int]:
    codes = [EXIT_UNREADABLE] if unreadable else []
    return codes if inspection.verdict == "mate" else [*codes, EXIT_NOT_MATE]


def _document(documents: Sequence[dict[str, Any]], plan: Plan) -> dict[str, Any]:
    if len(plan.jobs) == 1 and not plan.problems and documents:
        return documents[0]
    problems = [str(error) for error in plan.problems]
    return {"schema": BATCH_SCHEMA, "inspections": list(documents), "problems": problems}


# -- what is asked -------------------------------------------------------------------------------


def _request(connector: ConnectorInput, stated: StatedOptions) -> Request:
    facts = connector.facts
    label = stated.connector or facts.label or connector.name
    if stated.stage is not None and stated.stage not in STAGES:
        raise UsageError(f"--stage {stated.stage}: give one of {', '.join(STAGES)}")
    facts = replace(
        facts,
        label=label,
        stage=stated.stage or facts.stage,
        method=stated.method or facts.method,
        ferrule_mm=_ferrule(stated.ferrule) or facts.ferrule_mm,
    )
    turns = connector.turns_deg if any(t is not None for t in connector.turns_deg) else None
    return Request(
        pictures=connector.pictures,
        turns_deg=turns if stated.turn is None else _turns(stated.turn),
        facts=facts,
        in_zone=_grade(stated.in_zone),
        in_zone_by=stated.in_zone_by,
        labelled=(stated.connector or connector.facts.label) is not None,
        operator=stated.operator,
    )


def _ferrule(text: str | None) -> float | None:
    if text is None:
        return None
    if text not in ("2.5", "1.25"):
        raise UsageError(f"--ferrule {text}: give 2.5 or 1.25, the nominal diameter in mm")
    return float(text)


def _grade(text: str | None) -> Literal["within", "outside"] | None:
    if text is None or text == "within" or text == "outside":
        return text
    raise UsageError(f"--in-zone {text}: give within or outside")


def _turns(text: str) -> tuple[float | None, ...]:
    """The turns of `--turn`, in [0, 360), None for -."""
    turns: list[float | None] = []
    for part in (each.strip() for each in text.split(",")):
        try:
            turn = None if part == "-" else float(part) % 360.0
        except ValueError:
            turn = float("nan")
        if turn is not None and not 0 <= turn < 360:
            raise UsageError(f"--turn {text}: {part!r} is no angle; give degrees, or - to find it")
        turns.append(turn)
    return tuple(turns)


# -- where results go ----------------------------------------------------------------------------


def _folder(
    connector: ConnectorInput, request: Request, out: Path | None, many: bool, taken: set[Path]
) -> Path:
    name = file_name(connector.name or request.facts.label or request.pictures[0].stem)
    if out is not None:
        return out / name if many else out
    folder = free_folder(name, taken)
    taken.add(folder)
    return folder


def free_folder(name: str, taken: Collection[Path] = ()) -> Path:
    """A folder for results that is not there yet, so that nothing written before is touched."""
    folder, number = DEFAULT_FOLDER / file_name(name), 2
    while folder.exists() or folder in taken:
        folder, number = DEFAULT_FOLDER / f"{file_name(name)}-{number}", number + 1
    return folder


def file_name(label: str) -> str:
    """A label as a file name that every system takes."""
    kept = "".join("_" if c in _FORBIDDEN or not c.isprintable() else c for c in label)
    kept = kept.strip(" .")[:80] or "connector"
    return f"{kept}_" if kept.casefold().split(".")[0] in _RESERVED else kept


# -- what is told --------------------------------------------------------------------------------


def summary(inspection: Inspection, folder: Path) -> str:
    """The result in a few lines for a terminal."""
    words = VERDICT_WORDS[inspection.verdict]
    label = inspection.connector["label"] or "connector"
    lines = [f"{_symbol(words.symbol, words.ascii_symbol)} {words.name}: {label}"]
    lines += [f"  {note}" for note in inspection.notes]
    shown = inspection.reasons[:MOST_REASONS]
    lines += [f"  - {reason.text}" for reason in shown]
    if len(inspection.reasons) > len(shown):
        lines.append(f"  - and {len(inspection.reasons) - len(shown)} more, in the report")
    if inspection.validity is not None:
        lines.append(f"  {inspection.validity}")
    lines.append(f"  {inspection.in_zone.sentence}")
    if inspection.advice:
        lines.append("  Next:")
        lines += [f"  {k}. {step}" for k, step in enumerate(inspection.advice, 1)]
    lines.append(f"  Look at {folder / 'report.html'}")
    return "\n".join(lines)


def _symbol(symbol: str, ascii_symbol: str) -> str:
    """The symbol, or its plain form where the terminal cannot show it."""
    try:
        symbol.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ascii_symbol
    return symbol

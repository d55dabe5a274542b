"""Blank plans of experiments: which connector, when, by whom; a study reads them back filled in.

Which connector gets which method, and in which order things are judged, is drawn by lot from a
stated seed, so that a sheet can be made again.
"""

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from ...model.errors import UsageError
from .csv_table import Dialect, csv_text
from .statistics import needed_per_method
from .study_csv import RATING_COLUMNS

__all__ = ["EXPERIMENTS", "LabSheet", "Stated", "make_sheet", "sheet_csv"]


@dataclass(frozen=True)
class Stated:
    """What a trainer states; each experiment says which of it it uses.

    `connectors`: of each method, lot or in all; `same`: every connector gets every method.
    """

    connectors: int = 12
    methods: tuple[str, ...] = ()
    lots: tuple[str, ...] = ()
    matings: tuple[int, ...] = ()
    raters: tuple[str, ...] = ()
    same: bool = False
    seed: int = 1


@dataclass(frozen=True)
class LabSheet:
    """A plan: what to take, what to do, and a row per thing to judge.

    `columns`: of the table; those in `to_fill` are blank. `power`: what so many can show. `seed`:
    of what was drawn by lot, None where nothing was.
    """

    name: str
    question: str
    take: tuple[str, ...]
    steps: tuple[str, ...]
    columns: tuple[str, ...]
    to_fill: tuple[str, ...]
    rows: tuple[dict[str, str], ...]
    power: str
    seed: int | None


_LABEL = "Label every connector before you begin; a connector keeps its label throughout."
_BLIND = "Whoever judges must not know the method: cover that column."
_PICTURES = (
    "Inspect with fiberward inspect --connector LABEL, or judge under your microscope and write "
    "the verdict down: mate, clean-first, reshoot or retire."
)
_BACK = "Then run fiberward study on this table; lines left blank count as not carried out."
_KEEP_TO_IT = "Which connector gets which method was drawn by lot: keep to it."
_SOIL_ANEW = (
    "When a connector is done with one method, soil it anew in the same way before the next row "
    "that says as-received; the order of methods was drawn by lot."
)
_CAUTION = (
    "Before a fibre is looked at, a power meter must show it dark. Solvent is flammable. Wear "
    "safety glasses."
)


def _methods(stated: Stated) -> LabSheet:
    methods = _several(stated.methods, "--methods", "dry,wet-dry")
    lot = random.Random(stated.seed)
    labels = _labels("C", stated.connectors * (1 if stated.same else len(methods)))
    columns = ("run", "label", "stage", "method", "attempt", "verdict", "deposits", "residues")
    rows: list[dict[str, str]] = []
    if stated.same:
        for label in labels:
            order = lot.sample(methods, len(methods))
            for method in order:
                rows += _cleaning(label, method)
    else:
        given = [method for method in methods for _ in range(stated.connectors)]
        lot.shuffle(given)
        for label, method in zip(labels, given, strict=True):
            rows += _cleaning(label, method)
    return LabSheet(
        name="methods",
        question=f"Which of {', '.join(methods)} leaves more connectors fit to mate?",
        take=(
            f"{len(labels)} connectors of one family, soiled alike (same dirt, same amount)",
            *(f"what {method} needs, fresh" for method in methods),
        ),
        steps=(
            _LABEL,
            "Inspect each as received (dirty) before its first cleaning.",
            "Clean once by the method of its row, inspect, fill the row in. Repeat until it may be "
            "mated or the third cleaning is done.",
            _SOIL_ANEW if stated.same else _KEEP_TO_IT,
            _BLIND,
            _PICTURES,
            _CAUTION,
            _BACK,
        ),
        columns=columns,
        to_fill=("verdict", "deposits", "residues"),
        rows=_numbered(rows),
        power=_power(stated.connectors, stated.same),
        seed=stated.seed,
    )


def _cleaning(label: str, method: str) -> list[dict[str, str]]:
    """The rows of one connector: as it is, then three cleanings at most."""
    first = {"label": label, "stage": "as-received"}
    return [first] + [
        {"label": label, "stage": "cleaned", "method": method, "attempt": str(attempt)}
        for attempt in (1, 2, 3)
    ]


def _lots(stated: Stated) -> LabSheet:
    lots = _several(stated.lots, "--lots", "2026-31,2026-32")
    order = [lot for lot in lots for _ in range(stated.connectors)]
    random.Random(stated.seed).shuffle(order)
    rows = [
        {"label": label, "lot": lot, "stage": "as-received"}
        for label, lot in zip(_labels("C", len(order)), order, strict=True)
    ]
    return LabSheet(
        name="lots",
        question="Does any lot come in dirtier than the others?",
        take=(f"{stated.connectors} connectors of each lot, drawn at random, caps on",),
        steps=(
            _LABEL,
            "Take the caps off just before inspecting; do not clean. The order of lots was drawn "
            "by lot, so that a change in the room strikes all alike.",
            "Write down the verdict and how many deposits were found.",
            _PICTURES,
            _CAUTION,
            _BACK,
        ),
        columns=("run", "label", "lot", "stage", "verdict", "deposits"),
        to_fill=("verdict", "deposits"),
        rows=_numbered(rows),
        power="Limits from fewer than 20 lots are provisional.",
        seed=stated.seed,
    )


def _matings(stated: Stated) -> LabSheet:
    matings = tuple(sorted({0, *(stated.matings or (1, 5, 25))}))
    rows = [
        {
            "label": label,
            "stage": "mated" if count else "as-received",
            "matings_so_far": str(count),
        }
        for count in matings
        for label in _labels("C", stated.connectors)
    ]
    return LabSheet(
        name="matings",
        question="Does dirt come into the graded zones as a connector is mated again and again?",
        take=(
            f"{stated.connectors} connectors whose graded zones are free of dirt, with dirt "
            "elsewhere",
            f"{stated.connectors} fresh adapters and clean partners, one for each",
        ),
        steps=(
            _LABEL,
            "Inspect; then mate each with its own partner as often as the next row says in all, "
            "and inspect again. Never clean in between.",
            "Write down how many deposits lie within 125 um of the axis (in_zone).",
            _PICTURES,
            _CAUTION,
            _BACK,
        ),
        columns=("run", "label", "stage", "matings_so_far", "verdict", "in_zone", "deposits"),
        to_fill=("verdict", "in_zone", "deposits"),
        rows=_numbered(rows),
        power=_power(stated.connectors, same=True),
        seed=None,
    )


def _residue(stated: Stated) -> LabSheet:
    methods = stated.methods or ("wet-air", "wet-dry")
    sheet = _methods(replace(stated, methods=methods))
    rows = [row for row in sheet.rows if row.get("attempt", "1") == "1"]
    return LabSheet(
        name="residue",
        question=f"Which of {', '.join(methods)} leaves a dried residue?",
        take=sheet.take,
        steps=(
            _LABEL,
            "Inspect each as received. Clean it once, wait ten minutes, inspect, and write down "
            "how many dried residues are seen.",
            *sheet.steps[3:],
        ),
        columns=sheet.columns,
        to_fill=sheet.to_fill,
        rows=_numbered([{k: v for k, v in row.items() if k != "run"} for row in rows]),
        power=_power(stated.connectors, stated.same, "with a residue"),
        seed=stated.seed,
    )


def _agreement(stated: Stated) -> LabSheet:
    raters = _several(stated.raters, "--raters", "Ann,Ben")
    lot = random.Random(stated.seed)
    rows: list[dict[str, str]] = []
    for rater in raters:
        items = _labels("C", stated.connectors)
        lot.shuffle(items)
        rows += [{"item": item, "rater": rater} for item in items]
    return LabSheet(
        name="agreement",
        question=f"Do {' and '.join(raters)} come to the same verdicts?",
        take=(
            f"{stated.connectors} connectors, some fit to mate and some not, of which you do not "
            "tell which",
        ),
        steps=(
            _LABEL,
            "Each rater judges all of them alone, in the order of the table, and does not see the "
            "other's words. Nothing is cleaned or touched in between.",
            "A rater called machine is the program's own verdict.",
            _CAUTION,
            _BACK,
        ),
        columns=("run", *RATING_COLUMNS),
        to_fill=("verdict",),
        rows=_numbered(rows),
        power="Fewer than 30 things leave kappa's interval wide; some of every verdict are needed.",
        seed=stated.seed,
    )


EXPERIMENTS: dict[str, Callable[[Stated], LabSheet]] = {
    "methods": _methods,
    "residue": _residue,
    "lots": _lots,
    "matings": _matings,
    "agreement": _agreement,
}


def make_sheet(experiment: str, stated: Stated) -> LabSheet:
    """The blank plan. Raises UsageError for an unknown experiment or what cannot be planned."""
    if experiment not in EXPERIMENTS:
        raise UsageError(f"{experiment!r}: give one of {', '.join(EXPERIMENTS)}")
    if not 1 <= stated.connectors <= 1000:
        raise UsageError(f"--connectors {stated.connectors}: give 1 to 1000")
    return EXPERIMENTS[experiment](stated)


def sheet_csv(sheet: LabSheet, dialect: Dialect = "rfc4180") -> str:
    """The table to fill in, as CSV."""
    return csv_text(sheet.columns, sheet.rows, dialect)


def _several(names: Sequence[str], option: str, example: str) -> tuple[str, ...]:
    if len(set(names)) < 2 or len(set(names)) != len(names):
        raise UsageError(f"{option}: name two or more, as {option} {example}")
    return tuple(names)


def _labels(letter: str, count: int) -> list[str]:
    return [f"{letter}{k:0{max(2, len(str(count)))}}" for k in range(1, count + 1)]


def _numbered(rows: Sequence[dict[str, str]]) -> tuple[dict[str, str], ...]:
    return tuple({"run": str(k), **row} for k, row in enumerate(rows, 1))


def _power(connectors: int, same: bool, left: str = "fit to mate") -> str:
    """What so many connectors can show of how many a method leaves so."""
    if same:
        # McNemar, exact: 2 x 0.5^6 = 0.031
        return (
            "On the same connectors a difference is shown only if at least 6 of them differ, all "
            "the same way (McNemar's test)."
        )
    least = next(
        (
            p
            for p in range(55, 101)
            if (needed_per_method(0.5, min(0.999, p / 100)) or connectors + 1) <= connectors
        ),
        None,
    )
    if least is None:
        return (
            f"If one method leaves 50 % {left}, {connectors} connectors per method are too few to "
            "show that another differs (4 times in 5), however much it does."
        )
    return (
        f"If one method leaves 50 % {left}, {connectors} connectors per method show that another "
        f"differs (4 times in 5) only if it leaves at least {least} % or at most {100 - least} %."
    )

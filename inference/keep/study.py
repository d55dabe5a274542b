"""A whole study: everything that the data allow to say, in one document."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import isfinite
from typing import Any, cast

import numpy as np

from ...model.errors import UsageError
from .statistics import Method
from .studies import (
    Comparison,
    MethodResult,
    compare_methods,
    compare_residue,
    results_by_method,
)
from .study_control import ControlChart, control_chart
from .study_cycles import cycles_of, histories_of
from .study_data import RESHOOT, LookTable, StudyData
from .study_lots import Agreement, LotChart, Transfer, agreements_of, lot_chart, transfer_of
from .study_removal import Removal, removals_of

__all__ = ["STUDY_SCHEMA", "Study", "make_study"]

STUDY_SCHEMA = "fiberward.study/1"


@dataclass(frozen=True)
class Study:
    """What was looked at and what it shows; parts for which there are no data are empty or None.

    `since`, `until`: times of the first and the last inspection, UTC. `interval`: how intervals of
    shares were made. `reshoots`: inspections whose pictures could not decide. `control`: the chart
    of the control connector, if one was named.
    """

    source: str
    notes: tuple[str, ...]
    connectors: int
    inspections: int
    reshoots: int
    since: str | None
    until: str | None
    interval: Method
    methods: tuple[MethodResult, ...]
    comparisons: tuple[Comparison, ...]
    removals: tuple[Removal, ...]
    residue_comparisons: tuple[Comparison, ...]
    lots: LotChart | None
    transfer: Transfer | None
    agreements: tuple[Agreement, ...]
    control: ControlChart | None = None

    @property
    def empty(self) -> bool:
        """Whether the data answer none of the questions."""
        parts = (self.methods, self.removals, self.lots, self.transfer, self.agreements)
        return not any(parts) and self.control is None

    def to_json(self) -> dict[str, Any]:
        """The document; what is not defined, as a ratio to nothing, is null."""
        return {"schema": STUDY_SCHEMA, **_plain(asdict(self))}


def make_study(data: StudyData, how: Method = "wilson", control: str | None = None) -> Study:
    """Every question that the data answer, each with its interval.

    `control`: the label of the control connector, which is none of those studied. UsageError if it
    was not inspected at least twice.
    """
    looks, chart = data.looks, None
    if control is not None:
        chart = control_chart(looks, control)
        if chart is None:
            raise UsageError(
                f"--control {control}: a chart needs two inspections of it that decided"
            )
        looks = looks.chosen(~looks.labelled(control))
    cycles, undecided = cycles_of(histories_of(looks))
    times = [time for time in looks.created_at if time]
    return Study(
        source=data.source,
        notes=data.notes,
        connectors=len(_connectors(looks) | set(data.fates.connectors)),
        inspections=len(looks),
        reshoots=int((looks.verdict == RESHOOT).sum()),
        since=min(times, default=None),
        until=max(times, default=None),
        interval=how,
        methods=results_by_method(cycles, undecided, how),
        comparisons=compare_methods(cycles, how),
        removals=removals_of(data.fates, how),
        residue_comparisons=compare_residue(cycles, how),
        lots=lot_chart(looks, how),
        transfer=transfer_of(looks, data.fates, how),
        agreements=agreements_of(data.ratings),
        control=chart,
    )


def _connectors(looks: LookTable) -> set[tuple[str, str]]:
    return {looks.connectors[k] for k in np.unique(looks.connector).tolist()}


def _plain(value: Any) -> Any:
    """JSON values: numbers that are not finite become None."""
    if isinstance(value, float):
        return float(f"{value:.6g}") if isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in cast(Mapping[Any, Any], value).items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in cast(list[Any], value)]
    return value

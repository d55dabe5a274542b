"""Whether the recorded comparisons are what was written."""

import hashlib
import json
import zlib
from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import select

from .audit import detail_of
from .database import plain_errors
from .record_rows import fate_rows
from .records import Records
from .tables import comparisons, fates, inspections

__all__ = ["comparison_damage"]

Pair = tuple[str, str]  # uids before and after


def comparison_damage(
    records: Records, trail: Iterable[Mapping[str, Any]]
) -> tuple[int, list[str]]:
    """How many comparisons there are, and a line for each that is not as the audit trail tells.

    Each is held against its hash in the trail, and its rows against its document.
    """
    told = _told(trail)
    before, after = inspections.alias(), inspections.alias()
    chosen = (
        select(comparisons, before.c.uid.label("before_uid"), after.c.uid.label("after_uid"))
        .join(before, before.c.id == comparisons.c.before_id)
        .join(after, after.c.id == comparisons.c.after_id)
        .order_by(comparisons.c.id)
    )
    with plain_errors(records.place), records.engine.connect() as connection:
        kept = [dict(row) for row in connection.execute(chosen).mappings()]
    wrong: list[str] = []
    for row in kept:
        pair = (str(row["before_uid"]), str(row["after_uid"]))
        wrong += _damage(records, row, told.get(pair), _named(pair))
    there = {(str(row["before_uid"]), str(row["after_uid"])) for row in kept}
    wrong += [f"{_named(pair)}: is missing" for pair in told if pair not in there]
    return len(kept), wrong


def _told(trail: Iterable[Mapping[str, Any]]) -> dict[Pair, str]:
    """The comparisons that the audit trail tells of, with their hashes."""
    told: dict[Pair, str] = {}
    for row in trail:
        if row["action"] == "comparison":
            detail = detail_of(row)
            told[str(detail.get("before")), str(row["subject"])] = str(detail.get("sha256"))
    return told


def _named(pair: Pair) -> str:
    return f"comparison of {pair[0][:12]} with {pair[1][:12]}"


def _damage(records: Records, row: Mapping[Any, Any], sha256: str | None, named: str) -> list[str]:
    if sha256 is None:
        return [f"{named}: is not in the audit trail"]
    try:
        text = zlib.decompress(row["json_zlib"])
    except zlib.error:
        return [f"{named}: its document is damaged"]
    if hashlib.sha256(text).hexdigest() != sha256:
        return [f"{named}: its document was changed"]
    document = json.loads(text)
    same = all(row[name] == document[name] for name in ("match", "match_quality", "refused"))
    ids = {"before_id": row["before_id"], "after_id": row["after_id"]}
    chosen = select(fates).where(fates.c.comparison_id == row["id"]).order_by(fates.c.number)
    with plain_errors(records.place), records.engine.connect() as connection:
        try:
            expected = [] if document["refused"] else fate_rows(connection, ids, document["pairs"])
        except KeyError:
            return [f"{named}: a deposit that it names is missing"]
        found = [
            {str(k): v for k, v in each.items() if k != "comparison_id"}
            for each in connection.execute(chosen).mappings()
        ]
    return [] if same and found == expected else [f"{named}: its rows differ from its document"]

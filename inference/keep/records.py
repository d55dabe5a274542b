"""The records: every inspection of every labelled connector, kept for good.

An inspection is stored as its whole document, with its parts as rows beside it for searching. What
was recorded is never changed: a person's overrule is a row of its own, and every addition leaves a
row in the audit trail.
"""

import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

from sqlalchemy import Connection, Engine, insert, select, update

from ...model.errors import UsageError
from . import audit as trail
from .database import WAIT_S, Place, connect, plain_errors, upgrade, writing
from .inspection import VERDICTS, Inspection, utc_now
from .picture_store import PictureStore
from .record_rows import deposit_rows, fate_rows, inspection_row, view_rows
from .tables import (
    attachments,
    comparisons,
    connectors,
    deposits,
    documents,
    fates,
    inspections,
    overrules,
    pictures,
    views,
)

__all__ = [
    "KeptFile",
    "Records",
    "check_connector",
    "connector_row",
    "document_bytes",
    "uid_of",
]

CONNECTOR_FACTS = ("family", "ferrule_mm", "finish", "fiber_mode", "lot")
SHORTEST_UID = 6


@dataclass(frozen=True)
class KeptFile:
    """A file to keep with an inspection. role: picture (an original), travel-map or overlay."""

    role: str
    name: str
    suffix: str
    data: bytes


def document_bytes(inspection: Inspection) -> bytes:
    """The document as it is stored and hashed."""
    text = json.dumps(inspection.to_json(), ensure_ascii=False, separators=(",", ":"))
    return text.encode()


def uid_of(inspection: Inspection) -> str:
    """What an inspection is called in the records: the SHA-256 of its document."""
    return hashlib.sha256(document_bytes(inspection)).hexdigest()


class Records:
    """Open records. `found` says in words what opening them found and did."""

    def __init__(self, engine: Engine, place: Place, who: str, found: tuple[str, ...]) -> None:
        self.engine, self.place, self.who, self.found = engine, place, who, found
        self.store = PictureStore(place.pictures)

    @classmethod
    def open(
        cls, where: str | None = None, who: str | None = None, wait_s: float = WAIT_S
    ) -> "Records":
        """Open the records at `where` (see Place.stated), made or brought up to date if need be.

        `who` stands in the audit trail; the login name if left out. Raises RecordsError.
        """
        place = Place.stated(where)
        engine = connect(place, wait_s)
        records = cls(engine, place, who or trail.login_name(), ())
        try:
            done = upgrade(engine, place)
            if done is not None:
                with plain_errors(place), writing(engine) as connection:
                    trail.append(connection, utc_now(), records.who, "schema", "", done=done)
            records.found = (*([] if done is None else [done]), *records._interrupted())
        except BaseException:
            records.close()
            raise
        return records

    def close(self) -> None:
        """Give the database's connections back."""
        self.engine.dispose()

    def __enter__(self) -> "Records":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- adding ------------------------------------------------------------------------------

    def add(
        self,
        inspection: Inspection,
        files: Sequence[KeptFile] = (),
        overruled: Sequence[Mapping[str, str]] = (),
    ) -> str:
        """Record an inspection with its files; once its uid is returned, it is on the disk.

        `overruled`: persons' words that came with it, each as overrule() takes them, oldest first.
        An inspection that is recorded already is left as it is. Raises UsageError for one without a
        connector's label or whose facts contradict the connector's, RecordsError where it cannot be
        written; then nothing was recorded.
        """
        label = inspection.connector.get("label")
        if not label:
            raise UsageError("only an inspection with a connector's label is recorded")
        document = document_bytes(inspection)
        uid = hashlib.sha256(document).hexdigest()
        about = f"{label}, inspected {inspection.created_at}"
        with self.store.intent(uid, about):
            hashes = [self.store.put(file.data, file.suffix) for file in files]
            with plain_errors(self.place), writing(self.engine) as connection:
                if _id_of(connection, uid) is None:
                    self._insert(connection, inspection, uid, document)
                    self._attach(connection, uid, list(zip(files, hashes, strict=True)))
                    for each in overruled:
                        _overrule(connection, uid, **each)
        return uid

    def _insert(
        self, connection: Connection, inspection: Inspection, uid: str, document: bytes
    ) -> None:
        now = utc_now()
        connector_id = _connector(connection, inspection.connector, now)
        row = inspection_row(inspection) | {"uid": uid, "recorded_at": now}
        key = connection.execute(
            insert(inspections).values(connector_id=connector_id, **row)
        ).inserted_primary_key
        number = int(cast(tuple[Any, ...], key)[0])
        packed = zlib.compress(document, 6)
        connection.execute(insert(documents).values(inspection_id=number, json_zlib=packed))
        for table, rows in (
            (views, view_rows(inspection)),
            (deposits, deposit_rows(inspection)),
        ):
            if rows:
                connection.execute(insert(table), [{"inspection_id": number, **r} for r in rows])
        trail.append(
            connection,
            now,
            str(inspection.connector.get("operator") or self.who),
            "inspection",
            uid,
            label=inspection.connector["label"],
            verdict=inspection.verdict,
        )

    def _attach(
        self, connection: Connection, uid: str, files: Sequence[tuple[KeptFile, str]]
    ) -> None:
        number = _id_of(connection, uid)
        for file, sha256 in files:
            known = connection.execute(select(pictures.c.sha256).where(pictures.c.sha256 == sha256))
            if known.first() is None:
                connection.execute(
                    insert(pictures).values(
                        sha256=sha256,
                        suffix=file.suffix,
                        size_bytes=len(file.data),
                        recorded_at=utc_now(),
                    )
                )
            connection.execute(
                insert(attachments).values(
                    inspection_id=number, role=file.role, name=file.name, sha256=sha256
                )
            )

    def overrule(self, uid: str, verdict: str, by_name: str, reason: str) -> None:
        """Put a person's verdict beside the machine's, which stays. Raises UsageError."""
        with plain_errors(self.place), writing(self.engine) as connection:
            _overrule(connection, uid, verdict, by_name, reason)

    def add_comparison(self, before: str, after: str, document: Mapping[str, Any]) -> bool:
        """Record what became of the deposits between two recorded inspections; False if it was.

        `document`: of schema `fiberward.comparison/1`. Raises UsageError for unknown inspections.
        """
        text = json.dumps(document, ensure_ascii=False, separators=(",", ":")).encode()
        with plain_errors(self.place), writing(self.engine) as connection:
            numbers = (_id_of(connection, before), _id_of(connection, after))
            if None in numbers:
                raise UsageError("only two recorded inspections can be compared for the records")
            ids = {"before_id": numbers[0], "after_id": numbers[1]}
            known = select(comparisons.c.id).filter_by(**ids)
            if connection.execute(known).first() is not None:
                return False
            now = utc_now()
            key = connection.execute(
                insert(comparisons).values(
                    **ids,
                    match=str(document["match"]),
                    match_quality=document["match_quality"],
                    refused=bool(document["refused"]),
                    recorded_at=now,
                    json_zlib=zlib.compress(text, 6),
                )
            ).inserted_primary_key
            rows = [] if document["refused"] else fate_rows(connection, ids, document["pairs"])
            number = cast(tuple[Any, ...], key)[0]
            if rows:
                connection.execute(insert(fates), [{"comparison_id": number, **r} for r in rows])
            digest = hashlib.sha256(text).hexdigest()
            trail.append(
                connection, now, self.who, "comparison", after, before=before, sha256=digest
            )
        return True

    def note(self, action: str, subject: str, who: str | None = None, **detail: Any) -> None:
        """Add a row to the audit trail for something that is no record, as a model's activation."""
        with plain_errors(self.place), writing(self.engine) as connection:
            trail.append(connection, utc_now(), who or self.who, action, subject, **detail)

    # -- what an interruption left -----------------------------------------------------------

    def _interrupted(self) -> list[str]:
        """Words on each run that was cut off while recording; each is told of once."""
        intents = self.store.interrupted()
        told: list[str] = []
        with plain_errors(self.place), self.engine.connect() as connection:
            for intent in intents:
                if _id_of(connection, intent.uid) is None:
                    told.append(
                        f"a run was interrupted before it could record {intent.about}; if its "
                        "inspection.json was written, add it with fiberward records import"
                    )
                else:
                    told.append(
                        f"a run was interrupted just after it had recorded {intent.about}; "
                        "that record is whole"
                    )
        self.store.clear(intents)
        return told


def _overrule(connection: Connection, uid: str, verdict: str, by_name: str, reason: str) -> None:
    if verdict not in VERDICTS:
        raise UsageError(f"a verdict is one of {', '.join(VERDICTS)}, not {verdict!r}")
    if not by_name.strip() or not reason.strip():
        raise UsageError("an overrule needs the name of who overrules (--by) and a --reason")
    number = _id_of(connection, uid)
    if number is None:
        raise UsageError(f"no inspection {uid} is recorded")
    values = {"verdict": verdict, "by_name": by_name.strip(), "reason": reason.strip()}
    now = utc_now()
    connection.execute(insert(overrules).values(inspection_id=number, recorded_at=now, **values))
    trail.append(connection, now, by_name.strip(), "overrule", uid, **values)


def _id_of(connection: Connection, uid: str) -> int | None:
    return connection.execute(select(inspections.c.id).where(inspections.c.uid == uid)).scalar()


def check_connector(records: Records, stated: Mapping[str, Any]) -> None:
    """Raise UsageError where what is stated contradicts what is recorded of the connector."""
    key = _key(stated)
    with plain_errors(records.place), records.engine.connect() as connection:
        row = connection.execute(select(connectors).filter_by(**key)).mappings().first()
    if row is not None:
        check_facts(row, _facts(stated), key["label"])


def connector_row(stated: Mapping[str, Any]) -> dict[str, Any]:
    """What is stated of a connector, as columns; facts that are not known are left out."""
    return {**_key(stated), **_facts(stated)}


def _key(stated: Mapping[str, Any]) -> dict[str, str]:
    return {"label": stated["label"], "end_name": stated.get("end") or ""}


def _facts(stated: Mapping[str, Any]) -> dict[str, Any]:
    return {name: stated[name] for name in CONNECTOR_FACTS if stated.get(name) is not None}


def _connector(connection: Connection, stated: Mapping[str, Any], now: str) -> int:
    """The connector's row, made at its first inspection; facts not known before are filled in."""
    key, facts = _key(stated), _facts(stated)
    row = connection.execute(select(connectors).filter_by(**key)).mappings().first()
    if row is None:
        made = connection.execute(insert(connectors).values(**key, **facts, recorded_at=now))
        return int(cast(tuple[Any, ...], made.inserted_primary_key)[0])
    check_facts(row, facts, key["label"])
    fresh = {name: value for name, value in facts.items() if row[name] is None}
    if fresh:
        connection.execute(update(connectors).where(connectors.c.id == row["id"]).values(**fresh))
    return int(row["id"])


def check_facts(known: Mapping[Any, Any], facts: Mapping[str, Any], label: str) -> None:
    """Raise UsageError where what is stated contradicts what is recorded of the connector."""
    for name, value in facts.items():
        if None not in (known[name], value) and known[name] != value:
            raise UsageError(
                f"connector {label} is recorded with {name} {known[name]}, and now {value} is "
                "stated; correct it, or give this connector another label"
            )

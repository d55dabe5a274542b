"""The audit trail: rows that are only ever added, each holding the hash of the one before.

A row's hash is the SHA-256 of its fields and its predecessor's hash as canonical JSON. Changing,
dropping or inserting a row breaks every hash after it. That the last rows are missing can only be
told by someone who noted the newest hash: `records verify` prints it and takes it back.
"""

import getpass
import hashlib
import json
from collections.abc import Iterable, Mapping
from typing import Any, cast

from sqlalchemy import Connection, insert, select

from .tables import audit

__all__ = ["FIRST", "append", "broken_links", "detail_of", "login_name", "row_hash"]

FIRST = "0" * 64  # stands before the first row


def login_name() -> str:
    """Who is logged in, as the system says; `unknown` where it does not."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def append(
    connection: Connection, at: str, who: str, action: str, subject: str, **detail: Any
) -> str:
    """Add a row within the caller's writing transaction; returns its hash."""
    last = connection.execute(
        select(audit.c.seq, audit.c.hash).order_by(audit.c.seq.desc()).limit(1)
    ).first()
    values: dict[str, Any] = {
        "seq": 1 if last is None else last.seq + 1,
        "at": at,
        "who": who,
        "action": action,
        "subject": subject,
        "detail": json.dumps(detail, sort_keys=True, ensure_ascii=False),
        "previous_hash": FIRST if last is None else last.hash,
    }
    values["hash"] = row_hash(values)
    connection.execute(insert(audit).values(**values))
    return values["hash"]


def row_hash(values: Mapping[Any, Any]) -> str:
    """The hash that a row must carry, from its other fields."""
    names = ("seq", "at", "who", "action", "subject", "detail", "previous_hash")
    text = json.dumps([values[name] for name in names], ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def detail_of(row: Mapping[Any, Any]) -> dict[str, Any]:
    """What a row tells beside its subject; empty where a forger left no JSON object."""
    try:
        found = json.loads(row["detail"])
    except ValueError:
        return {}
    return cast(dict[str, Any], found) if isinstance(found, dict) else {}


def broken_links(rows: Iterable[Mapping[Any, Any]]) -> list[str]:
    """What is wrong with the trail, row by row in order of `seq`; empty if nothing."""
    wrong: list[str] = []
    previous, expected = FIRST, 1
    for row in rows:
        if row["seq"] != expected:
            wrong.append(f"audit: row {expected} is missing")
        if row["previous_hash"] != previous:
            wrong.append(f"audit: row {row['seq']} does not follow the one before it")
        if row_hash(row) != row["hash"]:
            wrong.append(f"audit: row {row['seq']} was changed")
        previous, expected = row["hash"], row["seq"] + 1
    return wrong

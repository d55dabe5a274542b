"""Records written under every past schema are brought up to date with nothing lost."""

import sqlite3
from contextlib import closing
from dataclasses import replace

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import insert, inspect, select, text

from fiberward.inference.keep.database import (
    HEAD,
    MIGRATIONS,
    Place,
    connect,
    plain_errors,
    writing,
)
from fiberward.inference.keep.find_records import Wanted
from fiberward.inference.keep.records import KeptFile, Records
from fiberward.inference.keep.study import make_study
from fiberward.inference.keep.study_records import data_of
from fiberward.inference.keep.tables import METADATA
from fiberward.inference.keep.verify_records import verify
from fiberward.model.errors import RecordsError

PAST = sorted(path.stem.removeprefix("step_") for path in MIGRATIONS.glob("versions/step_*.py"))
PAST.remove(HEAD)


def shop(records, make_inspection) -> None:
    """Two looks at one connector with every kind of row: dried residue, unsure and in the zones."""
    before = make_inspection("P1")
    (grain,) = before.deposits
    found = (
        grain,
        replace(grain, id=2, kind="residue", off_zone=False),
        replace(grain, id=3, kind="residue", unsure=True),
        replace(grain, id=4, unsure=True, off_zone=False),
    )
    before = replace(before, deposits=found)
    after = replace(make_inspection("P1", 5, stage="cleaned", method="dry"), deposits=found[2:])
    picture = KeptFile("picture", "a", ".png", b"1")
    uids = [records.add(each, [picture]) for each in (before, after)]
    fates = [(1, None, "gone"), (2, None, None), (3, 3, "stayed"), (None, 4, "new")]
    pairs = [dict(before_id=b, after_id=a, fate=fate) for b, a, fate in fates]
    document = {"match": "found", "match_quality": 0.9, "refused": False, "pairs": pairs}
    records.add_comparison(*uids, document)
    records.overrule(uids[0], "retire", "Ann", "a chip")


def rows_of(records) -> dict[str, list]:
    """Every row of every table, but for what is noted when a schema is brought up to date."""
    with records.engine.connect() as connection:
        found = {t.name: connection.execute(select(t)).all() for t in METADATA.sorted_tables}
    return found | {"audit": [row for row in found["audit"] if row.action != "schema"]}


def write_under(revision: str, place: Place, tables: dict[str, list]) -> None:
    """Records with these rows as a program of that schema left them."""
    engine = connect(place)
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with writing(engine) as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
        for table in METADATA.sorted_tables:
            known = {column["name"] for column in inspect(connection).get_columns(table.name)}
            for row in tables[table.name]:
                values = {k: v for k, v in row._asdict().items() if k in known}
                connection.execute(insert(table).values(values))
    engine.dispose()


@pytest.mark.parametrize("revision", PAST)
def test_records_of_a_past_schema_are_brought_up_to_date_with_nothing_lost(
    where, make_inspection, tmp_path, revision
):
    with Records.open(str(tmp_path / "now" / "records.db")) as records:
        shop(records, make_inspection)
        expected, study = rows_of(records), make_study(data_of(records, Wanted()))
    place = Place.stated(where)
    write_under(revision, place, expected)
    with Records.open(where) as records:
        assert f"brought from schema {revision} to {HEAD}" in records.found[0]
        assert verify(records).wrong == ()
        assert rows_of(records) == expected
        again = make_study(data_of(records, Wanted()))
        assert replace(again, source="") == replace(study, source="")
        with (
            pytest.raises(RecordsError, match="never changed"),
            plain_errors(place),
            writing(records.engine) as connection,
        ):
            connection.execute(text("UPDATE inspections SET residues = 0"))
    if place.file is not None:
        copy = place.file.with_name(f"{place.file.name}.schema-{revision}")
        with closing(sqlite3.connect(copy)) as old:
            assert old.execute("SELECT version_num FROM alembic_version").fetchone() == (revision,)
            assert old.execute("SELECT count(*) FROM inspections").fetchone() == (2,)


def test_the_counts_beside_an_inspection_leave_unsure_deposits_out(where, make_inspection):
    with Records.open(where) as records:
        shop(records, make_inspection)
        found = rows_of(records)
    assert [(r.deposits, r.unsure, r.residues, r.in_zone) for r in found["inspections"]] == [
        (2, 2, 1, 1),
        (0, 2, 0, 0),
    ]
    assert [row.sure for row in found["fates"]] == [True, True, False, False]

"""How long records take to list, narrow and study, as they grow: 1,000 to 100,000 inspections.

Run by hand: `python tests/bench/bench_records.py [FOLDER | postgresql+psycopg://...]`, a database
that is empty yet. The records are filled past the program's own way in (which checks and hashes
each), but with rows of the same shape: 4 inspections and some 24 deposits a connector, 100
connectors a lot, invented. The last column is the processor's time in this process, which a busy
machine lengthens less than the clock's; a server's own is not in it.
"""

import random
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import insert, text

from fiberward.inference.keep.database import writing
from fiberward.inference.keep.find_records import Wanted, history, rows
from fiberward.inference.keep.records import Records
from fiberward.inference.keep.study import make_study
from fiberward.inference.keep.study_records import data_of
from fiberward.inference.keep.tables import (
    comparisons,
    connectors,
    deposits,
    documents,
    fates,
    inspections,
)
from fiberward.model.kinds import KIND_NAMES

SIZES = (1_000, 10_000, 100_000)
PER_CONNECTOR, LOT = 4, 100
METHODS = ("dry", "wet-dry", "wet-air")
SURFACES = ("endface", "chamfer", "barrel", "cavity")
DOCUMENT = zlib.compress(b'{"invented": true}' * 200)


def fill(records: Records, begin: int, end: int) -> None:
    """Add the inspections numbered `begin` to `end`, each number always the same."""
    parts: dict[str, list[dict]] = {name: [] for name in ("c", "i", "d", "j", "m", "f")}
    for n in range(begin, end):
        _inspection(n, parts)
    with writing(records.engine) as connection:
        for name, table in (
            ("c", connectors),
            ("i", inspections),
            ("j", documents),
            ("d", deposits),
            ("m", comparisons),
            ("f", fates),
        ):
            connection.execute(insert(table), parts[name])


def _inspection(n: int, parts: dict[str, list[dict]]) -> None:
    draw = random.Random(n)
    number, connector, step = n + 1, n // PER_CONNECTOR + 1, n % PER_CONNECTOR
    if step == 0:
        lot = f"{(connector - 1) // LOT:05}"
        named = {"label": f"C{connector:06}", "end_name": "", "lot": lot}
        parts["c"].append({"id": connector, **named, "recorded_at": "2026-01-01T00:00:00Z"})
    stage = ("as-received", "cleaned", "cleaned", "mated")[step]
    fit = stage != "as-received" and draw.random() < 0.6
    pieces = 0 if fit else draw.randint(4, 12)
    day, second = divmod(n * 60, 86_400)
    parts["i"].append(
        {
            **dict(id=number, uid=f"{number:064x}", connector_id=connector, stage=stage),
            "created_at": f"2026-{1 + day // 28 % 12:02}-{1 + day % 28:02}T{second // 3600:02}:"
            f"{second // 60 % 60:02}:00Z",
            "recorded_at": "2026-01-01T00:00:00Z",
            "method": METHODS[connector % 3] if stage == "cleaned" else None,
            "attempt": step if stage == "cleaned" else None,
            **dict(cleanings_failed=None, operator="Ann", matings_so_far=25 if step == 3 else 0),
            "verdict": "mate" if fit else "clean-first",
            **dict(deposits=pieces, stops=pieces, unsure=0, detection_limit_um=9.0),
            **dict(model_id="invented", model_sha256="0" * 64, code_version="0"),
        }
    )
    parts["j"].append({"inspection_id": number, "json_zlib": DOCUMENT})
    found = parts["d"]
    begin = len(found)
    for k in range(1, pieces + 1):
        found.append(
            {
                **dict(inspection_id=number, number=k, kind=draw.choice(KIND_NAMES[1:])),
                **dict(surface=draw.choice(SURFACES), s_um=500.0, theta_deg=10.0, size_um=20.0),
                **dict(area_um2=300.0, feret_max_um=22.0, width_um=18.0, length_um=None),
                **dict(off_zone=draw.random() < 0.9, unsure=False, stops=True),
            }
        )
    row, own = parts["i"][-1], found[begin:]
    row["residues"] = sum(each["kind"] == "residue" for each in own)
    row["in_zone"] = sum(not each["off_zone"] for each in own)
    if stage == "cleaned":
        before = parts["i"][-2]["deposits"]  # a connector's inspections are made together
        _compared(number, before, draw, parts)


def _compared(number: int, before: int, draw: random.Random, parts: dict[str, list[dict]]) -> None:
    at = {"recorded_at": "2026-01-01T00:00:00Z", "json_zlib": DOCUMENT}
    ids = {"id": number, "before_id": number - 1, "after_id": number}
    parts["m"].append({**ids, "match": "found", "match_quality": 0.9, "refused": False, **at})
    for k in range(1, before + 1):
        parts["f"].append(
            {
                **dict(comparison_id=number, number=k, kind=draw.choice(KIND_NAMES[1:6])),
                **dict(fate=draw.choice(("gone", "stayed", "moved")), before_number=k),
                "sure": True,
                **dict(surface=draw.choice(SURFACES), after_number=None, moved_um=None),
                "fiberward_um": None,
            }
        )


def seconds(run: Callable[[], object]) -> tuple[float, float]:
    """The shortest of three runs by the clock and by the processor's time, s."""
    taken: list[tuple[float, float]] = []
    for _ in range(3):
        begin = time.perf_counter(), time.process_time()
        run()
        taken.append((time.perf_counter() - begin[0], time.process_time() - begin[1]))
    return min(clock for clock, _ in taken), min(own for _, own in taken)


def main(where: str) -> None:
    """Fill step by step and tell what each question takes."""
    print(
        f"{'inspections':>12} {'list a lot':>11} {'history':>9} {'newest 50':>10} "
        f"{'study a lot':>12} {'study all':>10} {'processor':>10}   s"
    )
    done = 0
    with Records.open(where) as records:
        statistics = "ANALYZE" if records.place.file is None else "PRAGMA optimize"
        for size in SIZES:
            for begin in range(done, size, 5_000):
                fill(records, begin, min(size, begin + 5_000))
            done = size
            with records.engine.connect() as connection, connection.begin():
                connection.execute(text(statistics))
            lot = Wanted(lot="00001")
            taken = [
                seconds(lambda lot=lot: rows(records, lot)),
                seconds(lambda: history(records, "C000150", None)),
                seconds(lambda: rows(records, Wanted(limit=50))),
                seconds(lambda lot=lot: make_study(data_of(records, lot))),
                seconds(lambda: make_study(data_of(records, Wanted()))),
            ]
            print(
                f"{size:>12} {taken[0][0]:>11.3f} {taken[1][0]:>9.3f} {taken[2][0]:>10.3f} "
                f"{taken[3][0]:>12.3f} {taken[4][0]:>10.3f} {taken[4][1]:>10.3f}",
                flush=True,
            )


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(sys.argv[1])
    else:
        with tempfile.TemporaryDirectory(prefix="fiberward-bench-") as made:
            main(str(Path(made) / "records.db"))

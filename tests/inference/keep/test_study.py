"""Studies from rows to figures: published tables fed in as inspections must give their values."""

import json
import random
from dataclasses import replace
from math import inf
from pathlib import Path

import pytest

from fiberward.inference.keep.find_records import Wanted
from fiberward.inference.keep.inspection import VERDICTS
from fiberward.inference.keep.records import Records
from fiberward.inference.keep.study import make_study
from fiberward.inference.keep.study_csv import read_tables
from fiberward.inference.keep.study_data import (
    CLEANED,
    Fate,
    FateTable,
    Look,
    LookTable,
    Rating,
    StudyData,
)
from fiberward.inference.keep.study_records import data_of
from fiberward.inference.show.app import main
from fiberward.model.errors import UsageError


def near(value, digits):
    return pytest.approx(value, abs=0.6 * 10.0**-digits)


def look(label, minute=0, verdict="mate", **named):
    stage = named.pop("stage", "cleaned" if named.get("method") else "as-received")
    row = dict(end="", lot=None, method=None, attempt=None, matings_so_far=None, operator=None)
    row |= dict(deposits=0, stops=0, residues=0, in_zone=0)
    time = f"2026-01-02T{minute // 60:02}:{minute % 60:02}:00Z"
    return Look(label=label, created_at=time, stage=stage, verdict=verdict, **{**row, **named})


def study_of(looks=(), fates=(), ratings=(), how="wilson"):
    data = StudyData(LookTable.of(looks), FateTable.of(fates), ratings, "test")
    return make_study(data, how)


def cleaned(method, good, bad, start=0, label="c"):
    """So many connectors cleaned once, fit and not."""
    return [
        look(f"{label}{start + k}", k, "mate" if k < good else "clean-first", method=method)
        for k in range(good + bad)
    ]


def test_methods_on_different_connectors_are_compared_by_fishers_test():
    # SciPy's documentation: [[8, 2], [1, 5]] gives 0.03497
    (found,) = study_of([*cleaned("a", 8, 2), *cleaned("b", 1, 5, 10)]).comparisons
    assert (found.paired, found.p, found.p_holm) == (False, near(0.03497, 5), found.p)
    assert found.shown
    assert found.gap is not None
    assert found.gap[0] > 0


def test_methods_on_the_same_connectors_are_compared_by_mcnemars_test():
    # StatsDirect's help, from Armitage and Berry 1994, p. 127: 20 / 12 / 2 / 16
    looks = []
    for count, a, b in (
        (20, "mate", "mate"),
        (12, "mate", "clean-first"),
        (2, "clean-first", "mate"),
        (16, "clean-first", "clean-first"),
    ):
        for _ in range(count):
            n = len(looks)
            looks += [
                look(f"c{n}", 3 * n, a, method="a"),
                look(f"c{n}", 3 * n + 1, stage="mated"),
                look(f"c{n}", 3 * n + 2, b, method="b"),
            ]
    (found,) = study_of(looks).comparisons
    assert found.paired
    assert found.pairs is not None
    assert (found.pairs.only_a, found.pairs.only_b, found.p) == (12, 2, near(0.0129, 4))
    assert (found.a.hits, found.b.hits, found.a.of) == (32, 22, 50)


def test_three_comparisons_are_corrected_by_holm():
    looks = [*cleaned("a", 8, 2), *cleaned("b", 1, 5, 10), *cleaned("c", 6, 4, 20)]
    found = {(c.name_a, c.name_b): c for c in study_of(looks).comparisons}
    assert found["a", "b"].p == near(0.03497, 5)
    assert found["a", "b"].p_holm == near(3 * 0.03497, 4)
    assert not found["a", "b"].shown


def test_attempts_are_counted_until_clean_and_begin_anew_after_a_mating():
    looks = [
        look("x", 0, "clean-first"),
        look("x", 1, "clean-first", method="dry", attempt=1),
        look("x", 2, "reshoot", method="dry", attempt=2),
        look("x", 3, "mate", method="dry", attempt=2),
        look("x", 4, "clean-first", stage="mated"),
        look("x", 5, "mate", method="dry", attempt=1),
        look("y", 6, "clean-first", method="dry", attempt=1),
        look("y", 7, "clean-first", method="wet", attempt=2),
        look("z", 8, "reshoot", method="dry", attempt=1),
        look("x", 9, "clean-first", method="dry", attempt=2),  # it was fit already
    ]
    (dry,) = study_of(looks).methods
    assert dry.first_time is not None
    assert (dry.first_time.hits, dry.first_time.of, dry.connectors) == (1, 3, 2)
    assert (dry.undecided, dry.mixed) == (1, 1)
    assert [(r.attempt, r.at_risk, r.clean) for r in dry.attempts] == [(1, 2, 1), (2, 1, 1)]


def test_a_reshoot_is_neither_a_success_nor_a_failure():
    looks = [*cleaned("a", 3, 1), *(look(f"r{k}", k, "reshoot", method="a") for k in range(5))]
    (found,) = study_of(looks).methods
    assert found.first_time is not None
    assert (found.first_time.hits, found.first_time.of, found.undecided) == (3, 4, 5)


def test_a_later_cleaning_is_no_first_one_where_the_first_was_not_looked_at():
    looks = [
        look("x", 0, "mate", method="dry", attempt=1),
        look("y", 1, "mate", method="dry", attempt=2),  # of its first there is no line
        look("z", 2, "reshoot", method="dry", attempt=1),
        look("z", 3, "mate", method="dry", attempt=2),  # and on this one's nothing decided
    ]
    (dry,) = study_of(looks).methods
    assert dry.first_time is not None
    assert (dry.first_time.hits, dry.first_time.of, dry.undecided) == (1, 1, 2)
    assert [(r.at_risk, r.clean) for r in dry.attempts] == [(1, 1)]


def test_a_first_cleaning_after_a_reshoot_of_a_later_one_begins_a_new_cycle():
    looks = [
        look("x", 0, "clean-first", method="dry", attempt=1),
        look("x", 1, "reshoot", method="dry", attempt=2),
        look("x", 2, "mate", method="dry", attempt=1),
    ]
    (dry,) = study_of(looks).methods
    assert dry.first_time is not None
    assert (dry.first_time.hits, dry.first_time.of) == (1, 2)


def test_removal_leaves_out_damage_new_dirt_and_what_was_not_seen_again():
    def fate(kind, surface, end, label="c"):
        return Fate(label, "", "cleaned", "dry", kind, surface, end)

    rows = [fate("particle", "endface", "gone", f"c{k}") for k in range(3)]
    rows += [fate("film", "chamfer", "stayed"), fate("particle", "chamfer", "moved")]
    rows += [fate("particle", "chamfer", None), fate("damage", "endface", "stayed")]
    rows += [
        fate("lint", "endface", "new"),
        fate("lint", "endface", "gone")._replace(stage="mated"),
    ]
    found = {(r.by, r.part): r for r in study_of(fates=rows).removals}
    whole = found["all", "all"]
    assert (whole.gone.hits, whole.gone.of, whole.moved, whole.stayed, whole.unseen) == (
        (3, 5, 1, 1, 1)
    )
    assert {part for by, part in found if by == "kind"} == {"particle", "film"}
    assert found["surface", "endface"].gone.hits == 3


def test_lots_of_one_size_make_the_handbooks_c_chart():
    # NIST e-Handbook 6.3.3.1: 25 wafers, 400 defects, limits 4 and 28 about 16
    counts = [16] * 23 + [29, 3]
    looks = [
        look(f"w{k}", k, "clean-first", lot=f"{k:02}", deposits=n) for k, n in enumerate(counts)
    ]
    chart = study_of(looks).lots
    assert chart is not None
    assert (chart.kind, chart.center, chart.widen) == ("c", 16, 1)
    limits = chart.lots[0].limits
    assert (limits.center, limits.low, limits.high) == (16, 4, 28)
    assert [lot.side for lot in chart.lots[-2:]] == ["above", "below"]


def test_lots_of_several_sizes_make_a_u_chart_and_clusters_widen_it():
    even = [look(f"a{k}", k, lot="a", deposits=4) for k in range(9)]
    even += [look(f"b{k}", k, lot="b", deposits=4) for k in range(4)]
    chart = study_of(even).lots
    assert chart is not None
    # u +/- 3 sqrt(u / n), common practice
    assert (chart.kind, chart.lots[0].limits.high, chart.lots[1].limits.high) == ("u", 6, 7)
    clustered = [look(f"c{k}", k, lot="c", deposits=12 * (k % 3 == 0)) for k in range(30)]
    wide = study_of([*even, *clustered]).lots
    assert wide is not None
    assert wide.scatter is not None
    assert wide.widen == pytest.approx(wide.scatter[0] ** 0.5)
    assert wide.widen > 2


def test_matings_are_followed_on_the_same_connectors():
    looks = [look(f"c{k}", k, matings_so_far=0) for k in range(12)]
    looks += [
        look(f"c{k}", 60 + k, "clean-first", stage="mated", matings_so_far=25, in_zone=int(k < 8))
        for k in range(12)
    ]
    looks.append(look("c0", 200, method="dry", matings_so_far=25))  # cleaned: says nothing of it
    moved = [
        Fate("c0", "", "mated", None, "particle", "endface", "moved", 80.0, um)
        for um in (50.0, 20.0, -10.0)
    ]
    found = study_of(looks, moved).transfer
    assert found is not None
    assert [(s.matings, s.inside.hits, s.inside.of) for s in found.steps] == [
        (0, 0, 12),
        (25, 8, 12),
    ]
    assert (found.pairs.only_a, found.pairs.only_b, found.pairs.p) == (8, 0, near(2 / 2**8, 9))
    assert found.moved is not None
    assert (found.moved.hits, found.moved.of) == (2, 3)


def test_two_raters_have_the_published_kappa():
    # 20 / 5 / 10 / 15, a worked case on a hospital page: 0.40
    table = {
        ("mate", "mate"): 20,
        ("mate", "retire"): 5,
        ("retire", "mate"): 10,
        ("retire", "retire"): 15,
    }
    ratings = []
    for (a, b), count in table.items():
        for _ in range(count):
            item = str(len(ratings))
            ratings += [Rating(item, "Ann", a), Rating(item, "machine", b)]
    (found,) = study_of(ratings=ratings).agreements
    assert (found.table, found.kappa.kappa) == (((20, 5), (10, 15)), near(0.40, 6))


def test_a_study_of_nothing_says_so_and_what_is_infinite_is_null():
    assert study_of([look("a")]).empty
    pairs = [
        look(f"c{k}", 3 * k + m, v, method=name, attempt=1)
        for k in range(4)
        for m, (name, v) in enumerate((("b", "clean-first"), ("a", "mate")))
    ]
    study = study_of(pairs)
    assert study.comparisons[0].pairs is not None
    assert study.comparisons[0].pairs.ratio == inf
    document = json.loads(json.dumps(study.to_json(), allow_nan=False))
    assert document["comparisons"][0]["pairs"]["ratio"] is None
    assert document["schema"] == "fiberward.study/1"


# -- tables --------------------------------------------------------------------------------------


def test_the_same_table_reads_the_same_however_a_spreadsheet_wrote_it(tmp_path: Path):
    plain = tmp_path / "plain.csv"
    plain.write_text(
        "# filled in by hand\nlabel,method,attempt,verdict,remark\n"
        "P1,wet-dry,1,clean-first,x\nP1,wet-dry,2,mate,\nP2,wet-dry,1,,\n"
    )
    european = tmp_path / "european.csv"
    european.write_bytes(
        "\ufefflabel;method;attempt;verdict;remark\r\n"
        "P1;wet-dry;1;Clean first;x\r\nP1;wet-dry;2;MATE;\r\nP2;wet-dry;1;;\r\n\r\n".encode()
    )
    one, other = read_tables([plain]), read_tables([european])
    assert make_study(one).methods == make_study(other).methods
    assert make_study(one).methods[0].attempts[-1].attempt == 2
    assert [VERDICTS[code] for code in one.looks.verdict] == ["clean-first", "mate"]
    assert set(one.looks.stage) == {CLEANED}
    assert one.notes == (
        "plain.csv: not looked at: remark",
        "plain.csv: 1 planned line was not filled in",
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("label,verdict\nP1,clean\n", r"line 2, column verdict: 'clean' is none of"),
        ("label,verdict\n,mate\n", r"line 2, column label: is empty"),
        ("#\nlabel,verdict,attempt\nP1,mate,-1\n", r"line 3, column attempt: '-1' is no whole"),
        ("label,verdict,created_at\nP1,mate,02.01.2026\n", r"line 2, column created_at"),
        ("label,verdict\nP1,mate,x\n", r"line 2: 3 cells for 2 columns"),
        ("label,label,verdict\n", r"line 1: two columns"),
        ("label,fate,kind,surface\nP1,gone,dust,endface\n", r"column kind: 'dust' is none of"),
        ("label,fate,kind,surface,moved_um\nP,gone,film,endface,x\n", r"moved_um: 'x' is no num"),
        ("label,fate,kind,surface,moved_um\nP,gone,film,endface,nan\n", r"'nan' is no number"),
        (f"label,verdict,deposits\nP1,mate,{'9' * 5000}\n", r"is no whole number"),
        ("a,b\n1,2\n", r"line 1: needs the columns"),
        ("", r"line 1: the table is empty"),
        ('label,verdict\n"P1,mate\n', r"line 2"),
        ("label,verdict\nP\xff,mate\n", r"line 2: is not UTF-8"),
    ],
)
def test_a_table_that_cannot_be_read_is_refused_with_line_and_column(tmp_path, text, said):
    path = tmp_path / "table.csv"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(UsageError, match=said) as caught:
        read_tables([path])
    assert "\n" not in str(caught.value)


def test_times_of_a_table_are_put_in_order_however_they_are_written(tmp_path):
    path = tmp_path / "table.csv"
    times = ("2026-01-02T01:00:00+02:00", "20260101", "2026-01-01 23:30", "2026-01-02")
    path.write_text("label,verdict,created_at\n" + "".join(f"P,mate,{at}\n" for at in times))
    assert list(read_tables([path]).looks.created_at) == [
        "2026-01-01",
        "2026-01-01T23:00:00Z",
        "2026-01-01T23:30:00Z",
        "2026-01-02",
    ]


# -- records -------------------------------------------------------------------------------------


def test_records_give_the_rows_of_a_study(where, make_inspection):
    before = make_inspection("P1", 0)
    dirt = before.deposits[0]
    spot = replace(dirt, id=2, kind="residue", surface="endface", off_zone=False)
    after = make_inspection("P1", 1, "mate", stage="cleaned", method="dry", attempt=1)
    after = replace(after, deposits=(spot, replace(spot, id=3, unsure=True)))
    other = make_inspection("P2", 2, "clean-first", stage="cleaned", method="dry", attempt=1)
    with Records.open(where) as records:
        uids = [records.add(each) for each in (before, after, other)]
        records.overrule(uids[2], "mate", "Ann", "a shadow")
        pairs = [dict(before_id=1, after_id=None, fate="gone", moved_um=None, fiberward_um=None)]
        pairs += [dict(before_id=None, after_id=2, fate="new", moved_um=None, fiberward_um=None)]
        document = dict(match="stated", match_quality=0.9, refused=False, pairs=pairs)
        records.add_comparison(uids[0], uids[1], document)
        data = data_of(records, Wanted())
        some = data_of(records, Wanted(method="dry"))
    assert [
        (data.looks.connectors[c][0], VERDICTS[v], residues, inside)
        for c, v, residues, inside in zip(
            *(data.looks.connector, data.looks.verdict, data.looks.residues, data.looks.in_zone),
            strict=True,
        )
    ] == [("P1", "clean-first", 0, 0), ("P1", "mate", 1, 1), ("P2", "mate", 0, 0)]
    (gone,) = make_study(data).removals[:1]
    assert (gone.method, gone.by, gone.gone.hits, gone.gone.of) == ("dry", "all", 1, 1)
    assert list(some.looks.created_at) == list(data.looks.created_at[1:])
    assert make_study(some).methods == make_study(data).methods
    (dry,) = make_study(data).methods
    assert dry.first_time is not None
    assert (dry.first_time.hits, dry.first_time.of) == (2, 2)


def test_records_and_rows_of_the_same_give_the_same_study(where, make_inspection):
    draw, rows, minute = random.Random(7), [], 0
    with Records.open(where) as records:
        for k in range(40):
            lot, steps = draw.choice("ABC"), [("as-received", None, None)]
            steps += [("cleaned", draw.choice(("dry", "wet-dry")), n) for n in (1, 2, 3)]
            steps = [*steps[: draw.randint(1, 4)], ("mated", None, None)]
            for stage, method, attempt in steps:
                verdict = draw.choice(("mate", "clean-first", "reshoot"))
                stated = dict(lot=lot, stage=stage, method=method, attempt=attempt)
                stated["matings_so_far"] = 25 if stage == "mated" else 0
                seen = make_inspection(f"P{k}", minute, verdict, **stated)
                dirt = tuple(replace(d, off_zone=False, kind="residue") for d in seen.deposits)
                records.add(replace(seen, deposits=dirt))
                row = Look(
                    f"P{k}", "", lot, seen.created_at, stage, method, attempt, 0, None, "", 0, 0
                )
                rows.append(
                    row._replace(
                        **dict(matings_so_far=stated["matings_so_far"], verdict=verdict),
                        **dict(deposits=len(dirt), residues=len(dirt), in_zone=len(dirt)),
                    )
                )
                minute += 1
        recorded = make_study(data_of(records, Wanted()))
    shown = study_of(rows)
    assert shown.transfer is not None
    assert len(shown.methods) == 2
    assert replace(shown, source=recorded.source) == recorded


def test_operators_who_inspected_the_same_connectors_are_rated(where, make_inspection):
    with Records.open(where) as records:
        for k in range(3):
            for m, name in enumerate(("Ann", "Ben")):
                records.add(make_inspection(f"P{k}", 10 * k + m, operator=name))
        records.add(make_inspection("P9", 90, operator="Ann"))
        (found,) = make_study(data_of(records, Wanted())).agreements
    assert (found.rater_a, found.rater_b, found.kappa.cases) == ("Ann", "Ben", 3)


def test_persons_words_on_recorded_inspections_are_held_against_the_machines(
    where, make_inspection
):
    with Records.open(where) as records:
        for k in range(4):
            uid = records.add(make_inspection(f"P{k}", k, "clean-first" if k else "mate"))
            word = "mate" if k < 2 else "clean-first"  # confirms all but the second
            records.overrule(uid, "retire", "Ann", "in error")
            records.overrule(uid, word, "Ann", "looked at it")
        (found,) = make_study(data_of(records, Wanted())).agreements
    assert (found.rater_a, found.rater_b, found.table) == ("Ann", "machine", ((1, 1), (0, 2)))
    # by hand: po 3/4, pe 1/2 x 1/4 + 1/2 x 3/4 = 1/2
    assert found.kappa.kappa == near(0.5, 9)


def test_records_are_studied_and_narrowed(tmp_path, monkeypatch, capsys, make_inspection):
    monkeypatch.setenv("FIBERWARD_DB", str(tmp_path / "records.db"))
    with Records.open() as records:
        for k in range(6):
            lot = {"lot": "A" if k < 3 else "B"}
            records.add(make_inspection(f"P{k}", k, **lot))
            named = {"stage": "cleaned", "method": "dry", "attempt": 1, **lot}
            records.add(make_inspection(f"P{k}", 30 + k, "mate" if k else "clean-first", **named))
    assert main(["study", "--out", str(tmp_path / "s")]) == 0
    said = capsys.readouterr().out
    assert "dry: 5 of 6 connectors" in said
    assert "Lots outside their limits: none." in said
    assert main(["study", "--out", str(tmp_path / "s"), "--lot", "A"]) == 0
    said = capsys.readouterr().out
    assert "dry: 2 of 3 connectors" in said
    assert "say next to nothing" in said

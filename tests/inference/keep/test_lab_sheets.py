"""Blank plans: made again from their seed, fair, and read back by a study once filled in."""

import csv
import io
from collections import Counter
from pathlib import Path

import pytest

from fiberward.inference.keep.lab_sheets import EXPERIMENTS, Stated, make_sheet, sheet_csv
from fiberward.inference.keep.statistics import needed_per_method
from fiberward.inference.keep.study import make_study
from fiberward.inference.keep.study_csv import read_tables
from fiberward.inference.show.app import main
from fiberward.model.errors import UsageError

STATED = Stated(6, ("dry", "wet-dry"), ("L1", "L2", "L3"), (1, 5), ("Ann", "Ben"))


def filled(sheet, path: Path, dialect, answer) -> Path:
    """The sheet's CSV as a person fills it in."""
    text = sheet_csv(sheet, dialect)
    mark = ";" if dialect == "excel-eu" else ","
    rows = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), delimiter=mark))
    out = io.StringIO()
    writer = csv.DictWriter(out, sheet.columns, delimiter=mark)
    writer.writeheader()
    writer.writerows({**row, **answer(row)} for row in rows)
    path.write_text(out.getvalue())
    return path


@pytest.mark.parametrize("name", EXPERIMENTS)
def test_a_blank_sheet_is_read_as_a_plan_not_carried_out(name, tmp_path):
    sheet = make_sheet(name, STATED)
    path = filled(sheet, tmp_path / "sheet.csv", "rfc4180", lambda row: {})
    data = read_tables([path])
    assert (len(data.looks), len(data.fates.fate), data.ratings) == (0, 0, [])
    assert data.notes == (f"sheet.csv: {len(sheet.rows)} planned lines were not filled in",)


@pytest.mark.parametrize("dialect", ["rfc4180", "excel-eu"])
def test_a_filled_in_sheet_of_methods_is_studied(dialect, tmp_path):
    sheet = make_sheet("methods", STATED)

    def answer(row):
        if row["stage"] == "as-received":
            return {"verdict": "Clean first", "deposits": "3"}
        fit = row["method"] == "wet-dry" or row["attempt"] == "2"
        return {} if row["attempt"] == "3" else {"verdict": "mate" if fit else "clean-first"}

    found = make_study(read_tables([filled(sheet, tmp_path / "s.csv", dialect, answer)]))
    shares = {m.method: m.first_time for m in found.methods}
    assert shares["dry"] is not None
    assert shares["wet-dry"] is not None
    assert (shares["dry"].hits, shares["dry"].of) == (0, 6)
    assert (shares["wet-dry"].hits, shares["wet-dry"].of) == (6, 6)
    assert [r.p for r in found.methods[0].attempts] == [0, 1]


def test_the_same_connectors_with_every_method_are_paired(tmp_path):
    sheet = make_sheet("methods", Stated(8, ("a", "b"), same=True))

    def answer(row):
        if row["stage"] == "as-received":
            return {"verdict": "clean-first"}
        return {"verdict": "mate" if row["method"] == "a" else "clean-first"}

    (found,) = make_study(
        read_tables([filled(sheet, tmp_path / "s.csv", "rfc4180", answer)])
    ).comparisons
    assert found.paired
    assert found.pairs is not None
    # McNemar, exact: 8 of 8 pairs one way, 2 x 0.5^8
    assert (found.pairs.only_a, found.pairs.p) == (8, 2 * 0.5**8)
    first = [row["method"] for row in sheet.rows if row.get("attempt") == "1"][::2]
    assert set(first) == {"a", "b"}  # not always the same one first


def test_other_sheets_are_studied_too(tmp_path):
    def lots(row):
        return {"verdict": "clean-first", "deposits": "12" if row["lot"] == "L2" else "2"}

    def matings(row):
        return {"verdict": "mate", "in_zone": "1" if row["matings_so_far"] == "5" else "0"}

    def agreement(row):
        return {"verdict": "mate" if row["item"] < "C04" else "clean-first"}

    found = {
        name: make_study(
            read_tables([filled(make_sheet(name, STATED), tmp_path / name, "rfc4180", answer)])
        )
        for name, answer in (("lots", lots), ("matings", matings), ("agreement", agreement))
    }
    chart, transfer = found["lots"].lots, found["matings"].transfer
    assert chart is not None
    assert {lot.name: lot.side for lot in chart.lots} == {
        "L1": "below",
        "L2": "above",
        "L3": "below",
    }
    assert transfer is not None
    assert [(step.matings, step.inside.hits) for step in transfer.steps] == [(0, 0), (1, 0), (5, 6)]
    assert found["agreement"].agreements[0].kappa.kappa == 1


def test_lots_are_drawn_by_lot_from_the_seed_and_evenly():
    one, again = make_sheet("methods", STATED), make_sheet("methods", STATED)
    other = make_sheet("methods", Stated(**{**vars(STATED), "seed": 2}))
    assert one == again
    assert one.rows != other.rows
    given = Counter(row["method"] for row in one.rows if row.get("attempt") == "1")
    assert given == {"dry": 6, "wet-dry": 6}


def test_what_a_sheet_can_show_is_told_of_its_own_question():
    many = Stated(40, ("dry", "wet-dry"))
    least = next(p for p in range(51, 101) if needed_per_method(0.5, p / 100) <= 40)
    for name, left in (("methods", "fit to mate"), ("residue", "with a residue")):
        said = make_sheet(name, many).power
        assert f"leaves 50 % {left}, 40 connectors per method" in said
        assert f"at least {least} % or at most {100 - least} %" in said
    assert "too few" in make_sheet("residue", Stated(6, ("dry", "wet-dry"))).power


@pytest.mark.parametrize(
    ("name", "stated", "said"),
    [
        ("methods", Stated(6, ("dry",)), "--methods: name two or more"),
        ("methods", Stated(6, ("dry", "dry")), "--methods: name two or more"),
        ("lots", Stated(6), "--lots"),
        ("agreement", Stated(6), "--raters"),
        ("methods", Stated(0, ("a", "b")), "--connectors 0"),
        ("tasting", Stated(), "give one of methods"),
    ],
)
def test_what_cannot_be_planned_is_refused(name, stated, said):
    with pytest.raises(UsageError, match=said):
        make_sheet(name, stated)


def test_the_command_writes_a_sheet_to_print_and_one_to_fill_in(tmp_path, capsys):
    out = str(tmp_path / "sheet")
    named = ["--methods", "dry,wet-dry", "--show", "0.6,0.9", "--csv-dialect", "excel-eu"]
    assert main(["sheet", "methods", *named, "--out", out]) == 0
    needed = needed_per_method(0.6, 0.9)
    assert f"{8 * needed} rows" in capsys.readouterr().out  # 4 rows for each of two times as many
    page = (tmp_path / "sheet" / "sheet.html").read_text()
    assert page.count("<tr>") == 8 * needed + 1
    assert (tmp_path / "sheet" / "sheet.csv").read_bytes().startswith(b"\xef\xbb\xbfrun;label;")
    assert main(["study", str(tmp_path / "sheet" / "sheet.csv"), "--out", out]) == 1
    for wrong in (["--show", "0.6"], ["--show", "2,3"], ["--show", "0.6,0.9", "--connectors", "3"]):
        assert main(["sheet", "methods", "--methods", "a,b", *wrong, "--out", out]) == 2
    assert main(["sheet", "matings", "--matings", "1,x", "--out", out]) == 2

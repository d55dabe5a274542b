"""`fiberward study` by the command line: what it writes, says and claims."""

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from fiberward.inference.show.app import main
from fiberward.inference.show.document import svg_of
from fiberward.inference.show.plot import Dot, Words, interval_plot, lot_plot
from fiberward.inference.show.study_words import share_words


@pytest.fixture
def table(tmp_path: Path) -> Path:
    """Three methods, one connector each cleaning: 4 of 10, 6 of 10, 10 of 10 fit at first."""
    lines = ["label,method,attempt,verdict,residues"]
    for method, good in (("dry", 4), ("wet-air", 6), ("wet-dry", 10)):
        for k in range(10):
            verdict = "mate" if k < good else "clean-first"
            left = int(method == "wet-air" and k < 8)
            lines.append(f"{method}{k},{method},1,{verdict},{left}")
    path = tmp_path / "table.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def run(*arguments, capsys) -> tuple[int, str]:
    code = main(["study", *map(str, arguments)])
    return code, capsys.readouterr().out


def test_a_study_says_what_is_shown_and_what_is_not(table, tmp_path, capsys):
    code, said = run(table, "--out", tmp_path / "s", capsys=capsys)
    assert code == 0
    # Wilson's interval of 4 of 10 (NIST e-Handbook 7.2.4.1): 0.168 to 0.687
    assert "dry: 4 of 10 connectors (40 %, 95 % interval 17 to 69 %)" in said
    # Fisher's p of 4 of 10 against 10 of 10 is 0.0108, times 3 comparisons
    assert "more with wet-dry (Fisher's test, p = 0.033 after correction" in said
    assert "dry and wet-air: 4 of 10 against 6 of 10" in said
    assert "no difference is shown" in said
    assert "That does not make them alike" in said
    assert re.search(r"takes about \d+ connectors per method", said)
    # the bare word is never a verdict
    assert not re.search(r"\bis clean\b", said)


def test_the_report_is_one_page_with_nothing_to_fetch_and_nothing_to_run(table, tmp_path, capsys):
    run(table, "--out", tmp_path / "s", "--invented", "--title", "A <b> & c", capsys=capsys)
    page = (tmp_path / "s" / "study.html").read_text()
    assert "A &lt;b&gt; &amp; c" in page
    assert "Invented data" in page
    assert not re.search(r"<script|https?://|<link|url\(", page)
    assert "Carried out by: name, signature, date" in page

    class Tags(HTMLParser):
        open_tags: list[str] = []

        def handle_starttag(self, tag, attrs):
            if tag not in ("meta", "br", "img"):
                self.open_tags.append(tag)

        def handle_endtag(self, tag):
            assert self.open_tags.pop() == tag

    tags = Tags()
    tags.feed(page)
    assert tags.open_tags == []


def test_the_document_for_machines_holds_the_same_figures(table, tmp_path, capsys):
    _, said = run(table, "--out", tmp_path / "s", "--json", capsys=capsys)
    document = json.loads((tmp_path / "s" / "study.json").read_text())
    assert json.loads(said) == document
    dry = document["methods"][0]
    assert (dry["method"], dry["first_time"]["hits"], dry["first_time"]["of"]) == ("dry", 4, 10)
    assert document["residue_comparisons"][0]["p_holm"] < 0.01


def test_exact_intervals_are_wider(table, tmp_path, capsys):
    _, said = run(table, "--out", tmp_path / "s", "--interval", "exact", capsys=capsys)
    # Clopper-Pearson of 4 of 10, as in many tables: 0.122 to 0.738
    assert "dry: 4 of 10 connectors (40 %, 95 % interval 12 to 74 %)" in said


def test_data_that_answer_nothing_end_in_1_and_wrong_words_in_2(tmp_path, capsys):
    path = tmp_path / "one.csv"
    path.write_text("label,verdict\nP1,mate\n")
    code, said = run(path, "--out", tmp_path / "s", capsys=capsys)
    assert (code, "answer none" in said) == (1, True)
    assert run(path, "--interval", "wald", capsys=capsys)[0] == 2
    assert run(path, "--lot", "A", capsys=capsys)[0] == 2
    assert run(tmp_path / "none.csv", capsys=capsys)[0] == 2


def test_plots_put_shares_and_lots_where_they_belong():
    from fiberward.inference.keep.statistics import share
    from fiberward.inference.keep.study_data import Look, LookTable
    from fiberward.inference.keep.study_lots import lot_chart

    half = interval_plot([("a & b", share(5, 10)), ("c", share(10, 10))], "Fit")
    first, second = (mark for mark in half.marks if isinstance(mark, Dot))
    ticks = {m.text: m.xy[0] for m in half.marks if isinstance(m, Words)}
    assert first.xy[0] == pytest.approx((ticks["0 %"] + ticks["100 %"]) / 2)
    assert second.xy[0] == pytest.approx(ticks["100 %"])
    assert "a &amp; b" in svg_of(half)
    looks = [
        Look(f"{lot}{k}", "", lot, "", "as-received", *([None] * 4), "clean-first", n, 0)
        for lot, n in (("a", 2), ("b", 2), ("c", 30))
        for k in range(9)
    ]
    chart = lot_chart(LookTable.of(looks), "wilson")
    assert chart is not None
    dots = [mark for mark in lot_plot(chart).marks if isinstance(mark, Dot)]
    assert [dot.hollow for dot in dots] == [True, True, True]
    assert dots[2].xy[1] < dots[0].xy[1]
    assert share_words(share(0, 9)) == "0 of 9 (0 %, 95 % interval 0 to 30 %)"

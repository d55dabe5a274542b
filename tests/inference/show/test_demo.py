"""`fiberward demo`: the invented connector, marked as such, and where to look."""

from pathlib import Path

import pytest

from fiberward.inference import pipeline
from fiberward.inference.keep.inspection import read_inspection
from fiberward.inference.see.inputs import expand_inputs
from fiberward.inference.see.picture import read_picture
from fiberward.inference.settings import Settings
from fiberward.inference.show import demo_command
from fiberward.inference.show.app import main


@pytest.fixture(autouse=True)
def stand_in(monkeypatch, reads_drawings, drawing, spot):
    """Drawn pictures in place of the shipped ones, and a segmenter that reads them."""
    drawing.four((spot(600, 30, 60),))
    (drawing.folder / "connector.toml").write_text('label = "demo"\nferrule_mm = 2.5\n')
    monkeypatch.setattr(demo_command, "PICTURES", drawing.folder)
    monkeypatch.setattr(pipeline, "Segmenter", lambda model, threads: reads_drawings)
    monkeypatch.setattr(pipeline, "Settings", lambda: Settings(map_px=120))


def test_the_demo_writes_its_folder_tells_where_to_look_and_ends_with_0(
    tmp_path, monkeypatch, capsys
):
    monkeypatch.chdir(tmp_path)
    assert main(["demo"]) == 0
    out = tmp_path / "fiberward-demo"
    assert {"report.html", "travel-map.png", "inspection.json"} <= {p.name for p in out.iterdir()}
    told = capsys.readouterr()
    assert "fiberward-demo/report.html" in told.err
    assert "Clean first: demo" in told.out


def test_the_demo_is_marked_as_invented_in_everything_it_writes(tmp_path):
    assert main(["demo", "--out", str(tmp_path / "demo"), "--quiet"]) == 0
    assert any("invented" in n for n in read_inspection(tmp_path / "demo/inspection.json").notes)
    assert "the connector is invented" in (tmp_path / "demo" / "report.html").read_text()


def test_the_demo_can_be_run_twice(tmp_path):
    arguments = ["demo", "--out", str(tmp_path / "demo"), "--quiet"]
    assert [main(arguments), main(arguments)] == [0, 0]


def test_the_shipped_pictures_are_four_views_of_one_connector_marked_as_invented():
    folder = Path(demo_command.__file__).parent / "demo"
    (connector,) = expand_inputs([folder]).connectors
    assert len(connector.pictures) == 4
    assert all(turn is not None for turn in connector.turns_deg)
    assert "invented" in connector.facts.label
    assert all(read_picture(path).rgb.shape[0] >= 480 for path in connector.pictures)

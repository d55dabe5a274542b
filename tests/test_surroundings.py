"""An inspection where the machine is not set up as one would wish."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

DEMO = Path(__file__).resolve().parents[1] / "inference" / "show" / "demo"
RUN = "from fiberward.inference.show.app import main; raise SystemExit(main())"


@pytest.fixture
def plug(tmp_path: Path) -> Path:
    """Two small pictures of the demonstration's connector under names that are not ASCII."""
    folder = tmp_path / "Stecker größe 工"
    folder.mkdir()
    for name in ("front", "side-1"):
        with Image.open(DEMO / f"{name}.jpg") as image:
            image.resize((640, 480)).save(folder / f"{name} ä.jpg")
    return folder


def run(plug: Path, *options: str, **changes: str) -> subprocess.CompletedProcess[str]:
    """Inspect the plug where nothing is set but what is given."""
    pictures = [str(path) for path in sorted(plug.glob("*.jpg"))]
    wanted = ["inspect", "--ferrule", "2.5", *options, "--out", str(plug / "ergebnis ü"), *pictures]
    kept = {name: os.environ[name] for name in ("PATH", "PYTHONPATH") if name in os.environ}
    command = [sys.executable, "-P", "-c", RUN, *wanted]
    return subprocess.run(
        command, env=kept | changes, cwd=plug, capture_output=True, encoding="utf-8"
    )


def test_names_beyond_ascii_and_the_plain_c_locale_are_no_hindrance(plug, tmp_path):
    records = str(tmp_path / "records.db")
    done = run(plug, "--connector", "Ä-1", LC_ALL="C", HOME=str(tmp_path), FIBERWARD_DB=records)
    assert done.returncode == 1, done.stderr
    assert "Ä-1" in done.stdout
    inspection = json.loads((plug / "ergebnis ü" / "inspection.json").read_bytes())
    assert inspection["verdict"] == "clean-first"
    assert [view["picture"] for view in inspection["views"]] == ["front ä.jpg", "side-1 ä.jpg"]
    assert (plug / "ergebnis ü" / "front ä.deposits.png").is_file()


def test_a_home_that_cannot_be_written_stops_no_inspection_but_a_record(plug, tmp_path):
    home = tmp_path / "home"
    home.write_text("a file, so that nothing can be made below, even by root")
    done = run(plug, HOME=str(home))
    assert done.returncode == 1, done.stderr
    assert (plug / "ergebnis ü" / "report.html").is_file()
    refused = run(plug, "--connector", "P1", HOME=str(home))
    assert refused.returncode == 4
    assert refused.stderr.splitlines()[-1].endswith("its folder cannot be made (Not a directory)")

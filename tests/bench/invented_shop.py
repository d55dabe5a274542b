"""An invented shop, the whole loop by the command line: `python tests/bench/invented_shop.py DIR`.

Twelve connectors of two lots, three cleaning methods, everything invented: drawn pictures, which a
segmenter made for drawings reads (so that the loop is shown, not the net), and chances of dirt to
go that are written below. Leaves records, a study and reports in DIR, and says what it ran.
"""

import importlib.util
import os
import random
import shutil
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from fiberward.inference import pipeline, settings_file
from fiberward.inference.keep.find_records import rows
from fiberward.inference.keep.records import Records
from fiberward.inference.settings import Settings
from fiberward.inference.show.app import main
from fiberward.model.kinds import Kind

# Chance that a deposit survives one cleaning, and that the cleaning leaves a dried residue.
METHODS = {"dry": (0.45, 0.0), "wet-dry": (0.08, 0.0), "wet-air": (0.12, 0.6)}
LOTS = ("L1", "L2")
CONNECTORS, CLEANINGS, SEED = 12, 3, 6


def drawings() -> Any:
    """The module that draws connectors and reads the drawings back."""
    path = Path(__file__).parents[1] / "inference" / "conftest.py"
    spec = importlib.util.spec_from_file_location("fiberward_drawings", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def run(*command: str) -> int:
    """One command line, printed before it runs."""
    print(f"$ fiberward {' '.join(command)}", flush=True)
    return main(list(command))


class Shop:
    """Draws, inspects and cleans; `folder` gets everything."""

    def __init__(self, folder: Path) -> None:
        self.module, self.folder = drawings(), folder
        self.draw, self.count = random.Random(SEED), 0

    def soiled(self, lot: str) -> list[Any]:
        """Grains and threads on a new connector; the second lot is dirtier."""
        most = 4 if lot == "L1" else 7
        return [self.spot(Kind.PARTICLE) for _ in range(self.draw.randint(2, most))]

    def spot(self, kind: Kind) -> Any:
        """One deposit somewhere on the endface."""
        place = self.draw.uniform(350, 750), self.draw.uniform(0, 360)
        return self.module.Spot(*place, self.draw.uniform(70, 120), kind)

    def cleaned(self, spots: list[Any], method: str) -> list[Any]:
        """What a cleaning leaves."""
        stays, dries = METHODS[method]
        left = [spot for spot in spots if self.draw.random() < stays]
        dirty = any(spot.kind == Kind.RESIDUE for spot in left)
        return (
            [*left, self.spot(Kind.RESIDUE)] if self.draw.random() < dries and not dirty else left
        )

    def inspect(self, label: str, spots: list[Any], *options: str) -> None:
        """Draw four pictures and inspect them."""
        self.count += 1
        name = f"{self.count:02}-{label}"
        # no two photographs have quite the same scale
        scale = 8.0 + 0.004 * self.count
        folder = self.folder / "pictures" / name
        paths = self.module.Drawing(folder, 2.5, scale).four(tuple(spots))
        (folder / "connector.toml").write_text(
            f'label = "{label}"\nlot = "{self.lot_of(label)}"\nferrule_mm = 2.5\n'
            + "".join(
                f'[[picture]]\nfile = "{path.name}"\nturn_deg = {turn}\n'
                for path, turn in zip(paths, (0, 0, 120, 240), strict=True)
            )
        )
        code = run("inspect", str(folder), "--out", str(self.folder / "results" / name), *options)
        if code not in (0, 1):
            raise SystemExit(code)

    def lot_of(self, label: str) -> str:
        """The lot that a label belongs to."""
        return LOTS[int(label[1:]) % len(LOTS)]

    def loop(self, label: str, method: str) -> None:
        """Inspect, clean, inspect, until it may be mated or was cleaned often enough."""
        spots = self.soiled(self.lot_of(label))
        self.inspect(label, spots, "--stage", "as-received", "--operator", "Ann")
        for _ in range(CLEANINGS):
            spots = self.cleaned(spots, method)
            named = ("--stage", "cleaned", "--method", method, "--operator", "Ann")
            self.inspect(label, spots, *named)
            if not spots:
                return


def main_loop(folder: Path) -> None:
    """The whole loop, then study and reports."""
    shutil.rmtree(folder, ignore_errors=True)
    os.environ["FIBERWARD_DB"] = str(folder / "records" / "records.db")
    shop = Shop(folder)
    replace_segmenter(shop.module.ReadsDrawings())
    methods = [method for method in METHODS for _ in range(CONNECTORS // len(METHODS))]
    shop.draw.shuffle(methods)
    for k, method in enumerate(methods):
        shop.loop(f"P{k + 1:02}", method)
    out = str(folder / "study")
    run("records", "list", "--lot", "L1")
    run("study", "--title", "Cleaning in an invented shop", "--invented", "--pdf", "--out", out)
    run("report", "--lot", "L2", "--pdf", "--out", str(folder / "lot"))
    with Records.open() as records:
        found = rows(records)
    last = next(row for row in reversed(found) if row.verdict == "mate")
    first = next(row for row in found if row.label == last.label)
    run("report", last.uid[:8], "--pdf", "--out", str(folder / "connector"))
    run("report", first.uid[:8], last.uid[:8], "--pdf", "--out", str(folder / "pair"))
    run("records", "export", "--out", str(folder / "export"), "--csv-dialect", "excel-eu")
    run("records", "verify")


def replace_segmenter(segmenter: Any) -> None:
    """Have drawings read by what can read them, with coarse maps to be quick."""
    settings = replace(Settings(), map_px=300)
    pipeline.Segmenter = lambda model, threads: segmenter  # type: ignore[assignment,misc]
    settings_file.settings_of_shop = lambda stated=None: settings


if __name__ == "__main__":
    main_loop(Path(sys.argv[1]))

"""An archive on several processes: lost workers, lost schedulers, and the same results."""

import json
import shutil
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from fiberward.inference.request import Request
from fiberward.inference.see.connector_file import ConnectorFacts
from fiberward.inference.settings import Settings
from fiberward.inference.show import spread
from fiberward.inference.show.app import main
from fiberward.inference.show.jobs import Job
from fiberward.inference.show.spread import Work, in_any_order, inspect_job
from fiberward.model.errors import ModelError, UsageError
from fiberward.model.workers import on_cluster, on_processes

HERE = Path(__file__).parent
PICTURES = Path(__file__).parents[2] / "data" / "path-traced"


@pytest.fixture
def touch(monkeypatch: pytest.MonkeyPatch) -> Callable[[Work, Job], str]:
    """Importable in the processes that the test starts, too."""
    monkeypatch.syspath_prepend(str(HERE))
    monkeypatch.setenv("PYTHONPATH", str(HERE), prepend=":")
    from spread_work import touch

    return touch


def jobs_in(folder: Path, names: list[str]) -> list[Job]:
    return [Job(Request((folder / "none.jpg",)), folder / name) for name in names]


def counts(jobs: list[Job]) -> list[int]:
    """How often each was inspected."""
    return [len((job.folder / "done").read_text().splitlines()) for job in jobs]


WORK = Work(Path("none.onnx"), "0", Settings())


def test_a_worker_killed_over_one_connector_costs_none(tmp_path: Path, touch) -> None:
    jobs = jobs_in(tmp_path, ["a", "deadly", "b", "c", "d"])
    said: list[str] = []
    assert on_processes(WORK, jobs, 2, said.append, touch) == 5
    assert any(line.startswith("a worker was lost") for line in said)
    assert all((job.folder / "done").exists() for job in jobs)


def test_connectors_with_earlier_records_are_left_to_the_caller() -> None:
    class Records:
        def prepared(self, request: Request) -> Request:
            if request.facts.label == "other ferrule":
                raise UsageError("the records hold this label with another ferrule")
            known = request.facts.label == "known"
            return replace(request, follows="abc" if known else None)

    def job(label: str) -> Job:
        facts = ConnectorFacts(label=label)
        return Job(Request((Path("x.jpg"),), facts=facts, labelled=True), Path(label))

    jobs = [job("known"), job("new"), job("twice"), job("twice"), job("other ferrule")]
    assert [each.folder.name for each in in_any_order(jobs, Records())] == ["new"]  # type: ignore[arg-type]


def test_a_full_disk_under_one_connector_is_left_to_the_caller(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reads_drawings
) -> None:
    """Raised to the cluster's client, an OSError would look like a scheduler that is gone."""

    def full(*_what: object) -> None:
        raise OSError(28, "No space left on device")

    card = reads_drawings.card
    work = replace(WORK, model_sha256=card.sha256)
    monkeypatch.setattr(spread, "Inspector", lambda *_what: Stub(reads_drawings, work.settings))
    monkeypatch.setattr(spread, "write_outputs", full)
    monkeypatch.setattr(spread, "_inspectors", {})
    [job] = jobs_in(tmp_path, ["a"])
    assert "No space left" in inspect_job(work, job)
    with pytest.raises(ModelError, match="is another file"):
        inspect_job(replace(work, model_sha256="0"), job)


class Stub:
    """Stands in for the pipeline."""

    def __init__(self, segmenter, settings: Settings) -> None:
        self.segmenter, self.settings = segmenter, settings

    def inspect(self, request: Request) -> None:
        return None


def archive(folder: Path) -> Path:
    for k in range(3):
        (folder / f"plug {k}").mkdir(parents=True)
        shutil.copyfile(PICTURES / f"c10100-{k}.jpg", folder / f"plug {k}" / "view.jpg")
    return folder


def results(folder: Path) -> dict[str, dict]:
    """All results but when they were made."""
    found = {}
    for path in sorted(folder.glob("*/inspection.json")):
        document = json.loads(path.read_text())
        document.pop("created_at")
        found[path.parent.name] = {k: v for k, v in document.items() if k != "validity"}
    return found


@pytest.mark.long
def test_two_processes_give_what_one_gives(tmp_path: Path) -> None:
    source = archive(tmp_path / "archive")
    options = ["inspect", str(source), "--no-record", "--out"]
    codes = [
        main([*options, str(tmp_path / name), *more])
        for name, more in (("one", []), ("two", ["--jobs", "2"]))
    ]
    assert codes[0] == codes[1]
    assert codes[0] in (0, 1)
    assert results(tmp_path / "one") == results(tmp_path / "two")
    assert len(results(tmp_path / "two")) == 3
    for mask in (tmp_path / "one").glob("*/*.png"):
        other = tmp_path / "two" / mask.relative_to(tmp_path / "one")
        assert mask.read_bytes() == other.read_bytes(), mask


@pytest.mark.long
@pytest.mark.filterwarnings("ignore")
def test_a_killed_worker_and_a_restarted_scheduler_cost_no_connector(
    tmp_path: Path, touch: Callable[[Work, Job], str], cluster
) -> None:
    """Scheduler and workers as processes of their own, killed with SIGKILL while they work."""
    pytest.importorskip("distributed")
    jobs = jobs_in(tmp_path, [f"c{k}" for k in range(40)])
    work = replace(WORK, threads=30)  # what the stand-in takes for its time: 0.3 s each
    first = cluster.start_scheduler()
    workers = [cluster.start_worker() for _ in range(2)]
    events = iter([
        (4, lambda: workers[0].kill()),
        (10, lambda: first.kill()),
    ])  # fmt: skip
    pending = [next(events)]

    def say(line: str) -> None:
        done = sum((job.folder / "done").exists() for job in jobs)
        if pending and done >= pending[0][0]:
            pending.pop()[1]()
            pending.extend([event] if (event := next(events, None)) else [])
        if "does not answer" in line and first.poll() is not None and len(workers) == 2:
            time.sleep(1)
            cluster.start_scheduler()
            workers.append(cluster.start_worker())

    assert on_cluster(work, jobs, cluster.address, say, touch) == 40
    assert first.poll() is not None
    assert all(count >= 1 for count in counts(jobs))
    assert sum(counts(jobs)) <= 40 + 4  # at most what was under way at the two kills

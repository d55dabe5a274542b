"""Empty records, on SQLite and on a PostgreSQL server that the tests start themselves."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from fiberward.inference.keep.inspection import (
    DepositRecord,
    Inspection,
    InZoneRecord,
    ModelRecord,
    ReasonRecord,
    ViewRecord,
)

PARTICLE = DepositRecord(
    **dict(id=1, kind="particle", confidence=0.93, surface="chamfer", s_um=512.0, theta_deg=359.9),
    **dict(s_min_um=500.0, s_max_um=524.0, size_um=24.0, area_um2=452.4, feret_max_um=26.0),
    **dict(width_um=22.0, length_um=None, enclosing_um=26.5, in_zone_area_um2=0.0, off_zone=True),
    **dict(unsure=False, bridge=None, wedge=None, reach=None, harm=None, seen_in=("front.jpg",)),
)
DIRTY = Inspection(
    verdict="clean-first",
    reasons=(ReasonRecord("Deposit 1 stops.", "on-chamfer", 1, None, 24.0, 5.0, "um"),),
    validity=None,
    in_zone=InZoneRecord("none"),
    views=(ViewRecord("front.jpg", "front", "0" * 64, True, None, detection_limit_um=9.0),),
    coverage={"endface": 0.9, "cavity": None},
    coverage_size_um=50.0,
    gaps=(),
    deposits=(PARTICLE,),
    advice=("Wipe the chamfer.",),
    connector={"label": "P12-A", "stage": "as-received", "ferrule_mm": 2.5, "lot": "L1"},
    shape_um=None,
    model=ModelRecord("test", "0" * 64),
    settings={"rose_k": 5.0},
    cautions=("Look out.",),
    notes=(),
    code_version="0.0",
    created_at="2026-01-02T03:04:05Z",
)


def invented(label: str, minute: int = 0, verdict: str = "clean-first", **stated) -> Inspection:
    """An inspection of an invented connector."""
    dirty = verdict in ("clean-first", "retire")
    return replace(
        DIRTY,
        verdict=verdict,
        reasons=DIRTY.reasons if dirty else (ReasonRecord("Nothing.", "nothing-found"),),
        deposits=DIRTY.deposits if dirty else (),
        connector={**DIRTY.connector, "label": label, **stated},
        created_at=f"2026-01-02T{3 + minute // 60:02}:{minute % 60:02}:05Z",
    )


@pytest.fixture(scope="session")
def make_inspection() -> Callable[..., Inspection]:
    return invented


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch) -> str:
    """Where empty records may be made."""
    monkeypatch.setenv("FIBERWARD_PICTURES", str(tmp_path / "pictures"))
    if request.param == "sqlite":
        return str(tmp_path / "records.db")
    server = request.getfixturevalue("postgresql_server")
    return server(f"t{abs(hash(request.node.nodeid)):x}")


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[Callable[[str], str]]:
    """Makes an empty database on a server that lives as long as the tests; gives its URL."""
    programs = _programs()
    if programs is None:
        pytest.skip("no PostgreSQL server programs here; on Debian: apt-get install postgresql")
    folder = Path(tempfile.mkdtemp(prefix="fiberward-pg-", dir="/tmp"))
    # the server refuses to run as root
    user = "nobody" if os.geteuid() == 0 else None
    if user is not None:
        os.chown(folder, pwd.getpwnam(user).pw_uid, -1)

    def run(program: str, *arguments: str) -> None:
        command = [str(programs / program), *arguments]
        subprocess.run(command, user=user, cwd=folder, check=True, stdout=subprocess.DEVNULL)

    data = str(folder / "data")
    run("initdb", "-D", data, "-A", "trust", "-U", "shop", "-N", "--no-instructions", "-E", "UTF8")
    options = f"-k {folder} -c listen_addresses='' -c max_connections=30"
    run("pg_ctl", "-D", data, "-w", "-l", str(folder / "log"), "-o", options, "start")

    def fresh(name: str) -> str:
        run("createdb", "-h", str(folder), "-U", "shop", name)
        return f"postgresql+psycopg://shop@/{name}?host={folder}"

    yield fresh
    run("pg_ctl", "-D", data, "-m", "immediate", "stop")
    shutil.rmtree(folder, ignore_errors=True)


def _programs() -> Path | None:
    """The folder of the newest server's programs."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    path = shutil.which("initdb")
    return found[-1].parent if found else Path(path).resolve().parent if path else None

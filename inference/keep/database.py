"""Opening the records' database: SQLite by default, PostgreSQL by URL; its schema kept current.

SQLite runs with a write-ahead log, foreign keys, and every writing transaction taking its lock at
the start (a lock taken later would not wait for another's); a commit is on the disk before it is
acknowledged (synchronous FULL: NORMAL may lose the last commits in a power cut). The write-ahead
log needs a local disk: several machines share records through PostgreSQL.
"""

import os
import sqlite3
import time
from collections.abc import Generator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError

from ...model.errors import RecordsError, UsageError
from .own_folder import own_folder

__all__ = [
    "HEAD",
    "Place",
    "connect",
    "plain_errors",
    "reading",
    "upgrade",
    "writing",
]

HEAD = "0002"
MIGRATIONS = Path(__file__).parent / "migrations"
WAIT_S = 20.0  # how long a writer waits for another
_LOCK = 0x66696265  # our own key among PostgreSQL's advisory locks


@dataclass(frozen=True)
class Place:
    """Where records are kept: the database, and the folder of the pictures."""

    url: URL
    pictures: Path

    @classmethod
    def stated(cls, where: str | None = None) -> "Place":
        """The place named by `where`, by FIBERWARD_DB, or the user's own: a URL or a file.

        Pictures lie in the folder FIBERWARD_PICTURES, else beside the SQLite file, else in the
        user's own folder. Raises UsageError for a URL of another database.
        """
        stated = where or os.environ.get("FIBERWARD_DB") or str(own_folder() / "records.db")
        folder = os.environ.get("FIBERWARD_PICTURES")
        if "://" not in stated:
            file = Path(stated).expanduser().absolute()
            if file.is_dir():
                file /= "records.db"
            url = URL.create("sqlite+pysqlite", database=str(file))
            return cls(url, Path(folder) if folder else file.parent / "pictures")
        try:
            url = make_url(stated)
        except ArgumentError as error:
            raise UsageError(f"FIBERWARD_DB or --db: {stated!r} is no database URL") from error
        if url.drivername.partition("+")[0] in ("postgresql", "postgres"):
            url = url.set(drivername="postgresql+psycopg")
            return cls(url, Path(folder) if folder else own_folder() / "pictures")
        raise UsageError(
            f"records cannot be kept in {url.drivername}: give a file, "
            "or postgresql+psycopg://USER@HOST/NAME"
        )

    @property
    def file(self) -> Path | None:
        """The SQLite file; None with a server."""
        return Path(self.url.database or "") if self.url.drivername.startswith("sqlite") else None

    @property
    def name(self) -> str:
        """The file's or the database's name alone, for what leaves the house."""
        return self.file.name if self.file is not None else self.url.database or ""

    def __str__(self) -> str:
        return str(self.file or self.url.render_as_string(hide_password=True))


def connect(place: Place, wait_s: float = WAIT_S) -> Engine:
    """An engine for the place; the SQLite file's folder is made. Nothing is read yet."""
    if place.file is None:
        try:
            options = {"connect_timeout": max(2, round(wait_s))}
            return create_engine(place.url, connect_args=options, pool_pre_ping=True)
        except (ModuleNotFoundError, NoSuchModuleError) as error:
            raise RecordsError(
                "records on PostgreSQL need the package psycopg: "
                "run pip install '.[postgres]' in Fiberward's folder"
            ) from error
    try:
        place.file.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordsError(f"{place}: its folder cannot be made ({error.strerror})") from error
    engine = create_engine(place.url, connect_args={"timeout": wait_s})

    @event.listens_for(engine, "connect")
    def prepare(raw: sqlite3.Connection, _: object) -> None:  # pyright: ignore[reportUnusedFunction]
        raw.isolation_level = None  # transactions begin below, not by the driver's guess
        raw.execute("PRAGMA foreign_keys=ON")
        _log_ahead(raw, wait_s)
        raw.execute("PRAGMA synchronous=FULL")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:  # pyright: ignore[reportUnusedFunction]
        write = connection.get_execution_options().get("write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    return engine


def _log_ahead(raw: sqlite3.Connection, wait_s: float) -> None:
    """Turn the write-ahead log on; SQLite itself does not wait where two programs do so at once."""
    until = time.monotonic() + wait_s
    while True:
        try:
            raw.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() >= until:
                raise
            time.sleep(0.02)


@contextmanager
def writing(engine: Engine) -> Generator[Connection]:
    """One writing transaction, alone among all writers; committed at the end of the block."""
    with engine.connect().execution_options(write=True) as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            connection.execute(text(f"SET LOCAL lock_timeout = '{WAIT_S:g}s'"))
            connection.execute(text(f"SELECT pg_advisory_xact_lock({_LOCK})"))
        yield connection


@contextmanager
def reading(engine: Engine) -> Generator[Connection]:
    """One reading transaction: all its questions see the records as they were at the first."""
    server = engine.dialect.name == "postgresql"
    options = {"isolation_level": "REPEATABLE READ"} if server else {}
    with engine.connect().execution_options(**options) as connection:
        yield connection


@contextmanager
def plain_errors(place: Place) -> Generator[None]:
    """Turn what the database refuses into one line that says what to do."""
    try:
        yield
    except DBAPIError as error:
        said = " ".join(str(error.orig).split())
        raise RecordsError(f"records {place}: {_remedy(said)} ({said})") from error
    except OverflowError as error:
        raise RecordsError(f"records {place}: a number is too large to be kept") from error


def _remedy(said: str) -> str:
    """What a database's own words mean to the person."""
    words = said.casefold()
    for sign, remedy in _REMEDIES.items():
        if sign in words:
            return remedy
    return "the database refused"


_REMEDIES = {
    "locked": f"another program is writing and did not finish in {WAIT_S:g} s; try again",
    "lock timeout": f"another program is writing and did not finish in {WAIT_S:g} s; try again",
    "disk is full": "the disk is full and nothing was recorded; make room and try again",
    "no space left": "the disk is full and nothing was recorded; make room and try again",
    "readonly": "may only be read here; get the right to write, or name another with --db",
    "read-only": "may only be read here; get the right to write, or name another with --db",
    "unable to open": "cannot be opened; is the folder there, and may you write in it?",
    "not a database": "this file is no records database; name another with --db",
    "malformed": "the file is damaged; restore a copy, then run fiberward records verify",
    "connection": "the server cannot be reached; is it running, and is the URL right?",
    "only ever added to": "records are never changed once written",
}


def upgrade(engine: Engine, place: Place) -> str | None:
    """Bring the tables to this program's schema; says what was done, None if nothing.

    An older SQLite file is copied first. Raises RecordsError for a schema newer than the program
    and for a database of something else.
    """
    with plain_errors(place):
        with engine.connect() as connection:
            if _revision(connection, place) == HEAD:
                return None
        with writing(engine) as connection:
            found = _revision(connection, place)  # another program may have been faster
            if found == HEAD:
                return None
            copy = None
            if found is not None and place.file is not None:
                copy = _copied(place.file, found)
            _migrate(connection)
    if found is None:
        return None
    kept = f"; the file as it was is {copy}" if copy is not None else ""
    return f"records {place}: brought from schema {found} to {HEAD}{kept}"


def _revision(connection: Connection, place: Place) -> str | None:
    """The schema's revision; None for an empty database."""
    names = inspect(connection).get_table_names()
    if "alembic_version" not in names:
        if names:
            raise RecordsError(
                f"records {place}: holds tables of something else; name another with --db"
            )
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    if found is not None and found not in _known():
        raise RecordsError(
            f"records {place}: written by a newer Fiberward (schema {found}; this one knows up to "
            f"{HEAD}); update the program"
        )
    return found


def _known() -> list[str]:
    """The revisions of this program, from the names of its steps."""
    return [path.stem.removeprefix("step_") for path in MIGRATIONS.glob("versions/step_*.py")]


def _migrate(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def _copied(file: Path, revision: str) -> Path:
    """A whole copy of an SQLite file, what lies in its log included, beside it."""
    copy = file.with_name(f"{file.name}.schema-{revision}")
    with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
    return copy

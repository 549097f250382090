"""Where the store is, how it is opened, and its errors in a technician's words."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import platformdirs
from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.orm.exc import StaleDataError

from hotspot.errors import StoreError

# A second bench that writes at the same moment waits this long; a job's entries take milliseconds.
_BUSY_S = 15


def default_url() -> str:
    """Return the store's address: HOTSPOT_STORE, or a file in the user's data folder."""
    named = os.environ.get("HOTSPOT_STORE", "").strip()
    if named:
        return named
    return str(Path(platformdirs.user_data_dir("hotspot", appauthor=False)) / "jobs.db")


def parse_url(url: str) -> URL:
    """Return the address as SQLAlchemy reads it; a plain path means an SQLite file.

    Raises
    ------
    hotspot.errors.StoreError
        If it is no address of a database this program knows.
    """
    try:
        # A plain path may hold any sign; an address gives some of them a meaning.
        parsed = (
            make_url(url)
            if "://" in url
            else URL.create("sqlite", database=str(Path(url).expanduser()))
        )
    except (ArgumentError, ValueError, RuntimeError) as err:  # RuntimeError: ~nobody
        raise StoreError(
            "not an address of a job store", where=url, cure="Use sqlite:///FILE or postgresql://…"
        ) from err
    if parsed.get_backend_name() == "postgresql":
        return parsed.set(drivername="postgresql+psycopg")
    if (
        parsed.get_backend_name() != "sqlite"
        or not parsed.database
        or parsed.database == ":memory:"
    ):
        raise StoreError(
            "the job store must be a file or a PostgreSQL database",
            where=url,
            cure="Use sqlite:///FILE or postgresql://USER@HOST/NAME",
        )
    return parsed


def shown_url(url: URL) -> str:
    """Return the address without its password."""
    return url.render_as_string(hide_password=True)


def open_engine(url: URL) -> Engine:
    """Return an engine whose write transactions take the write lock at once."""
    try:
        if url.get_backend_name() == "postgresql":
            return create_engine(url, pool_pre_ping=True)
        Path(str(url.database)).expanduser().parent.mkdir(parents=True, exist_ok=True)
        engine = create_engine(url, connect_args={"timeout": _BUSY_S})
    except NoSuchModuleError as err:
        raise StoreError("unknown kind of database", where=shown_url(url)) from err
    except ModuleNotFoundError as err:
        raise StoreError(
            "the PostgreSQL driver is not installed",
            where=shown_url(url),
            cure='Install it: pip install "hotspot-bench[postgres]"',
        ) from err
    except OSError as err:
        raise StoreError(
            f"cannot make the folder: {err.strerror}", where=str(url.database)
        ) from err
    _prepare_sqlite(engine)
    return engine


def _prepare_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _connect(connection: Any, _: Any) -> None:
        connection.isolation_level = None  # transactions are begun below, not by the driver
        cursor = connection.cursor()
        cursor.execute("PRAGMA foreign_keys=ON")
        cursor.execute("PRAGMA journal_mode=WAL")
        # FULL: what was acknowledged survives a power cut as well, not only a killed program.
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Any) -> None:
        # IMMEDIATE: two benches queue here instead of one failing at its first write.
        write = connection.get_execution_options().get("hotspot_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


@contextmanager
def told_plainly(url: URL) -> Iterator[None]:
    """Turn what the database says into a `StoreError` of one line."""
    where = shown_url(url)
    try:
        yield
    except StaleDataError as err:
        raise StoreError(
            "the job was changed by another bench meanwhile",
            where=where,
            cure="Look at it again and repeat the change",
        ) from err
    except DBAPIError as err:
        text = str(err.orig).strip().splitlines()[0] if err.orig else str(err)
        lower = text.lower()
        cure = "Check the address, the server and the disk, then try again; nothing was changed"
        if "not a database" in lower or "malformed" in lower:
            cure = "The file is damaged or is no job store: restore a backup"
        elif "locked" in lower:
            cure = "Another bench is writing: try again"
        elif "readonly" in lower or "read-only" in lower:
            cure = "The file or its folder cannot be written: check its permissions"
        raise StoreError(text, where=where, cure=cure) from err
    except UnicodeDecodeError as err:  # SQLite quotes the damaged bytes
        cure = "The file is damaged or is no job store: restore a backup"
        raise StoreError("is damaged", where=where, cure=cure) from err
    except SQLAlchemyError as err:
        raise StoreError(str(err).splitlines()[0], where=where) from err


def is_passing(error: BaseException) -> bool:
    """Return whether PostgreSQL asks to repeat the transaction (deadlock, serialisation)."""
    state = getattr(getattr(error, "orig", None), "sqlstate", None)
    return state in ("40P01", "40001")

"""The whole store as one zip that general tools open, and back.

``tables/NAME.jsonl`` (one row a line), ``files/SHA256`` and ``SHA256SUMS`` in the form that
``sha256sum -c`` reads. A backup of one kind of database can be restored into the other.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Column, Connection, Table, func, insert, select, text

from hotspot.errors import StoreError
from hotspot.store.engine import told_plainly
from hotspot.store.jobs import JobStore
from hotspot.store.migrate import HEAD
from hotspot.store.tables import Base, SettingRow, Utc

FORMAT = 1
SUMS = "SHA256SUMS"
_ROWS_AT_ONCE = 1000
# Tables pack 10 to 30 times, an empty scene 100 times at most; Deflate itself ends at 1032 times.
_MOST_RATIO = 200
_SMALL_BYTES = 64 << 20
_MOST_LINE_BYTES = 64 << 20
# Whatever the kind of damage, the zip reader answers with one of these.
ZIP_DAMAGE = (OSError, zipfile.BadZipFile, zlib.error, struct.error, EOFError, KeyError, ValueError,
              TypeError, AttributeError, IndexError, RuntimeError, ArithmeticError,
              NotImplementedError, RecursionError, MemoryError)  # fmt: skip
# A fixed time in the zip: the same content gives the same bytes.
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)


class ZipWithSums:
    """A zip written beside its name and put in place only when complete, with SHA256SUMS."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._partial = path.with_name(path.name + ".part")
        self._sums: list[str] = []

    def __enter__(self) -> ZipWithSums:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        self._zip = zipfile.ZipFile(self._partial, "w", zipfile.ZIP_DEFLATED)
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            sums = "".join(f"{line}\n" for line in sorted(self._sums, key=lambda x: x[66:]))
            self._zip.writestr(_info(SUMS), sums)
        self._zip.close()
        if kind is None:
            with self._partial.open("rb+") as done:  # on disk before it takes the name
                os.fsync(done.fileno())
            self._partial.replace(self._path)
        else:
            self._partial.unlink(missing_ok=True)

    def write(self, name: str, pieces: Iterator[bytes] | bytes) -> None:
        """Add one file."""
        digest = hashlib.sha256()
        with self._zip.open(_info(name), "w", force_zip64=True) as out:
            for piece in (pieces,) if isinstance(pieces, bytes) else pieces:
                digest.update(piece)
                out.write(piece)
        self._sums.append(f"{digest.hexdigest()}  {name}")


def _info(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, _ZIP_TIME)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    return info


def backup(
    store: JobStore, path: Path, *, progress: Callable[[int, int], None] | None = None
) -> None:
    """Write the whole store to a zip; nothing is left behind when it fails.

    Raises
    ------
    hotspot.errors.StoreError
        If a file of the store is missing or altered, or the zip cannot be written.
    """
    try:
        with ZipWithSums(path) as out, told_plainly(store.engine.url):
            # One snapshot of all tables, whatever the benches write meanwhile.
            level = "REPEATABLE READ" if store.engine.dialect.name == "postgresql" else None
            engine = store.engine.execution_options(**({"isolation_level": level} if level else {}))
            with engine.begin() as connection:
                head = {"format": FORMAT, "tables": HEAD}
                out.write("backup.json", json.dumps(head).encode() + b"\n")
                for table in Base.metadata.sorted_tables:
                    out.write(f"tables/{table.name}.jsonl", _lines(connection, table))
                attachments = Base.metadata.tables["attachments"]
                query = select(attachments.c.sha256).distinct().order_by(attachments.c.sha256)
                digests = [str(d) for d in connection.scalars(query)]
            for n, digest in enumerate(digests, 1):
                out.write(f"files/{digest}", store.blobs.pieces(digest))
                if progress:
                    progress(n, len(digests))
    except OSError as err:
        raise StoreError(f"cannot be written: {err.strerror}", where=str(path)) from err


def _lines(connection: Connection, table: Table) -> Iterator[bytes]:
    keys = list(table.primary_key.columns)
    for row in connection.execution_options(yield_per=_ROWS_AT_ONCE).execute(
        select(table).order_by(*keys)
    ):
        plain = {
            k: v.isoformat() if isinstance(v, datetime) else v for k, v in row._mapping.items()
        }
        yield json.dumps(plain, ensure_ascii=False, allow_nan=False).encode() + b"\n"


def restore(
    store: JobStore, path: Path, *, progress: Callable[[int, int], None] | None = None
) -> int:
    """Fill an empty store from a backup and return the number of jobs; all or nothing.

    Raises
    ------
    hotspot.errors.StoreError
        If the store is not empty, or the backup is damaged, altered or of another version.
    """
    if store.count_jobs():
        raise StoreError(
            "the store is not empty", where=store.where, cure="Restore into a new one: --store FILE"
        )
    try:
        with zipfile.ZipFile(path) as archive:
            check_size(archive, path)
            names = _checked(archive, path)
            files = [n for n in names if n.startswith("files/")]
            for n, name in enumerate(files, 1):
                _keep(store, archive, name)
                if progress:
                    progress(n, len(files))
            with told_plainly(store.engine.url), store.writing.begin() as connection:
                for table in Base.metadata.sorted_tables:
                    _fill(connection, table, archive)
    except ZIP_DAMAGE as err:
        raise StoreError(f"cannot be restored: {str(err)[:200]}", where=str(path)) from err
    return store.count_jobs()


def _checked(archive: zipfile.ZipFile, path: Path) -> list[str]:
    """Return the names in a backup whose every file matches its hash."""
    head = json.loads(archive.read("backup.json"))
    if head.get("format") != FORMAT or head.get("tables") != HEAD:
        raise StoreError(
            f"backup of tables {head.get('tables')}, this program has {HEAD}",
            where=str(path),
            cure="Restore it with the version that wrote it, then update",
        )
    sums = check_sums(archive)
    if sums:
        raise StoreError(f"damaged: {sums[0]}", where=str(path), cure="Use another backup")
    return [n for n in archive.namelist() if n != SUMS]


def check_size(archive: zipfile.ZipFile, path: Path) -> None:
    """Refuse a zip that claims to hold far more than it can: a few kilobytes can fill any disk.

    Raises
    ------
    hotspot.errors.StoreError
        Naming the cure.
    """
    stored = path.stat().st_size
    claimed = sum(info.file_size for info in archive.infolist())
    notes = [i for i in archive.infolist() if i.filename in (SUMS, "backup.json")]
    if claimed > _MOST_RATIO * stored + _SMALL_BYTES or any(
        i.file_size > _SMALL_BYTES for i in notes
    ):
        raise StoreError(
            f"claims to hold {claimed / 1e6:.0f} MB in {stored / 1e6:.1f} MB",
            where=str(path),
            cure="Use another copy: this is no zip of jobs",
        )


def check_sums(archive: zipfile.ZipFile) -> tuple[str, ...]:
    """Return what does not match the zip's SHA256SUMS, one line each."""
    listed = {line[66:]: line[:64] for line in archive.read(SUMS).decode().splitlines()}
    problems = [f"{name} is missing" for name in listed if name not in archive.namelist()]
    for name in archive.namelist():
        if name == SUMS:
            continue
        with archive.open(name) as stream:
            digest = hashlib.sha256()
            while piece := stream.read(1 << 20):
                digest.update(piece)
        if name not in listed:
            problems.append(f"{name} is not in {SUMS}")
        elif digest.hexdigest() != listed[name]:
            problems.append(f"{name} has been altered")
    return tuple(problems)


def _keep(store: JobStore, archive: zipfile.ZipFile, name: str) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "file"
        with archive.open(name) as source, target.open("wb") as out:
            while piece := source.read(1 << 20):
                out.write(piece)
        digest, _ = store.blobs.put(target)
        if f"files/{digest}" != name:
            raise StoreError(f"{name} does not match its name", where=store.where)


def _fill(connection: Connection, table: Table, archive: zipfile.ZipFile) -> None:
    with archive.open(f"tables/{table.name}.jsonl") as stream:
        rows: list[dict[str, Any]] = []
        while line := stream.readline(_MOST_LINE_BYTES):
            row = json.loads(line)
            rows.append({c.name: _value(c, row[c.name]) for c in table.columns})
            if len(rows) == _ROWS_AT_ONCE:
                connection.execute(insert(table), _without_own_settings(table, rows))
                rows = []
        rows = _without_own_settings(table, rows)
        if rows:
            connection.execute(insert(table), rows)
    if connection.dialect.name == "postgresql" and "id" in table.columns:
        # Rows came with their numbers: the next number must lie behind them.
        top = connection.scalar(select(func.max(table.c.id)))
        if top is not None:
            connection.execute(
                text("SELECT setval(pg_get_serial_sequence(:t, 'id'), :n)"),
                {"t": table.name, "n": top},
            )


def _without_own_settings(table: Table, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    # Where the files are is this store's own matter, not the backed-up one's.
    return [] if table.name == SettingRow.__tablename__ else rows


def _value(column: Column[Any], value: Any) -> Any:
    return (
        datetime.fromisoformat(value)
        if value is not None and isinstance(column.type, Utc)
        else value
    )

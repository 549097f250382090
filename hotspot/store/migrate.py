"""Bring a store to the tables of this version."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from hotspot.errors import StoreError

# The newest file in migrations/versions; a test holds them together. Kept as a constant so that
# opening an up-to-date store does not have to load the migration tool.
HEAD = "0001"
_FOLDER = Path(__file__).parent / "migrations"
# Any fixed number: PostgreSQL benches that open a new store at once queue on it.
_LOCK = 7_170_245


def current_revision(connection: Connection) -> str | None:
    """Return the revision of the store, None for an empty one."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    row = connection.execute(text("SELECT version_num FROM alembic_version")).first()
    return None if row is None else str(row[0])


def bring_up_to_date(engine: Engine, *, where: str) -> None:
    """Run the migrations that are missing, all in one transaction.

    Raises
    ------
    hotspot.errors.StoreError
        If the store was written by a newer version, or holds tables of something else.
    """
    with engine.connect() as connection:
        if current_revision(connection) == HEAD:
            return
    with engine.execution_options(hotspot_write=True).begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:n)"), {"n": _LOCK})
        found = current_revision(connection)
        if found == HEAD:  # another bench was faster
            return
        if found is None and inspect(connection).has_table("jobs"):
            raise StoreError(
                "holds tables of another program", where=where, cure="Name another database"
            )
        _upgrade(connection, found, where)


def _upgrade(connection: Connection, found: str | None, where: str) -> None:
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(_FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    known = {s.revision for s in ScriptDirectory.from_config(config).walk_revisions()}
    if found is not None and found not in known:
        raise StoreError(
            f"the job store is of a newer version ({found})", where=where, cure="Update hotspot"
        )
    command.upgrade(config, "head")

from pathlib import Path

from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect

from hotspot.store import migrate
from hotspot.store.engine import open_engine, parse_url
from hotspot.store.tables import Base


def config(connection=None) -> Config:
    made = Config()
    made.set_main_option("script_location", str(Path(migrate.__file__).parent / "migrations"))
    made.attributes["connection"] = connection
    return made


def test_head_is_the_newest_migration() -> None:
    assert ScriptDirectory.from_config(config()).get_current_head() == migrate.HEAD


def test_migrations_make_exactly_the_tables(store) -> None:
    with store.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_up_and_down_and_up_again(url) -> None:
    engine = open_engine(parse_url(url))
    for direction in ("up", "down", "up"):
        with engine.execution_options(hotspot_write=True).begin() as connection:
            if direction == "up":
                command.upgrade(config(connection), "head")
            else:
                command.downgrade(config(connection), "base")
            left = set(inspect(connection).get_table_names()) - {"alembic_version"}
            assert bool(left) == (direction == "up")
    engine.dispose()

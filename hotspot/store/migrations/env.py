"""Run by the migration tool; the connection is handed over by `hotspot.store.migrate`."""

from typing import Any, Literal

from alembic import context

from hotspot.store.tables import Base, Utc


def _as_plain_type(kind: str, item: Any, _: Any) -> str | Literal[False]:
    """Write plain column types: a migration must not depend on today's code."""
    return "sa.DateTime(timezone=True)" if kind == "type" and isinstance(item, Utc) else False


context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,  # SQLite cannot alter most things in place
    compare_type=True,
    render_item=_as_plain_type,
)
with context.begin_transaction():
    context.run_migrations()

"""Alembic environment: always runs on a connection handed over by alerts.store.session."""

from typing import Any, Literal

from alembic import context
from alembic.autogenerate.api import AutogenContext
from sqlalchemy.types import TypeDecorator
from sqlmodel import SQLModel

from alerts.store import tables  # noqa: F401  (registers the tables)


def _render_item(kind: str, obj: Any, autogen_context: AutogenContext) -> str | Literal[False]:
    """Write our column types as what the database really holds."""
    if kind == "type" and isinstance(obj, TypeDecorator) and type(obj).__module__ != "sqlalchemy":
        return f"sa.{obj.impl!r}"
    return False


def run() -> None:
    connection = context.config.attributes["connection"]
    context.configure(
        connection=connection,
        target_metadata=SQLModel.metadata,
        render_as_batch=connection.dialect.name == "sqlite",
        render_item=_render_item,
        compare_type=True,
    )
    with context.begin_transaction():
        context.run_migrations()


run()

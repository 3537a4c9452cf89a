"""Alembic's entry: on the connection that :func:`api.migrations.migrate` hands in."""

from alembic import context

from api.tables import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,  # SQLite changes a table by copying it
    transaction_per_migration=False,
)
context.run_migrations()

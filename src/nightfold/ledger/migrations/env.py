"""Runs the migrations on the connection that the ledger hands over."""

from alembic import context

from nightfold.ledger.schema import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, transaction_per_migration=True, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()

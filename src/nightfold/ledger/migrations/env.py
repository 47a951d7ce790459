"""Runs the migrations on the connection that the ledger hands over, inside its transaction."""

from alembic import context

from nightfold.ledger.schema import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, transactional_ddl=True)
context.run_migrations()

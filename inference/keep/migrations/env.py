"""Run by Alembic, on the connection and within the transaction of whoever calls it."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
context.run_migrations()

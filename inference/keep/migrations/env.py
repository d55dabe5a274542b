"""Run by Alembic, on the connection and within the transaction of whoever calls it."""

from alembic import context

if hasattr(context, "config"):  # set while Alembic runs this file; a plain import does nothing
    context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
    context.run_migrations()

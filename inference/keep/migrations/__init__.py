"""How the records' tables came to be what they are, step by step (Alembic)."""

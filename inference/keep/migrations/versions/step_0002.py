"""What studies count, beside each inspection and each fate: counted once, not at every study."""

from alembic import op
from sqlalchemy import Boolean, Column, Integer

revision = "0002"
down_revision = "0001"

COUNT = "SELECT count(*) FROM deposits d WHERE d.inspection_id = inspections.id AND NOT d.unsure"
SIDE = (
    "SELECT 1 FROM comparisons c JOIN deposits d ON d.inspection_id = c.{side}_id "
    "WHERE c.id = fates.comparison_id AND d.number = fates.{side}_number AND NOT d.unsure"
)


def upgrade() -> None:
    """Add the columns and fill them from the deposits, which are never changed."""
    op.add_column("inspections", Column("residues", Integer))
    op.add_column("inspections", Column("in_zone", Integer))
    op.add_column("fates", Column("sure", Boolean))
    _fill(
        "inspections",
        f"residues = ({COUNT} AND d.kind = 'residue'), in_zone = ({COUNT} AND NOT d.off_zone)",
    )
    sides = " OR ".join(f"EXISTS ({SIDE.format(side=side)})" for side in ("before", "after"))
    _fill("fates", f"sure = ({sides})")


def _fill(table: str, values: str) -> None:
    """Set columns that are new, with the trigger that forbids changes out of the way."""
    if op.get_bind().dialect.name == "sqlite":
        name = f"{table}_no_update"
        op.execute(f"DROP TRIGGER {name}")
        op.execute(f"UPDATE {table} SET {values}")
        op.execute(
            f"CREATE TRIGGER {name} BEFORE UPDATE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} is only ever added to'); END"
        )
        return
    op.execute(f"ALTER TABLE {table} DISABLE TRIGGER {table}_no_change")
    op.execute(f"UPDATE {table} SET {values}")
    op.execute(f"ALTER TABLE {table} ENABLE TRIGGER {table}_no_change")

"""The first tables: connectors, inspections and their parts, overrules, comparisons, audit."""

from alembic import op
from sqlalchemy import (
    Boolean,
    Column,
    Float,
    ForeignKeyConstraint,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    String,
    Text,
    UniqueConstraint,
)

revision = "0001"
down_revision = None

APPEND_ONLY = (
    "inspections",
    "documents",
    "views",
    "deposits",
    "attachments",
    "overrules",
    "comparisons",
    "fates",
    "audit",
)


def upgrade() -> None:
    """Make the tables and forbid changing what was recorded."""
    _connectors_and_pictures()
    _inspections()
    _parts()
    _people()
    _comparisons()
    for table in APPEND_ONLY:
        _forbid_changes(table)


def _connectors_and_pictures() -> None:
    op.create_table(
        "connectors",
        Column("id", Integer, nullable=False),
        Column("label", String, nullable=False),
        Column("end_name", String, nullable=False),
        Column("family", String),
        Column("ferrule_mm", Float),
        Column("finish", String),
        Column("fiber_mode", String),
        Column("lot", String),
        Column("recorded_at", String, nullable=False),
        PrimaryKeyConstraint("id", name="pk_connectors"),
        UniqueConstraint("label", "end_name", name="uq_connectors_label"),
    )
    op.create_index("ix_connectors_lot", "connectors", ["lot"])
    op.create_table(
        "pictures",
        Column("sha256", String(64), nullable=False),
        Column("suffix", String, nullable=False),
        Column("size_bytes", Integer, nullable=False),
        Column("recorded_at", String, nullable=False),
        PrimaryKeyConstraint("sha256", name="pk_pictures"),
    )


def _inspections() -> None:
    op.create_table(
        "inspections",
        Column("id", Integer, nullable=False),
        Column("uid", String(64), nullable=False),
        Column("connector_id", Integer, nullable=False),
        Column("created_at", String, nullable=False),
        Column("recorded_at", String, nullable=False),
        Column("stage", String),
        Column("method", String),
        Column("attempt", Integer),
        Column("cleanings_failed", Integer),
        Column("matings_so_far", Integer),
        Column("operator", String),
        Column("verdict", String, nullable=False),
        Column("deposits", Integer, nullable=False),
        Column("stops", Integer, nullable=False),
        Column("unsure", Integer, nullable=False),
        Column("detection_limit_um", Float),
        Column("model_id", String, nullable=False),
        Column("model_sha256", String(64), nullable=False),
        Column("code_version", String, nullable=False),
        PrimaryKeyConstraint("id", name="pk_inspections"),
        UniqueConstraint("uid", name="uq_inspections_uid"),
        _reference("inspections", "connector_id", "connectors.id"),
    )
    op.create_index("ix_inspections_connector_id", "inspections", ["connector_id"])
    op.create_index("ix_inspections_created_at", "inspections", ["created_at"])
    op.create_index(
        "ix_inspections_connector_created", "inspections", ["connector_id", "created_at"]
    )


def _parts() -> None:
    op.create_table(
        "documents",
        Column("inspection_id", Integer, nullable=False),
        Column("json_zlib", LargeBinary, nullable=False),
        PrimaryKeyConstraint("inspection_id", name="pk_documents"),
        _reference("documents", "inspection_id", "inspections.id"),
    )
    op.create_table(
        "views",
        Column("inspection_id", Integer, nullable=False),
        Column("number", Integer, nullable=False),
        Column("picture", String, nullable=False),
        Column("sha256", String(64)),
        Column("readable", Boolean, nullable=False),
        Column("um_per_px", Float),
        Column("tilt_deg", Float),
        Column("turn_deg", Float),
        Column("detection_limit_um", Float),
        PrimaryKeyConstraint("inspection_id", "number", name="pk_views"),
        _reference("views", "inspection_id", "inspections.id"),
    )
    op.create_index("ix_views_sha256", "views", ["sha256"])
    op.create_table(
        "deposits",
        Column("inspection_id", Integer, nullable=False),
        Column("number", Integer, nullable=False),
        Column("kind", String, nullable=False),
        Column("surface", String, nullable=False),
        Column("s_um", Float),
        Column("theta_deg", Float),
        Column("size_um", Float),
        Column("area_um2", Float),
        Column("feret_max_um", Float),
        Column("width_um", Float),
        Column("length_um", Float),
        Column("off_zone", Boolean, nullable=False),
        Column("unsure", Boolean, nullable=False),
        Column("stops", Boolean, nullable=False),
        PrimaryKeyConstraint("inspection_id", "number", name="pk_deposits"),
        _reference("deposits", "inspection_id", "inspections.id"),
    )
    op.create_table(
        "attachments",
        Column("inspection_id", Integer, nullable=False),
        Column("role", String, nullable=False),
        Column("name", String, nullable=False),
        Column("sha256", String(64), nullable=False),
        PrimaryKeyConstraint("inspection_id", "role", "name", name="pk_attachments"),
        _reference("attachments", "inspection_id", "inspections.id"),
        _reference("attachments", "sha256", "pictures.sha256"),
    )


def _people() -> None:
    op.create_table(
        "overrules",
        Column("id", Integer, nullable=False),
        Column("inspection_id", Integer, nullable=False),
        Column("verdict", String, nullable=False),
        Column("by_name", String, nullable=False),
        Column("reason", Text, nullable=False),
        Column("recorded_at", String, nullable=False),
        PrimaryKeyConstraint("id", name="pk_overrules"),
        _reference("overrules", "inspection_id", "inspections.id"),
    )
    op.create_index("ix_overrules_inspection_id", "overrules", ["inspection_id"])
    op.create_table(
        "audit",
        Column("seq", Integer, nullable=False, autoincrement=False),
        Column("at", String, nullable=False),
        Column("who", String, nullable=False),
        Column("action", String, nullable=False),
        Column("subject", String, nullable=False),
        Column("detail", Text, nullable=False),
        Column("previous_hash", String(64), nullable=False),
        Column("hash", String(64), nullable=False),
        PrimaryKeyConstraint("seq", name="pk_audit"),
    )


def _comparisons() -> None:
    op.create_table(
        "comparisons",
        Column("id", Integer, nullable=False),
        Column("before_id", Integer, nullable=False),
        Column("after_id", Integer, nullable=False),
        Column("match", String, nullable=False),
        Column("match_quality", Float),
        Column("refused", Boolean, nullable=False),
        Column("recorded_at", String, nullable=False),
        Column("json_zlib", LargeBinary, nullable=False),
        PrimaryKeyConstraint("id", name="pk_comparisons"),
        UniqueConstraint("before_id", "after_id", name="uq_comparisons_before_id"),
        _reference("comparisons", "before_id", "inspections.id"),
        _reference("comparisons", "after_id", "inspections.id"),
    )
    op.create_index("ix_comparisons_before_id", "comparisons", ["before_id"])
    op.create_index("ix_comparisons_after_id", "comparisons", ["after_id"])
    op.create_table(
        "fates",
        Column("comparison_id", Integer, nullable=False),
        Column("number", Integer, nullable=False),
        Column("fate", String),
        Column("kind", String, nullable=False),
        Column("surface", String, nullable=False),
        Column("before_number", Integer),
        Column("after_number", Integer),
        Column("moved_um", Float),
        Column("fiberward_um", Float),
        PrimaryKeyConstraint("comparison_id", "number", name="pk_fates"),
        _reference("fates", "comparison_id", "comparisons.id"),
    )


def _reference(table: str, column: str, target: str) -> ForeignKeyConstraint:
    return ForeignKeyConstraint([column], [target], name=f"fk_{table}_{column}")


def _forbid_changes(table: str) -> None:
    """Triggers that refuse to change or delete a row, whoever asks."""
    if op.get_bind().dialect.name == "sqlite":
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is only ever added to'); END"
            )
        return
    op.execute(
        f"CREATE FUNCTION {table}_only_added_to() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{table} is only ever added to'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_only_added_to()"
    )

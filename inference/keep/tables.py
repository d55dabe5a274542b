"""The tables of the records, for SQLite and PostgreSQL alike.

Times are texts, UTC, RFC 3339 with Z, so that they sort. Missing is NULL, never 0; `end_name` alone
is '' where a connector has one end, for it is part of a key. Every table but `connectors` and
`pictures` is only ever added to: triggers refuse anything else (see the migrations).
"""

from sqlalchemy import (
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

__all__ = [
    "APPEND_ONLY",
    "METADATA",
    "attachments",
    "audit",
    "comparisons",
    "connectors",
    "deposits",
    "documents",
    "fates",
    "inspections",
    "overrules",
    "pictures",
    "views",
]

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

connectors = Table(
    "connectors",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("label", String, nullable=False),
    Column("end_name", String, nullable=False),
    Column("family", String),
    Column("ferrule_mm", Float),
    Column("finish", String),
    Column("fiber_mode", String),
    Column("lot", String, index=True),
    Column("recorded_at", String, nullable=False),
    UniqueConstraint("label", "end_name"),
)

# Which files the folder store holds: originals as inspected, and what was drawn from them.
pictures = Table(
    "pictures",
    METADATA,
    Column("sha256", String(64), primary_key=True),
    Column("suffix", String, nullable=False),
    Column("size_bytes", Integer, nullable=False),
    Column("recorded_at", String, nullable=False),
)

# `uid` is the SHA-256 of the document. `stops`: deposits that a reason of the verdict names;
# `residues`, `in_zone`: dried residues, and deposits not beyond the graded zones. Unsure ones count
# under `unsure` only.
inspections = Table(
    "inspections",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("uid", String(64), nullable=False, unique=True),
    Column("connector_id", Integer, ForeignKey("connectors.id"), nullable=False, index=True),
    Column("created_at", String, nullable=False, index=True),
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
    Column("residues", Integer),
    Column("in_zone", Integer),
    Column("detection_limit_um", Float),
    Column("model_id", String, nullable=False),
    Column("model_sha256", String(64), nullable=False),
    Column("code_version", String, nullable=False),
)

# The inspection's whole document, JSON in UTF-8, zlib-compressed: what `uid` is the hash of.
documents = Table(
    "documents",
    METADATA,
    Column("inspection_id", Integer, ForeignKey("inspections.id"), primary_key=True),
    Column("json_zlib", LargeBinary, nullable=False),
)

views = Table(
    "views",
    METADATA,
    Column("inspection_id", Integer, ForeignKey("inspections.id"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("picture", String, nullable=False),
    Column("sha256", String(64), index=True),
    Column("readable", Boolean, nullable=False),
    Column("um_per_px", Float),
    Column("tilt_deg", Float),
    Column("turn_deg", Float),
    Column("detection_limit_um", Float),
)

deposits = Table(
    "deposits",
    METADATA,
    Column("inspection_id", Integer, ForeignKey("inspections.id"), primary_key=True),
    Column("number", Integer, primary_key=True),
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
)

# `role`: picture (an original), travel-map or overlay; `name`: what the file was called, or for an
# overlay the stem of its view.
attachments = Table(
    "attachments",
    METADATA,
    Column("inspection_id", Integer, ForeignKey("inspections.id"), primary_key=True),
    Column("role", String, primary_key=True),
    Column("name", String, primary_key=True),
    Column("sha256", String(64), ForeignKey("pictures.sha256"), nullable=False),
)

overrules = Table(
    "overrules",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("inspection_id", Integer, ForeignKey("inspections.id"), nullable=False, index=True),
    Column("verdict", String, nullable=False),
    Column("by_name", String, nullable=False),
    Column("reason", Text, nullable=False),
    Column("recorded_at", String, nullable=False),
)

comparisons = Table(
    "comparisons",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("before_id", Integer, ForeignKey("inspections.id"), nullable=False, index=True),
    Column("after_id", Integer, ForeignKey("inspections.id"), nullable=False, index=True),
    Column("match", String, nullable=False),
    Column("match_quality", Float),
    Column("refused", Boolean, nullable=False),
    Column("recorded_at", String, nullable=False),
    Column("json_zlib", LargeBinary, nullable=False),
    UniqueConstraint("before_id", "after_id"),
)

# What became of each deposit, NULL where the other pictures do not show its place; `sure`: at least
# one side was sure of it. Only comparisons that were not refused have rows.
fates = Table(
    "fates",
    METADATA,
    Column("comparison_id", Integer, ForeignKey("comparisons.id"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("fate", String),
    Column("kind", String, nullable=False),
    Column("surface", String, nullable=False),
    Column("before_number", Integer),
    Column("after_number", Integer),
    Column("sure", Boolean),
    Column("moved_um", Float),
    Column("fiberward_um", Float),
)

audit = Table(
    "audit",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("at", String, nullable=False),
    Column("who", String, nullable=False),
    Column("action", String, nullable=False),
    Column("subject", String, nullable=False),
    Column("detail", Text, nullable=False),
    Column("previous_hash", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
)

Index("ix_inspections_connector_created", inspections.c.connector_id, inspections.c.created_at)

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

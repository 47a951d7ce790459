"""The tables of the ledger, as SQLAlchemy Core sees them; the migrations make them.

Conditions of indices are told here for SQLite only, whose copies are made from these tables: naming another database's would
load all of its support, a tenth of a command's start. The migrations tell them for both.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Date,
    DateTime,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    text,
)

metadata = MetaData()
Key = Integer  # SQLite gives row numbers only to INTEGER keys


def _made() -> Column[object]:
    return Column("made_at", DateTime, nullable=False)


frame = Table(
    "frame",
    metadata,
    Column("id", Key, primary_key=True),
    Column("fingerprint", String(128), nullable=False, unique=True),
    Column("sha256", String(64), index=True),
    Column("kind", String(12), nullable=False),
    Column("rig", String(120)),
    Column("target", String(120)),
    Column("panel", Integer),
    Column("filter", String(120)),
    Column("night", Date),
    Column("start", DateTime),
    Column("exposure_s", Float),
    Column("width_px", Integer, nullable=False),
    Column("height_px", Integer, nullable=False),
    Column("header", JSON, nullable=False),
    _made(),
    Index("frame_by_group", "kind", "target", "filter", "rig", "night"),
    Index("frame_by_start", "kind", "start"),
    Index("frame_by_night", "kind", "night"),
)

place = Table(
    "place",
    metadata,
    Column("id", Key, primary_key=True),
    Column("frame_id", ForeignKey("frame.id"), nullable=False, index=True),
    Column("path", Text, nullable=False),
    Column("name", Text, nullable=False, index=True),
    Column("size", BigInteger, nullable=False),
    Column("mtime_ns", BigInteger, nullable=False),
    Column("gone", Boolean, nullable=False),
    _made(),
    # A path that is written over keeps its earlier content as a row that is gone; one content at a time holds it.
    Index("place_of_content", "path", "frame_id", unique=True),
    Index("place_in_use", "path", unique=True, sqlite_where=text("NOT gone")),
)

refused = Table(
    "refused",
    metadata,
    Column("id", Key, primary_key=True),
    Column("path", Text, nullable=False, unique=True),
    Column("reason", Text, nullable=False),
    _made(),
)

reading = Table(
    "reading",
    metadata,
    Column("frame_id", ForeignKey("frame.id"), primary_key=True),
    Column("version", Integer, nullable=False),
    Column("calibration", String(64), nullable=False),
    Column("scalars", JSON, nullable=False),
    Column("arrays", LargeBinary, nullable=False),
    _made(),
)

fault = Table(
    "fault",
    metadata,
    Column("frame_id", ForeignKey("frame.id"), primary_key=True),
    Column("reason", Text, nullable=False),
    _made(),
)

grid = Table(
    "grid",
    metadata,
    Column("id", Key, primary_key=True),
    Column("target", String(120), nullable=False),
    Column("panel", Integer),
    Column("rig", String(120)),
    Column("reference_frame_id", ForeignKey("frame.id"), nullable=False),
    Column("width_px", Integer, nullable=False),
    Column("height_px", Integer, nullable=False),
    Column("retired", Boolean, nullable=False),
    Column("wcs", JSON),
    _made(),
    Index(
        "grid_in_use",
        "target",
        text("coalesce(panel, 0)"),
        unique=True,
        sqlite_where=text("NOT retired"),
    ),
)

flux_reference = Table(
    "flux_reference",
    metadata,
    Column("id", Key, primary_key=True),
    Column("grid_id", ForeignKey("grid.id"), nullable=False),
    Column("rig", String(120)),
    Column("filter", String(120), nullable=False),
    Column("frame_id", ForeignKey("frame.id"), nullable=False),
    _made(),
    Index("flux_reference_of_grid", "grid_id", text("coalesce(rig, '')"), "filter", unique=True),
)

placement = Table(
    "placement",
    metadata,
    Column("id", Key, primary_key=True),
    Column("frame_id", ForeignKey("frame.id"), nullable=False),
    Column("grid_id", ForeignKey("grid.id"), nullable=False),
    Column("found", Boolean, nullable=False),
    Column("reason", Text, nullable=False),
    Column("document", JSON, nullable=False),
    _made(),
    Index("placement_of_frame", "frame_id", "grid_id", unique=True),
)

verdict = Table(
    "verdict",
    metadata,
    Column("frame_id", ForeignKey("frame.id"), primary_key=True),
    Column("keep", Boolean, nullable=False),
    Column("worth", Float),
    Column("weight", Float),
    Column("scale", Float),
    Column("transparency", Float),
    Column("causes", JSON, nullable=False),
    _made(),
)

solution = Table(
    "solution",
    metadata,
    Column("frame_id", ForeignKey("frame.id"), primary_key=True),
    Column("solved", Boolean, nullable=False),
    Column("document", JSON, nullable=False),
    _made(),
)

decision = Table(
    "decision",
    metadata,
    Column("id", Key, primary_key=True),
    Column("frame_id", ForeignKey("frame.id"), nullable=False, index=True),
    Column("verdict", String(8), nullable=False),
    Column("why", Text, nullable=False),
    _made(),
)

calibration_master = Table(
    "calibration_master",
    metadata,
    Column("id", Key, primary_key=True),
    Column("key", String(64), nullable=False, unique=True),
    Column("kind", String(12), nullable=False),
    Column("path", Text, nullable=False),
    Column("document", JSON, nullable=False),
    _made(),
)

master = Table(
    "master",
    metadata,
    Column("id", Key, primary_key=True),
    Column("target", String(120), nullable=False),
    Column("panel", Integer),
    Column("filter", String(120), nullable=False),
    Column("rigs", String(250), nullable=False),
    Column("grid_id", ForeignKey("grid.id"), nullable=False),
    Column("path", Text, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("document", JSON, nullable=False),
    _made(),
)

picture = Table(
    "picture",
    metadata,
    Column("id", Key, primary_key=True),
    Column("target", String(120), nullable=False),
    Column("path", Text, nullable=False),
    Column("recipe_path", Text, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("document", JSON, nullable=False),
    _made(),
)

event = Table(
    "event",
    metadata,
    Column("id", Key, primary_key=True),
    Column("rig", String(120)),
    Column("happened_on", Date, nullable=False),
    Column("text", Text, nullable=False),
    _made(),
)

finding = Table(
    "finding",
    metadata,
    Column("id", Key, primary_key=True),
    Column("kind", String(40), nullable=False),
    Column("rig", String(120)),
    Column("target", String(120)),
    Column("panel", Integer),
    Column("filter", String(120)),
    Column("night", Date),
    Column("document", JSON, nullable=False),
    _made(),
    Index("finding_by_kind", "kind", "rig", "night"),
)

run = Table(
    "run",
    metadata,
    Column("id", Key, primary_key=True),
    Column("command", Text, nullable=False),
    Column("version", String(40), nullable=False),
    Column("ended_at", DateTime),
    Column("outcome", Text),
    _made(),
)

kept_setting = Table(
    "kept_setting",
    metadata,
    Column("key", String(120), primary_key=True),
    Column("value", JSON, nullable=False),
    _made(),
)

"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def _table(name: str, *columns: sa.schema.SchemaItem) -> None:
    op.create_table(name, *columns, sa.Column("made_at", sa.DateTime, nullable=False))


def upgrade() -> None:
    """Make every table of the first release."""
    _table(
        "frame",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("fingerprint", sa.String(128), nullable=False, unique=True),
        sa.Column("sha256", sa.String(64)),
        sa.Column("kind", sa.String(12), nullable=False),
        sa.Column("rig", sa.String(120)),
        sa.Column("target", sa.String(120)),
        sa.Column("panel", sa.Integer),
        sa.Column("filter", sa.String(120)),
        sa.Column("night", sa.Date),
        sa.Column("start", sa.DateTime),
        sa.Column("exposure_s", sa.Float),
        sa.Column("width_px", sa.Integer, nullable=False),
        sa.Column("height_px", sa.Integer, nullable=False),
        sa.Column("header", sa.JSON, nullable=False),
    )
    op.create_index("ix_frame_sha256", "frame", ["sha256"])
    op.create_index("frame_by_group", "frame", ["kind", "target", "filter", "rig", "night"])
    _table(
        "place",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frame.id"), nullable=False),
        sa.Column("path", sa.Text, nullable=False, unique=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.Column("mtime_ns", sa.BigInteger, nullable=False),
        sa.Column("gone", sa.Boolean, nullable=False),
    )
    op.create_index("ix_place_frame_id", "place", ["frame_id"])
    op.create_index("ix_place_name", "place", ["name"])
    _table(
        "refused",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("path", sa.Text, nullable=False, unique=True),
        sa.Column("reason", sa.Text, nullable=False),
    )
    _table(
        "reading",
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frame.id"), primary_key=True),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("calibration", sa.String(64), nullable=False),
        sa.Column("scalars", sa.JSON, nullable=False),
        sa.Column("arrays", sa.LargeBinary, nullable=False),
    )
    _table(
        "fault",
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frame.id"), primary_key=True),
        sa.Column("reason", sa.Text, nullable=False),
    )
    _table(
        "grid",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("target", sa.String(120), nullable=False),
        sa.Column("panel", sa.Integer),
        sa.Column("rig", sa.String(120)),
        sa.Column("reference_frame_id", sa.Integer, sa.ForeignKey("frame.id"), nullable=False),
        sa.Column("width_px", sa.Integer, nullable=False),
        sa.Column("height_px", sa.Integer, nullable=False),
        sa.Column("retired", sa.Boolean, nullable=False),
        sa.Column("wcs", sa.JSON),
    )
    _table(
        "flux_reference",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("grid_id", sa.Integer, sa.ForeignKey("grid.id"), nullable=False),
        sa.Column("rig", sa.String(120)),
        sa.Column("filter", sa.String(120), nullable=False),
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frame.id"), nullable=False),
    )
    _table(
        "placement",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frame.id"), nullable=False),
        sa.Column("grid_id", sa.Integer, sa.ForeignKey("grid.id"), nullable=False),
        sa.Column("found", sa.Boolean, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("document", sa.JSON, nullable=False),
    )
    op.create_index("placement_of_frame", "placement", ["frame_id", "grid_id"], unique=True)
    _table(
        "verdict",
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frame.id"), primary_key=True),
        sa.Column("keep", sa.Boolean, nullable=False),
        sa.Column("worth", sa.Float),
        sa.Column("weight", sa.Float),
        sa.Column("scale", sa.Float),
        sa.Column("transparency", sa.Float),
        sa.Column("causes", sa.JSON, nullable=False),
    )
    _table(
        "decision",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frame.id"), nullable=False),
        sa.Column("verdict", sa.String(8), nullable=False),
        sa.Column("why", sa.Text, nullable=False),
    )
    op.create_index("ix_decision_frame_id", "decision", ["frame_id"])
    _table(
        "calibration_master",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("key", sa.String(64), nullable=False, unique=True),
        sa.Column("kind", sa.String(12), nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("document", sa.JSON, nullable=False),
    )
    _table(
        "master",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("target", sa.String(120), nullable=False),
        sa.Column("panel", sa.Integer),
        sa.Column("filter", sa.String(120), nullable=False),
        sa.Column("rigs", sa.String(250), nullable=False),
        sa.Column("grid_id", sa.Integer, sa.ForeignKey("grid.id"), nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("document", sa.JSON, nullable=False),
    )
    _table(
        "picture",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("target", sa.String(120), nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("recipe_path", sa.Text, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("document", sa.JSON, nullable=False),
    )
    _table(
        "event",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("rig", sa.String(120)),
        sa.Column("happened_on", sa.Date, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
    )
    _table(
        "run",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("command", sa.Text, nullable=False),
        sa.Column("version", sa.String(40), nullable=False),
        sa.Column("ended_at", sa.DateTime),
        sa.Column("outcome", sa.Text),
    )

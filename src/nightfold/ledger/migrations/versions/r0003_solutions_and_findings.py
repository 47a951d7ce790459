"""Where each sub lies on the sky, and dated findings of any kind."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the two tables."""
    op.create_table(
        "solution",
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frame.id"), primary_key=True),
        sa.Column("solved", sa.Boolean, nullable=False),
        sa.Column("document", sa.JSON, nullable=False),
        sa.Column("made_at", sa.DateTime, nullable=False),
    )
    op.create_table(
        "finding",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("rig", sa.String(120)),
        sa.Column("target", sa.String(120)),
        sa.Column("panel", sa.Integer),
        sa.Column("filter", sa.String(120)),
        sa.Column("night", sa.Date),
        sa.Column("document", sa.JSON, nullable=False),
        sa.Column("made_at", sa.DateTime, nullable=False),
    )
    op.create_index("finding_by_kind", "finding", ["kind", "rig", "night"])

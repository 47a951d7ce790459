"""The latest frames and the nights without going through all frames."""

from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add two indices."""
    op.create_index("frame_by_start", "frame", ["kind", "start"])
    op.create_index("frame_by_night", "frame", ["kind", "night"])

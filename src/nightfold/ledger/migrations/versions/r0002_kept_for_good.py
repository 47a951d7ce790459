"""A path keeps the contents it held before; a target has one grid in use, a grid one flux reference."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the place table anew without its unique path, and guard what is kept for good."""
    op.create_table(
        "place_new",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frame.id"), nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.Column("mtime_ns", sa.BigInteger, nullable=False),
        sa.Column("gone", sa.Boolean, nullable=False),
        sa.Column("made_at", sa.DateTime, nullable=False),
    )
    columns = "frame_id, path, name, size, mtime_ns, gone, made_at"
    op.execute(f"INSERT INTO place_new ({columns}) SELECT {columns} FROM place ORDER BY id")
    op.drop_table("place")
    op.rename_table("place_new", "place")
    op.create_index("ix_place_frame_id", "place", ["frame_id"])
    op.create_index("ix_place_name", "place", ["name"])
    op.create_index("place_of_content", "place", ["path", "frame_id"], unique=True)
    in_use = sa.text("NOT gone")
    op.create_index("place_in_use", "place", ["path"], unique=True, sqlite_where=in_use, postgresql_where=in_use)

    op.execute(
        "UPDATE grid SET retired = true WHERE NOT retired AND id NOT IN "
        "(SELECT min(id) FROM grid WHERE NOT retired GROUP BY target, coalesce(panel, 0))"
    )
    in_use = sa.text("NOT retired")
    panel = sa.text("coalesce(panel, 0)")
    op.create_index("grid_in_use", "grid", ["target", panel], unique=True, sqlite_where=in_use, postgresql_where=in_use)

    op.execute(
        "DELETE FROM flux_reference WHERE id NOT IN "
        "(SELECT min(id) FROM flux_reference GROUP BY grid_id, coalesce(rig, ''), \"filter\")"
    )
    rig = sa.text("coalesce(rig, '')")
    op.create_index("flux_reference_of_grid", "flux_reference", ["grid_id", rig, "filter"], unique=True)

    op.create_table(
        "kept_setting",
        sa.Column("key", sa.String(120), primary_key=True),
        sa.Column("value", sa.JSON, nullable=False),
        sa.Column("made_at", sa.DateTime, nullable=False),
    )

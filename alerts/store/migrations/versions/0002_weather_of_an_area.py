"""weather of an area

Revision: 0002
Follows: 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "area_weather",
        sa.Column("area_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("tmax_f", sa.Float(), nullable=False),
        sa.Column("tmin_f", sa.Float(), nullable=False),
        sa.Column("forecast", sa.Boolean(), nullable=False),
        sa.Column("rain_chance_pct", sa.Float(), nullable=True),
        sa.Column("rain_in", sa.Float(), nullable=True),
        sa.Column("fetched_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["area_id"],
            ["area.id"],
        ),
        sa.PrimaryKeyConstraint("area_id", "day"),
    )


def downgrade() -> None:
    op.drop_table("area_weather")

"""many processes: what senders share about a gateway, claimed ticks; emails in the place of texts
that did not arrive

Revision: 0005
Follows: 0004
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

INSTANT = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "gateway",
        sa.Column("channel", sa.String(), primary_key=True),
        sa.Column("allowance", sa.Float(), nullable=False),
        sa.Column("refilled_at", INSTANT, nullable=True),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("failing_since", INSTANT, nullable=True),
        sa.Column("paused_until", INSTANT, nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
    )
    op.add_column("job_run", sa.Column("ticked_at", INSTANT, nullable=True))
    op.add_column("job_run", sa.Column("owner", sa.String(), nullable=False, server_default=""))
    op.add_column("job_run", sa.Column("ticks", sa.Integer(), nullable=False, server_default="0"))
    op.add_column("outbox", sa.Column("fallback_of", sa.Integer(), nullable=True))
    op.create_index("ix_outbox_fallback_of", "outbox", ["fallback_of"])
    op.add_column(
        "person",
        sa.Column("email_if_unreached", sa.Boolean(), nullable=False, server_default=sa.false()),
    )


def downgrade() -> None:
    op.drop_column("person", "email_if_unreached")
    op.drop_index("ix_outbox_fallback_of", "outbox")
    op.drop_column("outbox", "fallback_of")
    for column in ("ticks", "owner", "ticked_at"):
        op.drop_column("job_run", column)
    op.drop_table("gateway")

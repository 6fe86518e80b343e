"""what waits is found and counted without reading what is done: messages by state and channel,
documents that were not read, texts that were not handled

Revision: 0006
Follows: 0005
"""

from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.drop_index("ix_outbox_work", "outbox")
    op.create_index("ix_outbox_work", "outbox", ["status", "channel", "next_attempt_at"])
    op.create_index("ix_document_read_at", "document", ["read_at"])
    op.create_index("ix_inbound_text_handled_at", "inbound_text", ["handled_at"])


def downgrade() -> None:
    op.drop_index("ix_inbound_text_handled_at", "inbound_text")
    op.drop_index("ix_document_read_at", "document")
    op.drop_index("ix_outbox_work", "outbox")
    op.create_index("ix_outbox_work", "outbox", ["status", "next_attempt_at"])

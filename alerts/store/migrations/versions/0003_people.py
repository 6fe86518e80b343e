"""people: sign-up, links, tokens, texts that come in, digests, job runs

Revision: 0003
Follows: 0002
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

INSTANT = sa.DateTime(timezone=True)

ADDED: dict[str, list[sa.Column[Any]]] = {
    "area": [sa.Column("sampling_days", sa.String(), nullable=False, server_default="")],
    "person": [
        sa.Column("digest", sa.String(), nullable=False, server_default="daily"),
        sa.Column("digest_if_unchanged", sa.Boolean(), nullable=False, server_default=sa.true()),
    ],
    "consent": [
        sa.Column("given_at", INSTANT, nullable=True),
        sa.Column("wording", sa.String(), nullable=False, server_default=""),
        sa.Column("ip", sa.String(), nullable=False, server_default=""),
    ],
    "opt_out": [
        sa.Column("ended_at", INSTANT, nullable=True),
        sa.Column("ended_how", sa.String(), nullable=False, server_default=""),
    ],
    "farm": [
        sa.Column("acres_per_day", sa.Float(), nullable=True),
        sa.Column("paused_until", sa.Date(), nullable=True),
    ],
    "field": [
        sa.Column("zip", sa.String(), nullable=False, server_default=""),
        sa.Column("public_name", sa.String(), nullable=False, server_default=""),
        sa.Column("public_place", sa.String(), nullable=False, server_default=""),
    ],
    "result": [sa.Column("withdrawn_at", INSTANT, nullable=True)],
    "cut": [sa.Column("detail", sa.JSON(), nullable=False, server_default="{}")],
    "outbox": [
        sa.Column("dismissed_at", INSTANT, nullable=True),
        sa.Column("resent_of", sa.Integer(), nullable=True),
    ],
}
"""Columns of tables that exist. Added and dropped in place: SQLite would otherwise build the table
anew, and dropping the old one takes what refers to it along."""


def upgrade() -> None:
    for table, columns in ADDED.items():
        for column in columns:
            op.add_column(table, column)
    _create_tables()


def _create_tables() -> None:
    op.create_table(
        "sign_up",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("form", sa.JSON(), nullable=False),
        sa.Column("wording", sa.String(), nullable=False),
        sa.Column("ip", sa.String(), nullable=False),
        sa.Column("asked_at", INSTANT, nullable=False),
        sa.Column("expires_at", INSTANT, nullable=False),
        sa.Column("confirmed_at", INSTANT, nullable=True),
        sa.Column("farm_id", sa.Integer(), nullable=True),
        sa.Column("refusal", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_sign_up_address", "sign_up", ["address"])
    op.create_table(
        "access_link",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("farm_id", sa.Integer(), nullable=True),
        sa.Column("made_at", INSTANT, nullable=False),
        sa.Column("expires_at", INSTANT, nullable=False),
        sa.Column("revoked_at", INSTANT, nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"]),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_access_link_person_id", "access_link", ["person_id"])
    op.create_index("ix_access_link_farm_id", "access_link", ["farm_id"])
    op.create_table(
        "api_token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("lab", sa.String(), nullable=False),
        sa.Column("scopes", sa.String(), nullable=False),
        sa.Column("start", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("made_at", INSTANT, nullable=False),
        sa.Column("expires_at", INSTANT, nullable=True),
        sa.Column("revoked_at", INSTANT, nullable=True),
        sa.Column("last_used_at", INSTANT, nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("sha256"),
    )
    op.create_index("ix_api_token_person_id", "api_token", ["person_id"])
    op.create_table(
        "api_request",
        sa.Column("token_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("answer", sa.JSON(), nullable=False),
        sa.Column("at", INSTANT, nullable=False),
        sa.ForeignKeyConstraint(["token_id"], ["api_token.id"]),
        sa.PrimaryKeyConstraint("token_id", "key"),
    )
    op.create_table(
        "inbound_text",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("gateway_id", sa.String(), nullable=False),
        sa.Column("from_address", sa.String(), nullable=False),
        sa.Column("to_address", sa.String(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("opt_out_type", sa.String(), nullable=False),
        sa.Column("received_at", INSTANT, nullable=False),
        sa.Column("handled_at", INSTANT, nullable=True),
        sa.Column("command", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("gateway_id"),
    )
    op.create_index("ix_inbound_text_from_address", "inbound_text", ["from_address"])
    op.create_index("ix_inbound_text_person_id", "inbound_text", ["person_id"])
    op.create_table(
        "digest_sent",
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("sent_on", sa.Date(), nullable=False),
        sa.Column("said", sa.JSON(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("before_on", sa.Date(), nullable=True),
        sa.Column("before", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"]),
        sa.PrimaryKeyConstraint("person_id"),
    )
    op.create_table(
        "job_run",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("started_at", INSTANT, nullable=False),
        sa.Column("ended_at", INSTANT, nullable=True),
        sa.Column("ok", sa.Boolean(), nullable=False),
        sa.Column("detail", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )


def downgrade() -> None:
    for table in (
        "job_run",
        "digest_sent",
        "inbound_text",
        "api_request",
        "api_token",
        "access_link",
        "sign_up",
    ):
        op.drop_table(table)
    for table, columns in ADDED.items():
        for column in columns:
            op.drop_column(table, column.name)

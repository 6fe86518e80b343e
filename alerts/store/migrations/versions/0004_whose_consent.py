"""whose consent: each person's own; whom a sign-up is of; hours of messages without a farm;
emails without capitals

Revision: 0004
Follows: 0003
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

INSTANT = sa.DateTime(timezone=True)
ONE_ADDRESS = ("channel", "address", "given_on", "how")
CONSENT_COLUMNS = (
    *("person_id", "channel", "address", "given_on", "how"),
    *("recorded_at", "given_at", "wording", "ip"),
)
CONSENT = sa.table("consent", sa.column("id"), *map(sa.column, CONSENT_COLUMNS))
OPT_OUT = sa.table("opt_out", *map(sa.column, ("id", "channel", "address", "ended_at")))
PERSON = sa.table("person", sa.column("email"))
SIGN_UP = sa.table("sign_up", sa.column("channel"), sa.column("address"))


def upgrade() -> None:
    op.add_column("sign_up", sa.Column("person_id", sa.Integer(), nullable=True))
    op.add_column("outbox", sa.Column("time_zone", sa.String(), nullable=False, server_default=""))
    _build_consent_anew("person_id", *ONE_ADDRESS)
    _drop_capitals()


def downgrade() -> None:
    _keep_one_of_each(CONSENT, ONE_ADDRESS)
    _build_consent_anew(*ONE_ADDRESS)
    op.drop_column("outbox", "time_zone")
    op.drop_column("sign_up", "person_id")


def _build_consent_anew(*unique: str) -> None:
    """The table under another uniqueness: neither engine changes an unnamed one in place.

    Nothing refers to its ids, so that they may change.
    """
    op.create_table(
        "consent_anew",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("given_on", sa.Date(), nullable=False),
        sa.Column("how", sa.String(), nullable=False),
        sa.Column("recorded_at", INSTANT, nullable=False),
        sa.Column("given_at", INSTANT, nullable=True),
        sa.Column("wording", sa.String(), nullable=False, server_default=""),
        sa.Column("ip", sa.String(), nullable=False, server_default=""),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint(*unique),
    )
    anew = sa.table("consent_anew", *map(sa.column, CONSENT_COLUMNS))
    old = sa.select(*(CONSENT.c[name] for name in CONSENT_COLUMNS)).order_by(CONSENT.c.id)
    op.execute(anew.insert().from_select(list(CONSENT_COLUMNS), old))
    op.drop_table("consent")
    op.rename_table("consent_anew", "consent")
    op.create_index("ix_consent_address", "consent", ["address"])
    op.create_index("ix_consent_person_id", "consent", ["person_id"])


def _drop_capitals() -> None:
    """Emails are stored without capitals from now on, and compared as they are stored."""
    op.execute(PERSON.update().values(email=sa.func.lower(PERSON.c.email)))
    _keep_one_of_each(CONSENT, ("person_id", *ONE_ADDRESS))
    # Of several spellings an opt-out in force stays.
    _keep_one_of_each(OPT_OUT, ("channel", "address"), OPT_OUT.c.ended_at.is_not(None))
    for table in (SIGN_UP, CONSENT, OPT_OUT):
        lower = table.update().values(address=sa.func.lower(table.c.address))
        op.execute(lower.where(table.c.channel == "email"))


def _keep_one_of_each(
    table: sa.TableClause, unique: tuple[str, ...], *first: sa.ColumnElement[bool]
) -> None:
    """Delete all rows but one of those that are alike but for the capitals of an email."""
    address = sa.case(
        (table.c.channel == "email", sa.func.lower(table.c.address)), else_=table.c.address
    )
    alike = [address if name == "address" else table.c[name] for name in unique]
    place = sa.func.row_number().over(partition_by=alike, order_by=[*first, table.c.id])
    ranked = sa.select(table.c.id, place.label("place")).subquery()
    spare = sa.select(ranked.c.id).where(ranked.c.place > 1)
    op.execute(table.delete().where(table.c.id.in_(spare)))

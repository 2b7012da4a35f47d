"""A place for what is known about the store itself."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "fact",
        sa.Column("name", _TEXT, primary_key=True),
        sa.Column("value", _TEXT, nullable=False),
    )

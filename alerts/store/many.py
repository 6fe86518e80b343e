"""Asking for any number of texts in one statement."""

from __future__ import annotations

import json
from collections.abc import Collection
from typing import Any

from sqlalchemy import ARRAY, ColumnElement, String, any_, bindparam, func
from sqlalchemy.orm import Mapped
from sqlmodel import Session, select


def one_of(session: Session, column: Mapped[str], texts: Collection[str]) -> ColumnElement[bool]:
    """Whether a column holds one of these texts, which go to the database as one parameter."""
    if session.get_bind().dialect.name == "postgresql":
        return column == any_(bindparam(None, list(texts), ARRAY(String)))
    given: Any = func.json_each(json.dumps(list(texts))).table_valued("value")
    return column.in_(select(given.c.value))

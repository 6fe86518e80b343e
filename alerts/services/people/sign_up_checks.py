"""What a form that is open to everybody has to ask before anything is sent."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

from sqlmodel import Session

from alerts.domain.records import AlertBy, RosterRow
from alerts.services.farms.farm_form import FormError, Typed
from alerts.services.people.sign_up_rules import SignUpRules
from alerts.store import fields, opt_outs
from alerts.store.tables import Area

TAKEN = (
    "a farm of this name is signed up already; if it is yours, ask for a new link, "
    "else add what tells yours apart"
)

NOT_AGREED = FormError(
    "consent", "consent", "we may write to you only if you agree; tick the box", missing=True
)

STOPPED_PHONE = (
    "this phone asked us to stop; text START from it to the number our messages came from, "
    "then try again"
)

# The name of a farm goes out to an address that nobody has confirmed.
_ADVERTISES = re.compile(r"https?:|[@/\\\u2215]|(\d[\s().,_+\u2010-\u2015-]*){7}", re.I)
_DOTTED = re.compile(r"(\w*)(?:\s*[\[({]\s*\.\s*[\])}]\s*|\.)(?=(\w+))")
_DOT_IN_WORDS = re.compile(
    r"\bdot\s*(com|net|org|info|io|co|us|biz|ly|me|app|link)\b", re.IGNORECASE
)
_NUMBERS = re.compile(r"\d+(\.\d+){2}")


def advertises(name: str) -> bool:
    """Whether a name holds what a phone or a mail reader turns into a link or a number to call.

    Initials ('J.R. Acres') and numbers ('1.5 Mile') may have a dot between them, words may not.
    """
    plain = unicodedata.normalize("NFKC", name).replace("\u3002", ".")
    plain = "".join(c for c in plain if unicodedata.category(c) != "Cf")
    if _ADVERTISES.search(plain) or _NUMBERS.search(plain) or _DOT_IN_WORDS.search(plain):
        return True
    return any(_joins_words(found[1], found[2]) for found in _DOTTED.finditer(plain))


def _joins_words(before: str, after: str) -> bool:
    if not before:
        return False
    initials = len(before) == len(after) == 1
    return not initials and not (before.isdigit() and after.isdigit())


def own_errors(
    session: Session,
    rules: SignUpRules,
    typed: Typed,
    agreed: bool,
    rows: tuple[RosterRow, ...],
    area: Area | None,
) -> Iterator[FormError]:
    """What is wrong with a sign-up beyond what `read_farm` finds."""
    if area is None and typed.get("area", "").strip():
        yield FormError("area", "area", "there is no such area; choose one of the list")
    for column in ("farm", "farmer"):
        if advertises(typed.get(column, "")):
            reason = "leave web and email addresses and phone numbers out of the name"
            yield FormError(column, column, reason)
    if not agreed:
        yield NOT_AGREED
    if rows:
        yield from _unreachable(session, rules, rows[0])
    if rows and fields.is_farm_known(session, rows[0].farm):
        # In any area: laboratories print no area, and results would lead to two farms.
        yield FormError("farm", "farm", TAKEN)


def not_texted(rules: SignUpRules) -> str:
    return f"texts go to numbers that begin with {' or '.join(rules.texts_to)}; choose email"


def _unreachable(session: Session, rules: SignUpRules, row: RosterRow) -> Iterator[FormError]:
    if row.alert_by is AlertBy.EMAIL:
        if not rules.links.public_url:
            reason = "this service cannot confirm email addresses; choose text"
            yield FormError("alert_by", "alert_by", reason)
    elif not row.phone.startswith(rules.texts_to):
        yield FormError("phone", "phone", not_texted(rules))
    elif opt_outs.stopped(session, "sms", [row.phone]):
        yield FormError("phone", "phone", STOPPED_PHONE)

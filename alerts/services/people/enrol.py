"""Enrolling farms, fields and people from a roster."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlmodel import Session

from alerts.agronomy.goals import harvest_days_from_capacity
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.names import name_key
from alerts.domain.records import AlertBy, Note, ParsedRoster, Rejection, RosterRow
from alerts.services.access import links
from alerts.services.results import reference_fields
from alerts.services.results.match_results import match_waiting
from alerts.store import areas, clients, consents, fields, people, sampled, sign_ups
from alerts.store.session import Sessions
from alerts.store.tables import Area, Farm, Person

EARLIEST_CLOCK = timedelta(hours=14)
"""Ahead of UTC: no place on earth begins a day earlier, so a later date is in the future."""


@dataclass(slots=True)
class EnrolReport:
    """What became of a roster's rows."""

    farms: int = 0
    fields: int = 0
    matched: int = 0  # results that waited for one of these fields and now flow on
    rejected: list[Rejection] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)


def enrol(
    sessions: Sessions, roster: ParsedRoster, guidelines: GuidelineSet, name: str, now: datetime
) -> EnrolReport:
    """Bring the roster's farms, fields and people into the database.

    Enrolling the same roster again changes nothing; a changed one brings what it names up to date
    and leaves everything else alone.
    """
    with sessions.write() as session:
        return enrol_within(session, roster, guidelines, name, now)


def enrol_within(
    session: Session,
    roster: ParsedRoster,
    guidelines: GuidelineSet,
    name: str,
    now: datetime,
    *,
    open_form: bool = False,
) -> EnrolReport:
    """The same within the caller's transaction, who may still take it back.

    ``open_form``: anybody may have typed it. Somebody known keeps their language and is told at
    one more address, not at another; and no result that waits flows to a name made up for it.
    """
    report = EnrolReport(rejected=list(roster.rejections), notes=list(roster.notes))
    farms: dict[tuple[str, str], list[RosterRow]] = defaultdict(list)
    for row in roster.rows:
        farms[name_key(row.area), name_key(row.farm)].append(row)
    published: list[RosterRow] = []
    for rows in farms.values():
        problem = (
            _target_missing(rows[0], guidelines)
            or _consent_ahead(rows[0], now)
            or _not_public(session, rows, published)
        )
        if problem is not None:
            report.rejected.append(problem)
            continue
        published += [row for row in rows if row.public_name]
        report.notes += _enrol_farm(session, rows, guidelines, name, now, open_form)
        report.farms += 1
        report.fields += len(rows)
    if not open_form:
        report.matched = match_waiting(session, guidelines, now)
    return report


def _target_missing(row: RosterRow, guidelines: GuidelineSet) -> Rejection | None:
    """A class of animal without a published target in this index needs the grower's own."""
    known = guidelines.feed_target(row.animal_class, row.index)
    if row.feed_target is not None or known is not None:
        return None
    return Rejection(
        row=row.row,
        column="feed_target",
        reason=(
            f"no published {row.index.label} target exists for {row.animal_class or 'this farm'}; "
            "write the adviser's number into feed_target (all fields of the farm wait for it)"
        ),
        raw={"farm": row.farm, "animal_class": row.animal_class, "index": row.index.value},
    )


def _consent_ahead(row: RosterRow, now: datetime) -> Rejection | None:
    """Consent cannot have been given on a day that has not begun anywhere yet."""
    if row.consent_on is None or row.consent_on <= (now + EARLIEST_CLOCK).date():
        return None
    return Rejection(
        row=row.row,
        column="consent_on",
        reason=(
            f"consent_on {row.consent_on} has not come yet; give the day on which {row.farmer} "
            "agreed (all fields of the farm wait for it)"
        ),
        raw={"farm": row.farm, "consent_on": str(row.consent_on)},
    )


def _not_public(
    session: Session, rows: Sequence[RosterRow], published: Sequence[RosterRow]
) -> Rejection | None:
    """A public name or place that gives somebody away, or a name that another field has."""

    def is_taken(row: RosterRow, own: tuple[str, str]) -> bool:
        return own in names or sampled.is_published(
            session, row.area, row.farm, row.field, row.public_name or ""
        )

    names = [(name_key(one.area), name_key(one.public_name or "")) for one in published]
    for row in rows:
        for column, said in (("public_name", row.public_name), ("public_place", row.public_place)):
            reason = reference_fields.objection(said, row.farm, row.farmer) if said else ""
            if said and not reason and column == "public_name":
                own = (name_key(row.area), name_key(said))
                if own in names or sampled.is_published(
                    session, row.area, row.farm, row.field, said
                ):
                    reason = f"{said} is published in this area already; choose another name."
                names.append(own)
            if reason:
                return Rejection(
                    row=row.row,
                    column=column,
                    reason=f"{reason} All fields of the farm wait for it.",
                    raw={"farm": row.farm, "field": row.field, column: said or ""},
                )
    return None


def _enrol_farm(
    session: Session,
    rows: Sequence[RosterRow],
    guidelines: GuidelineSet,
    name: str,
    now: datetime,
    open_form: bool,
) -> list[Note]:
    first = rows[0]
    area = people.put_area(session, first.area, first.time_zone, first.sampling_days)
    known = people.find_farm(session, area, first.farm)
    farmed_before = known.farmer_id if known else None
    notes = [] if known else _namesakes(session, area, first)
    farmer = _put_farmer(session, first, known.id if known else None, now, open_form)
    digest = first.digest.value if first.digest else ""
    consultant = _adviser(
        session, first.consultant, first.consultant_email, name, now, digest=digest
    )
    sampler = _adviser(session, first.sampler, first.sampler_email, name, now)
    _keep_consent(session, farmer, first, now)
    values = {
        "farmer_id": farmer.id,
        "consultant_id": _held(
            session, consultant, known.consultant_id if known else None, first.consultant
        ),
        "sampler_id": _held(session, sampler, known.sampler_id if known else None, first.sampler),
        **_farm_values(rows, guidelines),
    }
    farm = people.put_farm(session, area, first, values)
    if farm.id is not None and farmed_before not in (None, farmer.id):
        links.revoke_of_farm(session, farm.id, farmer.id, now)
    return [*notes, *_put_fields(session, farm, rows, now)]


def _put_farmer(
    session: Session, row: RosterRow, farm_id: int | None, now: datetime, open_form: bool
) -> Person:
    """The farmer; where an address took another's place, links that went to it open no more."""
    known = people.known_farmer(session, row.farmer, row.phone, row.email, farm_id)
    alert_by, language = row.alert_by.value, row.language
    if open_form and known is not None and _has_a_part(session, known):
        alert_by = known.alert_by if known.alert_by == alert_by else AlertBy.BOTH.value
        language = known.language
    before = (known.phone, known.email) if known else ("", "")
    farmer = people.put_person(
        session,
        name=row.farmer,
        phone=row.phone,
        email=row.email,
        alert_by=alert_by,
        language=language,
        email_if_unreached=row.email_if_unreached,
        farm_id=farm_id,
    )
    after = (farmer.phone, farmer.email)
    if farmer.id and any(old and old != new for old, new in zip(before, after, strict=True)):
        links.revoke_of_person(session, farmer.id, now)
    return farmer


def _has_a_part(session: Session, person: Person) -> bool:
    """Whether somebody farms, advises or samples here already."""
    assert person.id is not None
    farms = sign_ups.farms_of_farmers(session, [person.id])
    return bool(farms) or any(sign_ups.advises(session, person.id))


def _farm_values(rows: Sequence[RosterRow], guidelines: GuidelineSet) -> dict[str, object]:
    first = rows[0]
    return {
        "harvest_days": _harvest_days(first, [row.acres for row in rows]),
        "acres_per_day": None if first.harvest_days is not None else first.acres_per_day,
        **_goal(first, guidelines),
        **{key: getattr(first, key) for key in ("animal_class", "notice_days")},
        "send_from": first.send_from,
        "send_to": first.send_to,
    }


def _put_fields(
    session: Session, farm: Farm, rows: Sequence[RosterRow], now: datetime
) -> list[Note]:
    for row in rows:
        enrolled = people.put_field(session, farm, row)
        assert enrolled.id is not None
        for other in row.also_known_as:
            fields.add_name(session, enrolled.id, "", other)
    areas.mark_due(session, [farm.area_id], now)
    return _count_acres(session, farm, rows[0])


def _namesakes(session: Session, area: Area, row: RosterRow) -> list[Note]:
    elsewhere = clients.namesakes_elsewhere(session, area, row.farm, row.farmer)
    return [
        Note(
            row.row,
            "area",
            f"{row.farm} of {row.farmer} is enrolled in area {other} already, and is another farm "
            f"from now on; if it is one farm, close its fields in one of the two areas",
        )
        for other in elsewhere
    ]


def _count_acres(session: Session, farm: Farm, row: RosterRow) -> list[Note]:
    """Work the harvest's length out from all open fields, of this roster and of earlier ones."""
    assert farm.id is not None
    if row.harvest_days is not None:
        return []
    standing = fields.open_fields(session, farm.id)
    farm.harvest_days = _harvest_days(row, [field.acres for field in standing])
    session.add(farm)
    unknown = [field.name for field in standing if field.acres is None]
    if not unknown:
        return []
    return [
        Note(
            row.row,
            "acres",
            f"the harvest of {row.farm} is reckoned without {', '.join(unknown)}, whose acres "
            "nobody gave; enrol with acres",
        )
    ]


def _goal(row: RosterRow, guidelines: GuidelineSet) -> dict[str, object]:
    """Targets and losses: the grower's own numbers, else the guidelines'."""
    target = row.feed_target
    if target is None:
        target = guidelines.feed_target(row.animal_class, row.index)
    loss = row.handling_loss
    if loss is None:
        loss = guidelines.value(f"handling_loss.{row.harvest_method}.{row.index}")
    return {
        "index": row.index.value,
        "feed_target": target,
        "handling_loss": loss,
        "harvest_method": row.harvest_method.value,
        "which_load": row.which_load.value,
    }


def _harvest_days(row: RosterRow, acres: Iterable[float | None]) -> float:
    """Said in days, or worked out from the acres of the farm's fields."""
    if row.harvest_days is not None:
        return row.harvest_days
    known = sum(one for one in acres if one is not None)
    assert row.acres_per_day is not None  # the roster reader asks for one of the two
    return harvest_days_from_capacity(known, row.acres_per_day)


def _adviser(
    session: Session, name: str, email: str, roster: str, now: datetime, *, digest: str = ""
) -> Person | None:
    """A consultant or sampler; being named with an address in a roster is their consent."""
    if not email:
        return None
    person = people.put_adviser(session, name=name, email=email, digest=digest)
    if not consents.has_agreed(session, person, "email", email):
        people.put_consent(
            session,
            person,
            channel="email",
            address=email,
            given_on=now.date(),
            how=f"named in roster {roster}",
            now=now,
        )
    return person


def _held(session: Session, adviser: Person | None, before: int | None, said: str) -> int | None:
    """Who has the part from now on: an empty cell leaves it as it was, "no" ends it."""
    if adviser is not None:
        return adviser.id
    if before is None or not said:
        return before
    same = name_key(session.get_one(Person, before).name) == name_key(said)
    return before if same else None


def _keep_consent(session: Session, farmer: Person, row: RosterRow, now: datetime) -> None:
    if row.consent_on is None:
        return
    for channel, address in (("sms", row.phone), ("email", row.email)):
        if address:
            people.put_consent(
                session,
                farmer,
                channel=channel,
                address=address,
                given_on=row.consent_on,
                how=row.consent_how,
                now=now,
            )

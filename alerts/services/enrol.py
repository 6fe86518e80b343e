"""Enrolling farms, fields and people from a roster."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from sqlmodel import Session

from alerts.agronomy.goals import harvest_days_from_capacity
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.names import name_key
from alerts.domain.records import Note, ParsedRoster, Rejection, RosterRow
from alerts.services.match_results import match_waiting
from alerts.store import areas, fields, people
from alerts.store.session import Sessions
from alerts.store.tables import Person


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
    report = EnrolReport(rejected=list(roster.rejections), notes=list(roster.notes))
    farms: dict[tuple[str, str], list[RosterRow]] = defaultdict(list)
    for row in roster.rows:
        farms[name_key(row.area), name_key(row.farm)].append(row)
    with sessions.write() as session:
        for rows in farms.values():
            problem = _target_missing(rows[0], guidelines)
            if problem is not None:
                report.rejected.append(problem)
                continue
            _enrol_farm(session, rows, guidelines, name, now)
            report.farms += 1
            report.fields += len(rows)
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


def _enrol_farm(
    session: Session,
    rows: Sequence[RosterRow],
    guidelines: GuidelineSet,
    name: str,
    now: datetime,
) -> None:
    first = rows[0]
    area = people.put_area(session, first.area, first.time_zone)
    farmer = people.put_person(
        session,
        name=first.farmer,
        phone=first.phone,
        email=first.email,
        alert_by=first.alert_by.value,
        language=first.language,
    )
    consultant = _adviser(session, first.consultant, first.consultant_email, name, now)
    sampler = _adviser(session, first.sampler, first.sampler_email, name, now)
    _keep_consent(session, farmer, first, now)
    values = {
        "farmer_id": farmer.id,
        "consultant_id": consultant.id if consultant else None,
        "sampler_id": sampler.id if sampler else None,
        "harvest_days": _harvest_days(rows),
        **_goal(first, guidelines),
        **{key: getattr(first, key) for key in ("animal_class", "notice_days")},
        "send_from": first.send_from,
        "send_to": first.send_to,
    }
    farm = people.put_farm(session, area, first, values)
    for row in rows:
        enrolled = people.put_field(session, farm, row)
        assert enrolled.id is not None
        for other in row.also_known_as:
            fields.add_name(session, enrolled.id, "", other)
    assert area.id is not None
    areas.mark_due(session, [area.id], now)


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


def _harvest_days(rows: Sequence[RosterRow]) -> float:
    """Said in days, or worked out from the acres of all the farm's fields."""
    first = rows[0]
    if first.harvest_days is not None:
        return first.harvest_days
    acres = sum(row.acres for row in rows if row.acres is not None)
    assert first.acres_per_day is not None  # the roster reader asks for one of the two
    return harvest_days_from_capacity(acres, first.acres_per_day)


def _adviser(session: Session, name: str, email: str, roster: str, now: datetime) -> Person | None:
    """A consultant or sampler; being named with an address in a roster is their consent."""
    if not email:
        return None
    person = people.put_adviser(session, name=name, email=email)
    if not people.has_agreed(session, "email", email):
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

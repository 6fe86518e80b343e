"""Which rows of a consultant's roster are theirs to enrol.

A consultant enrols and changes clients of their own only. What a roster would change of anything
beyond them (another's farm, a farmer who is also somebody else's, an area shared with others) is
refused or left as it is, with a sentence.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from sqlmodel import Session

from alerts.domain.names import name_key
from alerts.domain.records import Note, ParsedRoster, Rejection, RosterRow
from alerts.intake.roster_values import nearest
from alerts.store import clients, people, sign_ups
from alerts.store.tables import Area, Farm, Person


def own_rows(session: Session, consultant: Person, roster: ParsedRoster) -> ParsedRoster:
    """The roster as the consultant may enrol it; what they may not is among its rejections."""
    judge = _Judge(session, consultant)
    rejections, notes = list(roster.rejections), list(roster.notes)
    rows: list[RosterRow] = []
    judged: dict[tuple[str, str], str] = {}
    for row in roster.rows:
        farm = (name_key(row.area), name_key(row.farm))
        if farm not in judged:
            judged[farm] = judge.objection(row)
            if not judged[farm]:
                notes += [*judge.kept_of_area(row), *judge.shared_addresses(row)]
        if judged[farm]:
            raw = {"farm": row.farm, "field": row.field, "area": row.area}
            rejections.append(Rejection(row.row, "", judged[farm], raw))
        else:
            rows.append(judge.as_own(row))
    return ParsedRoster(tuple(rows), tuple(rejections), tuple(notes))


class _Judge:
    """Judges rows for one consultant; each area is looked up once."""

    def __init__(self, session: Session, consultant: Person) -> None:
        assert consultant.id is not None
        self._session, self._consultant, self._id = session, consultant, consultant.id
        self._leads_to = _leads_to(session, consultant)
        self._areas: dict[str, Area | None] = {}
        self._area_names = {name_key(name): name for name in clients.area_names(session)}

    def objection(self, row: RosterRow) -> str:
        """Why the consultant may not enrol this farm; "" when they may."""
        if not _names(self._consultant, row):
            said = row.consultant_email or row.consultant
            return (
                f"The row names {said} as the consultant: leave consultant and consultant_email "
                "empty, since here you enrol clients of your own only."
            )
        if name_key(row.area) not in self._area_names:
            return _no_such_area(row.area, self._area_names)
        farms = clients.farms_called(self._session, row.area, row.farm)
        if any(farm.consultant_id != self._id for farm in farms):
            return (
                f"A farm called {row.farm} is in area {row.area} already and is no client of "
                "yours: ask the operator to hand it to you, or give this one another name."
            )
        if self._changes_somebody(row, [farm.id for farm in farms if farm.id is not None]):
            return (
                f"Somebody with the phone or email of {row.farmer} is enrolled beyond your "
                "clients too, and the row would change what holds for them: ask the operator."
            )
        if any(self._is_beyond(one) for one in self._others_at(row.phone, "", row, farms)):
            return (
                f"The phone of {row.farmer} is known here under another name, beyond your clients: "
                "check the number, or ask the operator."
            )
        if self._is_strange_sampler(row):
            said = row.sampler or "of the row"
            return (
                f"The sampler {said} ({row.sampler_email}) is not known here yet, and nobody is "
                "emailed because somebody else named them: leave sampler and sampler_email empty, "
                "or ask the operator to enrol them first."
            )
        if not self._leads_to:
            return (
                f"Somebody else called much like {self._consultant.name} has the email "
                f"{self._consultant.email} too: ask the operator to set this right first."
            )
        return ""

    def _changes_somebody(self, row: RosterRow, farm_ids: list[int]) -> bool:
        beyond = clients.people_beyond(
            self._session,
            name=row.farmer,
            phone=row.phone,
            email=row.email,
            farm_ids=farm_ids,
            consultant_id=self._id,
        )
        said = (row.farmer, row.alert_by.value, row.language)
        return any(
            said != (one.name, one.alert_by, one.language)
            or row.phone not in ("", one.phone)
            or row.email not in ("", one.email)
            or row.email_if_unreached not in (None, one.email_if_unreached)
            for one in beyond
        )

    def _is_strange_sampler(self, row: RosterRow) -> bool:
        """Whether being named in this row would be all that makes somebody get our emails."""
        if row.sampler_email in ("", self._consultant.email):
            return False
        known = people.known_adviser(self._session, row.sampler, row.sampler_email)
        return known is None or not any(sign_ups.advises(self._session, known.id or 0))

    def _others_at(
        self, phone: str, email: str, row: RosterRow, farms: Sequence[Farm]
    ) -> list[Person]:
        """Farmers under an address of the row who bear another name than its farmer."""
        return clients.farmers_at(
            self._session,
            phone=phone,
            email=email,
            but_called=row.farmer,
            but_of=[farm.id for farm in farms if farm.id is not None],
        )

    def _is_beyond(self, person: Person) -> bool:
        return clients.is_beyond(self._session, person, self._id)

    def shared_addresses(self, row: RosterRow) -> Iterator[Note]:
        """Whoever shares a phone or email agrees for themselves."""
        farms = clients.farms_called(self._session, row.area, row.farm)
        for column, phone, email in (("phone", row.phone, ""), ("email", "", row.email)):
            if self._others_at(phone, email, row, farms):
                yield Note(
                    row.row,
                    column,
                    f"Another farmer here has the {column} of {row.farmer} too; it gets messages "
                    f"about {row.farm} only once {row.farmer} agreed to them.",
                )

    def as_own(self, row: RosterRow) -> RosterRow:
        own = replace(
            row, consultant=self._consultant.name, consultant_email=self._consultant.email
        )
        area = self._area(row.area)
        return own if area is None else replace(own, time_zone=area.time_zone, sampling_days="")

    def kept_of_area(self, row: RosterRow) -> Iterator[Note]:
        """What the row says of an area that others are in too stays as it is."""
        area = self._area(row.area)
        if area is None:
            return
        stays = f"Area {area.name} has farms of others too: its"
        if row.time_zone != area.time_zone:
            yield Note(row.row, "time_zone", f"{stays} time zone stays {area.time_zone}.")
        if row.sampling_days not in ("", area.sampling_days):
            yield Note(row.row, "sampling_days", f"{stays} sampling days stay as they are.")

    def _area(self, name: str) -> Area | None:
        """The area, where it is not the consultant's clients alone that make it up."""
        if name not in self._areas:
            self._areas[name] = clients.area_beyond(self._session, name, self._id)
        return self._areas[name]


def _no_such_area(said: str, names: Mapping[str, str]) -> str:
    """An area is public, and a new one begins without results: only the operator opens one."""
    near = nearest(name_key(said), names)
    meant = f"did you mean {names[near]}?" if near else "ask the operator to open it."
    return f"There is no area {said}{';' if near else ':'} {meant}"


def _names(consultant: Person, row: RosterRow) -> bool:
    if row.consultant_email.casefold() not in ("", consultant.email.casefold()):
        return False
    said = set(name_key(row.consultant).split())
    own = set(name_key(consultant.name).split())
    return bool(row.consultant_email) or not said or said <= own or own <= said


def _leads_to(session: Session, consultant: Person) -> bool:
    """Whether the consultant's name and email lead to them: advisers are found by both."""
    same = clients.first_at(session, consultant.email)
    words = set(name_key(consultant.name).split())
    alike = [
        person
        for person in same
        if person.name == person.email
        or (other := set(name_key(person.name).split())) <= words
        or words <= other
    ]
    return bool(alike) and alike[0].id == consultant.id

"""Results that wait for their field: naming it, and letting them flow on."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlmodel import Session

from alerts.domain.errors import UnknownField
from alerts.domain.evidence import index_values
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.kept_readings import readings_of
from alerts.domain.names import name_key
from alerts.domain.records import Method, Result
from alerts.services.access.senders import farms_open_to
from alerts.services.results.missing import missing_notes
from alerts.store import areas, documents, fields, results, sign_ups
from alerts.store.fields import KnownField, Labels
from alerts.store.results import Unmatched
from alerts.store.session import Sessions
from alerts.store.tables import LabResult


def name_field(
    sessions: Sessions,
    *,
    label: str,
    farm_label: str | None,
    farm: str,
    field: str,
    guidelines: GuidelineSet,
    now: datetime,
) -> int:
    """From now on ``label`` means that field; returns how many waiting results flow on.

    ``farm_label`` is the farm beside the label, "" where none stood; None takes the one farm under
    which results with the label wait, and raises UnknownField when there are several.

    A label that stays ambiguous, since another field bears it as its own name, settles the results
    that wait now; later ones wait again.
    """
    with sessions.write() as session:
        known = find_field(session, farm, field)
        if farm_label is None:
            farm_label = _waiting_farm(session, label)
        fields.add_name(session, known.id, farm_label, label)
        session.flush()
        said = {(name_key(farm_label), name_key(label)): known}
        return match_waiting(session, guidelines, now, said)


def _waiting_farm(session: Session, label: str) -> str:
    """The farm as written beside the results that wait under ``label``; "" when none waits."""
    key = name_key(label)
    written = {
        name_key(group.farm_label): group.farm_label
        for group in results.unmatched(session)
        if name_key(group.field_label) == key
    }
    if len(written) > 1:
        said = ", ".join(f"--farm-label {shlex.quote(farm)}" for farm in sorted(written.values()))
        raise UnknownField(
            f"results named '{label}' wait under {len(written)} farms; say which with one of {said}"
        )
    return next(iter(written.values()), "")


def find_field(session: Session, farm: str, field: str) -> KnownField:
    """The one field of this name; UnknownField with a hint otherwise."""
    pair = (name_key(farm), name_key(field))
    candidates = fields.find_fields(session, [pair]).get(pair, [])
    if len(candidates) == 1:
        return candidates[0]
    if not candidates:
        raise UnknownField(
            f"no field '{field}' on a farm '{farm}' is enrolled; "
            "check the spelling with 'cutcall outlook' or enrol it first"
        )
    farms = ", ".join(sorted(c.farm_name for c in candidates))
    raise UnknownField(f"'{field}' is a field of {farms}; say which farm")


def match_waiting(
    session: Session,
    guidelines: GuidelineSet,
    now: datetime,
    said: Mapping[Labels, KnownField] | None = None,
) -> int:
    """Give waiting results their field where a name now leads to exactly one.

    ``said`` holds what somebody has just said of a pair of names, which settles it.
    """
    waiting = results.unmatched(session)
    known = fields.find_fields(session, map(_labels, waiting))
    known.update({pair: [field] for pair, field in (said or {}).items()})
    matched = 0
    for group in waiting:
        candidates = known.get(_labels(group), [])
        if len(candidates) == 1 and candidates[0].closed_on is None:
            rows = [row for row, _ in group.results]
            if _labels(group) not in (said or {}):
                rows = _open_to_sender(session, rows, candidates[0])
                rows = _since_sign_up(session, rows, candidates[0])
            matched += assign(session, rows, candidates[0], guidelines, now)
    return matched


def assign(
    session: Session,
    rows: Sequence[LabResult],
    known: KnownField,
    guidelines: GuidelineSet,
    now: datetime,
) -> int:
    """Give these waiting results their field, so that its area is looked at anew; how many."""
    if not rows:
        return 0
    index = results.target_indexes(session, [known.farm_id])[known.farm_id]
    for row in rows:
        _assign(session, row, known, guidelines)
        documents.add_notes(session, row.document_id, missing_notes(row, known, index))
    areas.mark_due(session, {known.area_id}, now)
    return len(rows)


def _open_to_sender(
    session: Session, rows: Sequence[LabResult], known: KnownField
) -> list[LabResult]:
    """Those rows whose sender may speak of the field; the rest waits until somebody says so."""
    sources = documents.sources(session, {row.document_id for row in rows})
    farms = {source: farms_open_to(session, source) for source in set(sources.values())}
    return [
        row
        for row in rows
        if (bound := farms[sources[row.document_id]]) is None or known.farm_id in bound
    ]


def _since_sign_up(
    session: Session, rows: Sequence[LabResult], known: KnownField
) -> list[LabResult]:
    """Without what waited before an open form named the farm: the name may be made up for it."""
    since = sign_ups.signed_up_at(session, known.farm_id)
    return [row for row in rows if since is None or row.received_at >= since]


def _labels(group: Unmatched) -> Labels:
    return name_key(group.farm_label), name_key(group.field_label)


def _assign(session: Session, row: LabResult, known: KnownField, guidelines: GuidelineSet) -> None:
    """Set the field, and compute what needed it: RFQ depends on the share of grass."""
    row.field_id = known.id
    [value] = index_values([_as_result(row)], [known.grass_pct], guidelines)
    row.rfv, row.rfq, row.ndf = value.rfv, value.rfq, value.ndf
    row.spots = value.spots
    row.computed_rfv, row.computed_rfq = value.computed_rfv, value.computed_rfq
    session.add(row)
    documents.add_notes(session, row.document_id, value.notes)


def _as_result(row: LabResult) -> Result:
    readings, spots = readings_of(row.readings)
    return Result(
        row=row.row,
        field_label=row.field_label,
        farm_label=row.farm_label,
        sampled_on=row.sampled_on,
        sampled_at=row.sampled_at,
        method=Method(row.method),
        lab=row.lab,
        lab_number=row.lab_number,
        cutting=row.cutting,
        readings=readings,
        spots=spots,
        remark=row.remark,
    )

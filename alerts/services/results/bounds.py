"""What of the results a document may touch: everything, or what its sender's farms are about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlmodel import Session

from alerts.domain.names import name_key
from alerts.services.access.senders import farms_open_to
from alerts.store import documents, fields
from alerts.store.tables import LabResult


@dataclass(frozen=True, slots=True)
class Bounds:
    """``farms`` None: a laboratory or an operator, who may send for any field."""

    source: str
    farms: frozenset[int] | None = None
    farm_keys: frozenset[str] = frozenset()  # names of these farms, as they are compared

    def hold(self, farm_id: int) -> bool:
        return self.farms is None or farm_id in self.farms

    def may_wait(self, farm_label: str) -> bool:
        """Whether a result that names this farm may wait for somebody to say its field.

        Of a bounded sender only one that names a farm of theirs: anything else could later flow
        to somebody else's field.
        """
        return self.farms is None or name_key(farm_label) in self.farm_keys

    def within(
        self, session: Session, earlier: Mapping[str, Sequence[LabResult]]
    ) -> dict[str, list[LabResult]]:
        """The versions that a row of this document can repeat or correct.

        A number that a laboratory gave a sample of another farm must not let that sample be
        replaced.
        """
        if self.farms is None:
            return {name: list(rows) for name, rows in earlier.items()}
        rows = [row for group in earlier.values() for row in group]
        farms = fields.farms_of(session, {row.field_id for row in rows if row.field_id})
        sources = documents.sources(session, {row.document_id for row in rows})
        return {
            name: [
                row
                for row in group
                if (
                    farms[row.field_id] in self.farms
                    if row.field_id
                    else sources[row.document_id] == self.source
                )
            ]
            for name, group in earlier.items()
        }


def bounds_of(session: Session, source: str) -> Bounds:
    """The bounds of a document that came from ``source``, see `services.access.senders`."""
    farms = farms_open_to(session, source)
    if farms is None:
        return Bounds(source)
    return Bounds(source, farms, frozenset(fields.farm_keys(session, farms)))

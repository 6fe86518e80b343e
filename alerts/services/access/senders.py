"""Who sent a document over the API, and whose fields it may speak of.

The sender is kept as the document's source, so that a document read again after a crash is held to
the same bounds as at first.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlmodel import Session

from alerts.store import people

_MARK = "api"

LIMITED = frozenset({"sampler", "consultant"})
"""Roles that may only send for their own farms."""


@dataclass(frozen=True, slots=True)
class Sender:
    role: str  # lab, sampler or consultant
    who: str  # the laboratory, or the id of the person

    @property
    def source(self) -> str:
        return f"{_MARK} {self.role} {self.who}"


def sender_of(source: str) -> Sender | None:
    """The sender a document's source names; None for one that came another way."""
    mark, _, rest = source.partition(" ")
    role, _, who = rest.partition(" ")
    return Sender(role, who) if mark == _MARK and role and who else None


def farms_open_to(session: Session, source: str) -> frozenset[int] | None:
    """Farms whose fields a document of this source may speak of; None: any."""
    sender = sender_of(source)
    if sender is None or sender.role not in LIMITED:
        return None
    person = int(sender.who)
    if sender.role == "sampler":
        return people.farm_ids_of_sampler(session, person)
    return people.farm_ids_of_consultant(session, person)

"""Who opened a private page. Every route behind a link asks here first."""

from __future__ import annotations

from alerts.bootstrap import Parts
from alerts.services.links import Role, Visitor, open_link


def visitor(parts: Parts, role: Role, token: str) -> Visitor:
    """The holder of the link; LinkGone, answered with a page of its own, when it leads nowhere."""
    with parts.sessions.read() as session:
        return open_link(session, parts.link_rules(), role, token, parts.clock())

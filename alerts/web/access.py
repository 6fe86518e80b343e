"""Who opened a private page. Every route behind a link asks here first."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TypeVar

from alerts.bootstrap import Parts
from alerts.services.access.links import Role, Visitor, open_link
from alerts.services.access.opened import Read, open_page
from alerts.web.kept import Kept, Made

T = TypeVar("T")


def visitor(parts: Parts, role: Role, token: str) -> Visitor:
    """The holder of the link; LinkGone, answered with a page of its own, when it leads nowhere."""
    with parts.sessions.read() as session:
        return open_link(session, parts.link_rules(), role, token, parts.clock())


class KeptPages:
    """Pages behind links of one role, kept while they would be the same."""

    def __init__(self, parts: Parts, role: Role, most: int) -> None:
        self._parts, self._role = parts, role
        self._kept: Kept[bytes] = Kept(parts.sessions.mark, most)

    def get(self, token: str, asked: Hashable, read: Read[T], fill: Callable[[T], str]) -> bytes:
        """What ``fill`` makes of what ``read`` finds for the link's holder.

        ``asked`` holds all that these two depend on besides rows, the day and the holder.
        """
        parts, now = self._parts, self._parts.clock()

        def make() -> Made[bytes]:
            opened = open_page(parts.sessions, parts.link_rules(), self._role, token, now, read)
            return Made(fill(opened.found).encode(), opened.is_still_so, opened.who.until)

        return self._kept.get((token, asked), now, make)

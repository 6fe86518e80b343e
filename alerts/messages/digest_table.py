"""Start dates as a CSV that spreadsheets read (RFC 4180)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from alerts.domain.clips import Clip
from alerts.domain.decision import START_KINDS
from alerts.domain.delivery import Status
from alerts.messages.digest import change_words, fate
from alerts.messages.digest_parts import DigestClient
from alerts.messages.sheets import Cell, csv_of
from alerts.messages.wording import ENGLISH

_HEADER = (
    "client",
    "farmer",
    "field",
    "cutting",
    "index",
    "standing_target",
    "results",
    "start_p10",
    "start_median",
    "start_p90",
    "farm_start",
    "last_told",
    "told_start",
    "fate",
    "changed",
    "clip_on",
    "clip_worth_days",
)


def digest_csv(clients: Iterable[DigestClient], clips: Iterable[Clip] = ()) -> bytes:
    """One row a field, UTF-8 with BOM; English whatever the email's language, as programs read it.

    Cells that a spreadsheet would run as a formula are made plain text.
    """
    due = {(clip.farm_id, clip.field): clip for clip in clips}
    rows = (row for client in clients for row in _rows(client, due))
    return csv_of(_HEADER, rows).encode("utf-8-sig")


def _rows(client: DigestClient, due: Mapping[tuple[int, str], Clip]) -> Iterable[tuple[Cell, ...]]:
    told = [
        message
        for message in client.messages
        if message.kind in START_KINDS and message.status is not Status.CANCELLED
    ]
    last = told[-1] if told else None
    changed = "; ".join(change_words(ENGLISH, change, None) for change in client.changes)
    for field in client.fields:
        clip = due.get((client.farm_id, field.name))
        yield (
            *(client.farm, client.farmer, field.name, field.cutting, field.index.label),
            *(ENGLISH.number(field.standing_target), field.results),
            *(field.start_p10, field.start_median, field.start_p90, client.start_median),
            *((last.on, last.start_on, fate(ENGLISH, last)) if last else (None, None, None)),
            *(changed, clip.on if clip else None, clip.worth_days if clip else None),
        )

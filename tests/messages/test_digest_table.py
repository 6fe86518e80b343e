from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date

import pytest

from alerts.domain.changes import Change, ChangeKind
from alerts.domain.clips import Clip, Why
from alerts.domain.decision import Kind
from alerts.domain.delivery import Status
from alerts.domain.records import Index
from alerts.messages.digest_parts import DigestClient, DigestField, DigestMessage
from alerts.messages.digest_table import digest_csv


def field(name: str = "North 40", median: date | None = date(2027, 5, 18)) -> DigestField:
    return DigestField(
        name=name,
        cutting=1,
        index=Index.RFV,
        standing_target=185.0,
        results=3 if median else 0,
        start_p10=date(2027, 5, 15) if median else None,
        start_median=median,
        start_p90=date(2027, 5, 24) if median else None,
        evidence="RFV 205 on May 10, 3 results",
    )


def message(
    kind: Kind = Kind.COMING, status: Status = Status.DELIVERED, detail: str = ""
) -> DigestMessage:
    day = date(2027, 5, 11)
    return DigestMessage(day, "Ida Brandvold", kind.value, date(2027, 5, 18), "sms", status, detail)


def client(
    farm: str = "Alder Bottom",
    median: date | None = date(2027, 5, 18),
    messages: tuple[DigestMessage, ...] = (),
) -> DigestClient:
    return DigestClient(
        farm=farm,
        farmer="Ida Brandvold",
        farm_id=3,
        start_p10=date(2027, 5, 15) if median else None,
        start_median=median,
        start_p90=date(2027, 5, 24) if median else None,
        fields=(field(median=median),),
        messages=messages,
    )


def rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def test_csv_gives_iso_dates_and_plain_numbers() -> None:
    told = client(messages=(message(), message(Kind.MOVED, Status.UNDELIVERED)))
    (row,) = rows(digest_csv([told]))
    assert row == {
        "client": "Alder Bottom",
        "farmer": "Ida Brandvold",
        "field": "North 40",
        "cutting": "1",
        "index": "RFV",
        "standing_target": "185",
        "results": "3",
        "start_p10": "2027-05-15",
        "start_median": "2027-05-18",
        "start_p90": "2027-05-24",
        "farm_start": "2027-05-18",
        "last_told": "2027-05-11",
        "told_start": "2027-05-18",
        "fate": "did not arrive",
        "changed": "",
        "clip_on": "",
        "clip_worth_days": "",
    }


def test_csv_tells_the_last_start_date_that_was_not_taken_back() -> None:
    told = (message(), message(Kind.NO_RESULTS), message(Kind.MOVED, Status.CANCELLED))
    (row,) = rows(digest_csv([client(messages=told)]))
    assert (row["told_start"], row["fate"]) == ("2027-05-18", "arrived")
    (nothing,) = rows(digest_csv([client(messages=told[1:])]))
    assert (nothing["last_told"], nothing["fate"]) == ("", "")


def test_csv_says_what_changed_and_what_to_clip() -> None:
    moved = Change(ChangeKind.MOVED, was=date(2027, 5, 20), now=date(2027, 5, 18))
    due = Clip(
        area="Heron Flats",
        farm_id=3,
        farm="Alder Bottom",
        field_id=1,
        field="North 40",
        cutting=1,
        acres=None,
        index=Index.RFV,
        standing_target=185.0,
        sampler_id=None,
        sampler="",
        on=date(2027, 5, 13),
        why=Why.NARROWS,
        worth_days=2.34,
        last_on=date(2027, 5, 10),
        last_value=205.0,
        last_index=Index.RFV,
        days_since=2,
        start_p10=None,
        start_median=None,
        start_p90=None,
    )
    namesake = replace(due, farm_id=4)
    (row,) = rows(digest_csv([replace(client(), changes=(moved,))], [due, namesake]))
    assert row["changed"] == "start date was Thu May 20, now Tue May 18"
    assert (row["clip_on"], row["clip_worth_days"]) == ("2027-05-13", "2.34")
    (other,) = rows(digest_csv([client()], [namesake]))
    assert other["clip_on"] == ""


def test_csv_leaves_unknown_dates_empty() -> None:
    (row,) = rows(digest_csv([client(median=None)]))
    for name in ("start_p10", "start_median", "start_p90", "farm_start", "told_start", "fate"):
        assert row[name] == ""


def test_csv_starts_with_a_byte_order_mark_so_that_spreadsheets_read_accents() -> None:
    content = digest_csv([client("Peña, “Øst”\nAcres")])
    assert content.startswith(b"\xef\xbb\xbf")
    assert rows(content)[0]["client"] == "Peña, “Øst”\nAcres"


# Characters that open a formula in a spreadsheet: OWASP (n.d.), CSV Injection.
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_csv_cell_that_a_spreadsheet_would_run_is_made_text(start: str) -> None:
    wild = f"{start}cmd|' /C calc'!A0"
    cut = Change(ChangeKind.CUT, 1, wild, now=date(2027, 5, 11))
    attack = replace(
        client(wild, messages=(message(status=Status.FAILED, detail=wild),)),
        fields=(field(wild),),
        changes=(cut,),
    )
    (row,) = rows(digest_csv([attack]))
    assert row["client"] == row["field"] == f"'{wild}"
    assert not any(value[:1] in "=+-@\t\r" for value in row.values() if value)

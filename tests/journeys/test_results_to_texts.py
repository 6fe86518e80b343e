"""From a lab file in the inbox to a text at the gateway, by the real wiring."""

from __future__ import annotations

import csv
import io
import logging
from datetime import date, time, timedelta

import pytest
from factories import results_sheet
from icalendar import Calendar, Event
from sqlmodel import select
from stations import SAMPLED, Station, date_in

from alerts.messages.marks import mark
from alerts.messages.segments import count, is_gsm7
from alerts.services.results.match_results import name_field
from alerts.store.tables import RejectedRow

NEXT = SAMPLED + timedelta(days=1)
MORNING = time(7, 5)
DIGEST = time(7, 35)

# Issue 2, "What it must show": RFV 205, 160 in storage with a loss of 25, two days of harvest, last
# load, first cutting. At the published 4 points a day (Iowa State University Extension, 2022,
# Estimating first crop alfalfa harvest using PEAQ: 3 to 5) the field may wait (205 - 185) / 4 = 5
# days, less 2 of harvest: it starts 3 days after the sampling day.
DUE = SAMPLED + timedelta(days=3)
ONE_DAY = timedelta(days=1)


def clip(**values: object) -> dict[str, object]:
    """One sample of the single field, numbered by its laboratory."""
    return {
        "sampled_on": SAMPLED.isoformat(),
        "lab": "kestrel",
        "lab_number": "K-1",
        "method": "wet",
        **values,
    }


def brook(name: str, rfv: float, number: str, **values: object) -> dict[str, object]:
    return clip(farm="Brook Farm", field=name, rfv=rfv, lab_number=number, **values)


# ------------------------------------------------------------------------ the date


def test_lab_file_in_the_inbox_becomes_a_text_with_the_date_due(station: Station) -> None:
    station.drop("monday.csv", results_sheet(clip(rfv=205)))
    station.round(SAMPLED, time(12))
    [text] = station.texts()
    told = date_in(text.body, "start cutting about DATE")
    assert abs(told - DUE) <= ONE_DAY
    assert told == station.line("North").start_median == station.line("North").told
    assert is_gsm7(text.body)
    assert count(text.body).parts <= 2
    assert "North RFV 205 on May 11" in text.body
    [message] = station.outbox()
    assert text.body.endswith(message.mark) and message.mark == mark(message.dedupe_key)
    assert (station.settings.inbox_dir / "done" / "monday.csv").is_file()


@pytest.mark.parametrize("rfv", [240, 180])
def test_quality_moves_the_date(rfv: int, station: Station) -> None:
    # As above: 240 is later than 205; 180 is below the 185 that must stand, so it is past.
    station.drop("monday.csv", results_sheet(clip(rfv=rfv)))
    station.round(SAMPLED, time(12))
    line = station.line("North")
    assert line.start_median is not None
    if rfv == 180:
        [text] = station.texts()
        assert "is about RFV 180 on Tue May 11, under the 185 needed to store 160" in text.body
        assert station.outbox()[0].kind == "past"
    else:
        assert line.start_median > DUE + ONE_DAY
        assert station.texts() == []  # outside the five days of notice


def test_text_arrives_inside_the_farms_hours_only(station: Station) -> None:
    station.drop("late.csv", results_sheet(clip(rfv=205)))
    station.round(SAMPLED, time(22, 10))
    assert station.texts() == []
    station.round(NEXT, time(6, 55))
    assert station.texts() == []
    station.round(NEXT, MORNING)
    assert len(station.texts()) == 1


def test_farm_with_two_fields_gets_one_text_that_says_which_first(station: Station) -> None:
    content = results_sheet(brook("East", 235, "K-2"), brook("West", 205, "K-3"))
    station.drop("brook.csv", content)
    station.round(SAMPLED, time(12))
    [text] = station.texts("Brook Farm")
    assert ", West first, then East. West RFV 205 on May 11" in text.body
    assert len(station.mails("ned@example.org")) == 1


def test_start_and_receipt_follow_in_time(station: Station) -> None:
    station.drop("monday.csv", results_sheet(clip(rfv=205)))
    day, at = SAMPLED, time(12)
    kinds = []
    for _ in range(4):
        station.round(day, at)
        station.round(day, time(12, 30))
        kinds = [message.kind for message in station.outbox()]
        day, at = day + ONE_DAY, MORNING
    assert kinds == ["coming", "start"]
    assert [message.status for message in station.outbox()] == ["delivered", "delivered"]
    first, last = station.texts()
    assert "Reply STOP to end, HELP for help." in first.body
    assert "STOP" not in last.body
    assert "start cutting tomorrow, " in last.body


# -------------------------------------------------------------- files that come again


def test_same_file_twice_sends_no_second_text(station: Station) -> None:
    content = results_sheet(clip(rfv=212))  # due in some days, so that no day brings its own text
    station.drop("monday.csv", content)
    station.round(SAMPLED, time(12))
    station.drop("monday.csv", content)
    station.round(SAMPLED, time(13))
    station.drop("monday again.csv", content + "\n")
    station.round(NEXT, MORNING)
    assert len(station.texts()) == 1
    assert station.line("North").results == 1
    done = station.settings.inbox_dir / "done"
    assert sorted(path.name for path in done.iterdir()) == [
        "monday again.csv",
        "monday-2.csv",
        "monday.csv",
    ]


def test_corrected_result_moves_the_date_and_says_so(station: Station) -> None:
    station.drop("monday.csv", results_sheet(clip(rfv=205)))
    station.round(SAMPLED, time(12))
    station.drop("corrected.csv", results_sheet(clip(rfv=225)))
    station.round(SAMPLED, time(15))
    station.round(NEXT, MORNING)
    first, second = station.texts()
    before = date_in(first.body, "about DATE")
    told = date_in(second.body, "start date is now DATE")
    assert told >= before + timedelta(days=2)
    assert date_in(second.body, "was DATE") == before
    assert told == station.line("North").start_median
    assert station.line("North").results == 1
    assert "RFV 225" in second.body


def test_date_that_wobbles_by_a_day_is_not_news(station: Station) -> None:
    station.drop("monday.csv", results_sheet(clip(rfv=218)))
    station.round(SAMPLED, time(12))
    before = station.line("North").start_median
    station.drop("corrected.csv", results_sheet(clip(rfv=214)))  # one day's worth of points
    station.round(NEXT, MORNING)
    assert station.line("North").start_median == before - ONE_DAY
    assert len(station.texts()) == 1


def test_unknown_field_waits_for_its_name_and_then_flows_on(station: Station) -> None:
    station.drop("monday.csv", results_sheet(clip(rfv=205, field="Nrth Fourty")))
    station.round(SAMPLED, time(12))
    assert station.texts() == []
    assert station.line("North").results == 0
    matched = name_field(
        station.parts.sessions,
        label="Nrth Fourty",
        farm_label="Plum Bottom",
        farm="Plum Bottom",
        field="North",
        guidelines=station.parts.guidelines,
        now=station.clock(),
    )
    assert matched == 1
    station.round(SAMPLED, time(12, 30))
    [text] = station.texts()
    assert abs(date_in(text.body, "about DATE") - DUE) <= ONE_DAY
    # The next file of this laboratory needs nobody.
    again = clip(rfv=201, field="Nrth Fourty", lab_number="K-7", sampled_on=NEXT.isoformat())
    station.drop("tuesday.csv", results_sheet(again))
    station.round(NEXT, time(12))
    assert station.line("North").results == 2


def test_bad_rows_do_not_hold_up_good_ones_and_are_kept(station: Station) -> None:
    content = results_sheet(clip(lab_number="K-0", ndf_pct_dm=400), clip(rfv=205))
    station.drop("monday.csv", content)
    station.round(SAMPLED, time(12))
    assert len(station.texts()) == 1
    with station.parts.sessions.read() as session:
        [rejected] = session.exec(select(RejectedRow)).all()
    assert (rejected.row, rejected.column) == (2, "ndf_pct_dm")
    assert rejected.raw["lab_number"] == "K-0"


def test_file_that_cannot_be_read_is_put_aside_with_the_others_taken(station: Station) -> None:
    (station.settings.inbox_dir / "broken.csv").write_bytes(b"\x00\x01\x02" * 40)
    station.drop("monday.csv", results_sheet(clip(rfv=205)))
    station.round(SAMPLED, time(12))
    assert len(station.texts()) == 1
    assert (station.settings.inbox_dir / "refused" / "broken.csv").read_bytes()[:1] == b"\x00"


def test_inbox_that_cannot_put_a_file_aside_loses_and_repeats_nothing(
    station: Station, caplog: pytest.LogCaptureFixture
) -> None:
    """As with a full disk: the file stays, is read again, and changes nothing."""
    (station.settings.inbox_dir / "done").symlink_to("nowhere")
    station.drop("monday.csv", results_sheet(clip(rfv=205)))
    with caplog.at_level(logging.WARNING, logger="alerts"):
        station.round(SAMPLED, time(12))
    assert "cannot be put aside" in caplog.text
    station.round(SAMPLED, time(12, 30))
    assert (station.settings.inbox_dir / "monday.csv").is_file()
    assert len(station.texts()) == 1
    assert station.line("North").results == 1


# ------------------------------------------------------------------------- the email


def calendar_of(station: Station, number: int) -> Event:
    mail = station.mails("ned@example.org")[number]
    [part] = [p for p in mail.email.iter_attachments() if p.get_content_type() == "text/calendar"]
    assert part["content-type"].params["method"] == "PUBLISH"
    whole = Calendar.from_ical(part.get_payload(decode=True))
    assert whole["method"] == "PUBLISH"
    [event] = whole.walk("VEVENT")
    assert isinstance(event, Event)
    return event


def test_calendar_entry_of_the_email_moves_with_the_date(station: Station) -> None:
    # C. Daboo (2009), RFC 5546, 2.1.4: the same UID for life, SEQUENCE one higher with each move.
    content = results_sheet(brook("East", 212, "K-2"), brook("West", 212, "K-3"))
    station.drop("brook.csv", content)
    station.round(SAMPLED, time(12))
    corrected = results_sheet(brook("East", 235, "K-2"), brook("West", 235, "K-3"))
    station.drop("corrected.csv", corrected)
    station.round(NEXT, MORNING)
    first, second = calendar_of(station, 0), calendar_of(station, 1)
    bodies = [
        mail.email.get_body(("plain",)).get_content() for mail in station.mails("ned@example.org")
    ]
    assert first.start == date_in(bodies[0], "start cutting about DATE")
    assert second.start == date_in(bodies[1], "moved to DATE")
    assert second.start > first.start
    assert first["uid"] == second["uid"]
    assert (first["sequence"], second["sequence"]) == (0, 1)
    # Two days of harvest; DTEND is the day after the last one (RFC 5545, 3.6.1).
    assert first.end == first.start + timedelta(days=2)
    assert second["dtstamp"].dt > first["dtstamp"].dt


def test_email_can_be_stopped_with_one_click(station: Station) -> None:
    station.drop("brook.csv", results_sheet(brook("East", 205, "K-2")))
    station.round(SAMPLED, time(12))
    [mail] = station.mails("ned@example.org")
    link = mail.email["List-Unsubscribe"]
    assert link.startswith("<https://cutcall.example.org/stop/") and link.endswith(">")
    assert mail.email["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    for kind in ("plain", "html"):
        assert link.strip("<>") in mail.email.get_body((kind,)).get_content()


def test_consultant_gets_one_digest_a_day_with_every_field_in_its_csv(station: Station) -> None:
    station.drop("all.csv", results_sheet(clip(rfv=212), brook("East", 235, "K-2")))
    station.round(SAMPLED, time(12))
    before = len(station.mails("marta@example.org"))  # the digest of that day, its hour being past
    for at in (MORNING, DIGEST, time(9), time(12)):
        station.round(NEXT, at)
    mails = station.mails("marta@example.org")
    assert len(mails) == before + 1
    email = mails[-1].email
    assert email["subject"].startswith("Start dates on Wed May 12:")
    assert email["subject"].endswith("2 of 2 clients with a date")
    [part] = [p for p in email.iter_attachments() if p.get_content_type() == "text/csv"]
    assert part.get_filename() == "start-dates-2027-05-12.csv"
    table = part.get_payload(decode=True).decode("utf-8-sig")
    rows = {row["field"]: row for row in csv.DictReader(io.StringIO(table))}
    assert set(rows) == {"North", "East", "West"}
    for name, row in rows.items():
        line = station.line(name)
        assert row["start_median"] == str(line.start_median)
        assert row["start_p10"] == str(line.start_p10)
        assert float(row["standing_target"]) == line.standing_target == 185
    assert rows["North"]["fate"] == "arrived"
    assert date.fromisoformat(rows["North"]["told_start"]) == station.line("North").told
    assert "text to Ada Lindqvist: start about" in email.get_body(("plain",)).get_content()


def test_sampler_hears_the_evening_before_which_fields_to_clip(station: Station) -> None:
    sampler = {"sampler": "June Ott", "sampler_email": "june@example.org"}
    station.enrol({"farm": "Third Farm", "phone": "+12025550149", **sampler})
    wednesday, thursday = date(2027, 5, 12), "Thu May 13"
    station.drop("third.csv", results_sheet(clip(farm="Third Farm", rfv=240)))
    station.round(SAMPLED, time(12))
    for at in (time(16), time(17, 5), time(18)):
        station.round(wednesday, at)
    [mail] = station.mails("june@example.org")
    assert mail.email["subject"] == f"Clip 1 field on {thursday}"
    said = mail.email.get_body(("plain",)).get_content()
    assert said.index("Third Farm") < said.index("North")

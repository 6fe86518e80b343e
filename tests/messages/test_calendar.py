from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any, TypedDict, Unpack

import pytest
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar, Event

from alerts.messages.calendar import Entry, content_type, start_calendar, start_event

# B. Desruisseaux (2009), RFC 5545; C. Daboo (2009), RFC 5546; see SOURCES-messages.md.
DATA = Path(__file__).parents[1] / "data" / "messaging"
CASES = json.loads((DATA / "ical_cases.json").read_text(encoding="utf-8"))
STAMP = datetime(2027, 5, 24, 11, 30, tzinfo=UTC)


class Given(TypedDict, total=False):
    uid: str
    sequence: int
    start: date
    end: date
    summary: str
    description: str
    organizer_email: str
    organizer_name: str
    stamp: datetime
    url: str
    cancelled: bool


def entry(**given_values: Unpack[Given]) -> bytes:
    values: Given = {
        "uid": "farm-12-cut-1@example.org",
        "sequence": 0,
        "start": date(2027, 5, 28),
        "end": date(2027, 6, 1),
        "summary": "Start cutting",
        "description": "Standing RFV 172, five days of harvest.",
        "organizer_email": "alerts@example.org",
        "organizer_name": "Spring harvest desk",
        "stamp": STAMP,
    }
    return start_event(**(values | given_values))


def read(content: bytes) -> tuple[Calendar, Event]:
    calendar = Calendar.from_ical(content)
    (event,) = calendar.walk("VEVENT")
    assert isinstance(event, Event)
    return calendar, event


def lines(content: bytes) -> list[str]:
    """The content lines, unfolded as RFC 5545 3.1 says."""
    return content.replace(b"\r\n ", b"").decode().split("\r\n")


@pytest.mark.parametrize("case", CASES["all_day"], ids=lambda case: case["note"])
def test_all_day_entry_ends_on_the_day_after(case: dict[str, str]) -> None:
    first, last = date.fromisoformat(case["first"]), date.fromisoformat(case["last"])
    content = entry(start=first, end=last)
    assert case["DTSTART"] in lines(content)
    assert case["DTEND"] in lines(content)
    _, event = read(content)
    assert event.start == first
    assert event.end == last + timedelta(days=1)


@pytest.mark.parametrize("case", CASES["text"], ids=lambda case: case["raw"])
def test_text_is_escaped_and_reads_back(case: dict[str, str]) -> None:
    content = entry(description=case["raw"], summary=case["raw"])
    assert f"DESCRIPTION:{case['escaped']}" in lines(content)
    assert f"SUMMARY:{case['escaped']}" in lines(content)
    _, event = read(content)
    assert event["description"] == case["raw"]


@pytest.mark.parametrize("case", CASES["folding"], ids=lambda case: case["line"][:30])
def test_long_lines_fold_to_75_octets_between_characters(case: dict[str, str]) -> None:
    name, value = case["line"].split(":", 1)
    content = entry(description=value) if name == "DESCRIPTION" else entry(summary=value)
    assert case["line"] in lines(content)
    assert case["folded"].replace("\r\n ", "") == case["line"]  # the file agrees with itself
    physical = content.split(b"\r\n")
    assert max(map(len, physical)) <= 75
    assert [line.decode() for line in physical]  # a cut inside a character would not decode


@given(st.text(alphabet="é🌿 a,;\\:\n", max_size=300))
def test_any_description_folds_and_reads_back(description: str) -> None:
    content = entry(description=description)
    assert max(map(len, content.split(b"\r\n"))) <= 75
    _, event = read(content)
    assert event.get("description", "") == description.removesuffix("\n")


def test_each_step_of_the_sequence_keeps_the_uid_and_reads_back() -> None:
    for number, step in enumerate(CASES["sequence"]):
        content = entry(
            sequence=step["SEQUENCE"],
            cancelled=step["METHOD"] == "CANCEL",
            stamp=STAMP + timedelta(days=number),
        )
        calendar, event = read(content)
        assert calendar["method"] == step["METHOD"]
        assert event["sequence"] == step["SEQUENCE"]
        assert event["status"] == step.get("STATUS", "TENTATIVE")
        assert event["uid"] == "farm-12-cut-1@example.org"
        stamped = event.DTSTAMP
        assert stamped == STAMP + timedelta(days=number)


@pytest.mark.parametrize("cancelled", [False, True])
def test_entry_holds_what_publish_requires_and_nothing_it_forbids(cancelled: bool) -> None:
    calendar, event = read(entry(sequence=1, cancelled=cancelled))
    present = set(calendar) | set(event)
    assert set(CASES["publish_required"]) <= present
    assert not set(CASES["publish_forbidden"]) & present
    assert {"PRODID", "VERSION", "SEQUENCE"} <= present
    assert event["transp"] == "TRANSPARENT"


def test_stamp_of_another_zone_is_written_in_utc() -> None:
    local = datetime(2027, 5, 24, 6, 30, tzinfo=timezone(timedelta(hours=-5)))
    assert "DTSTAMP:20270524T113000Z" in lines(entry(stamp=local))


def test_organizer_and_url_read_back() -> None:
    name = 'Hollow "Creek", Farms: José'
    _, event = read(entry(organizer_name=name, url="https://example.org/f/12?k=a;b"))
    assert event["organizer"] == "mailto:alerts@example.org"
    assert event["organizer"].params["CN"] == name
    assert event["url"] == "https://example.org/f/12?k=a;b"


@pytest.mark.parametrize("field", ["uid", "summary", "description", "organizer_name"])
def test_line_break_in_a_text_adds_no_property(field: str) -> None:
    wrong: Any = {field: "x\r\nATTENDEE:mailto:a@example.org\x00"}
    content = entry(**wrong)
    _, event = read(content)
    assert "attendee" not in event
    assert b"\x00" not in content


@pytest.mark.parametrize("field", ["organizer_email", "url"])
def test_line_break_in_an_address_is_refused(field: str) -> None:
    wrong: Any = {field: "a@example.org\r\nATTENDEE:mailto:b@example.org"}
    with pytest.raises(ValueError, match="CR or LF"):
        entry(**wrong)


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"end": date(2027, 5, 27)}, "before it starts"),
        ({"sequence": -1}, "count from 0"),
        ({"cancelled": True}, "raise it above"),
        ({"stamp": datetime(2027, 5, 24, 11, 30)}, "no time zone"),
        ({"uid": " "}, "no uid"),
        ({"summary": ""}, "no summary"),
        ({"organizer_email": ""}, "no organizer_email"),
    ],
)
def test_entry_that_no_calendar_could_use_is_refused(wrong: Given, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        entry(**wrong)


def test_content_type_names_the_method_of_the_entry() -> None:
    assert content_type() == "text/calendar; method=PUBLISH; charset=UTF-8"
    assert content_type(cancelled=True) == "text/calendar; method=CANCEL; charset=UTF-8"


# ------------------------------------------------------------- several in one calendar


def test_calendar_of_several_holds_each_case_as_an_entry_alone_would() -> None:
    days = [
        (date.fromisoformat(case["first"]), date.fromisoformat(case["last"]))
        for case in CASES["all_day"]
    ]
    stamp = datetime(2027, 5, 12, 12, tzinfo=UTC)
    who = {"organizer_email": "cutcall@example.org", "organizer_name": "Cutcall", "stamp": stamp}
    entries = [
        Entry(f"{n}@example.org", n, first, last, f"Farm {n}", "as told", f"https://x.example/{n}")
        for n, (first, last) in enumerate(days)
    ]
    content = start_calendar(entries, **who)  # type: ignore[arg-type]
    written = lines(content)
    for case in CASES["all_day"]:
        assert case["DTSTART"] in written
        assert case["DTEND"] in written
    together = Calendar.from_ical(content).walk("VEVENT")
    for entry_given, found in zip(entries, together, strict=True):
        alone = start_event(
            uid=entry_given.uid,
            sequence=entry_given.sequence,
            start=entry_given.start,
            end=entry_given.end,
            summary=entry_given.summary,
            description=entry_given.description,
            url=entry_given.url,
            **who,  # type: ignore[arg-type]
        )
        assert found.to_ical() == Calendar.from_ical(alone).walk("VEVENT")[0].to_ical()


def farms(*summaries: str, published: bool) -> bytes:
    entries = [
        Entry(f"{n}@example.org", n, date(2027, 5, 14), date(2027, 5, 15), summary, "")
        for n, summary in enumerate(summaries)
    ]
    return start_calendar(
        entries,
        organizer_email="cutcall@example.org",
        organizer_name="Cutcall",
        stamp=STAMP,
        published=published,
    )


@pytest.mark.parametrize("published", [True, False])
def test_several_entries_stand_in_one_calendar(published: bool) -> None:
    # RFC 5545 3.4 and 3.6: one VCALENDAR object may hold several components.
    content = farms("Alder End", "Plum Bottom", published=published)
    assert content.count(b"BEGIN:VCALENDAR") == 1
    events = Calendar.from_ical(content).walk("VEVENT")
    assert [str(event["uid"]) for event in events] == ["0@example.org", "1@example.org"]


def test_text_of_an_entry_cannot_begin_another() -> None:
    # RFC 5545 3.3.11: a line break in TEXT is written as a backslash and n.
    content = farms("Alder\r\nEND:VEVENT\r\nBEGIN:VEVENT", published=False)
    [event] = Calendar.from_ical(content).walk("VEVENT")
    assert str(event["summary"]) == "Alder\nEND:VEVENT\nBEGIN:VEVENT"


def test_file_to_open_is_no_message_to_be_processed() -> None:
    # RFC 5545 3.7.2: without METHOD a calendar is a snapshot, not a scheduling message.
    assert b"METHOD" not in farms("Alder End", published=False)
    assert b"METHOD:PUBLISH" in farms("Alder End", published=True)


def test_calendar_of_several_is_checked_entry_by_entry() -> None:
    backwards = Entry("1@example.org", 0, date(2027, 5, 13), date(2027, 5, 12), "Farm", "")
    with pytest.raises(ValueError, match="swap the days"):
        start_calendar(
            [backwards],
            organizer_email="cutcall@example.org",
            organizer_name="",
            stamp=datetime(2027, 5, 12, tzinfo=UTC),
        )

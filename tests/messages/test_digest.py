from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from html.parser import HTMLParser

import pytest

from alerts.domain.changes import Change, ChangeKind
from alerts.domain.clips import Clip, Why
from alerts.domain.decision import Kind
from alerts.domain.delivery import Status
from alerts.domain.records import Index
from alerts.messages.digest import MOST_HTML, change_words, fate, write_digest
from alerts.messages.digest_parts import Digest, DigestClient, DigestField, DigestMessage, by_date
from alerts.messages.letters import Letter
from alerts.messages.plain_text import TEXT_COLUMNS
from alerts.messages.templates import Templates
from alerts.messages.wording import ENGLISH

TODAY = date(2027, 5, 12)
MONDAY = date(2027, 5, 10)
URL = "https://cutcall.example.org/stop/abc?x=1&y=2"
PAGE = "https://cutcall.example.org/consultant/7.abc"
LANGUAGES = ("en", "es")


def field(
    name: str = "North 40",
    median: date | None = date(2027, 5, 18),
    *,
    cut_on: date | None = None,
    was: date | None = None,
    fresh: ChangeKind | None = None,
) -> DigestField:
    return DigestField(
        name=name,
        cutting=2 if cut_on else 1,
        index=Index.RFV,
        standing_target=185.0,
        results=3 if median else 0,
        start_p10=date(2027, 5, 15) if median else None,
        start_median=median,
        start_p90=date(2027, 5, 24) if median else None,
        evidence="RFV 205 on May 10, 3 results" if median else "no result yet",
        cut_on=cut_on,
        was=was,
        fresh=fresh,
    )


def message(
    kind: Kind = Kind.COMING,
    status: Status = Status.DELIVERED,
    channel: str = "sms",
    detail: str = "",
) -> DigestMessage:
    return DigestMessage(
        on=date(2027, 5, 11),
        to="Ida Brandvold",
        kind=kind.value,
        start_on=date(2027, 5, 18),
        channel=channel,
        status=status,
        detail=detail,
    )


def client(
    farm: str = "Alder Bottom",
    median: date | None = date(2027, 5, 18),
    fields: tuple[DigestField, ...] | None = None,
    messages: tuple[DigestMessage, ...] = (),
    changes: tuple[Change, ...] = (),
) -> DigestClient:
    return DigestClient(
        farm=farm,
        farmer="Ida Brandvold",
        start_p10=date(2027, 5, 15) if median else None,
        start_median=median,
        start_p90=date(2027, 5, 24) if median else None,
        fields=(field(median=median),) if fields is None else fields,
        messages=messages,
        changes=changes,
    )


def clip(why: Why = Why.NARROWS, **changes: object) -> Clip:
    values: dict[str, object] = {
        "area": "Heron Flats",
        "farm_id": 1,
        "farm": "Alder Bottom",
        "field_id": 1,
        "field": "North 40",
        "cutting": 1,
        "acres": None,
        "index": Index.RFV,
        "standing_target": 185.0,
        "sampler_id": 4,
        "sampler": "Jo Tanager",
        "on": date(2027, 5, 13),
        "why": why,
        "worth_days": 2.34,
        "last_on": MONDAY,
        "last_value": 205.0,
        "last_index": Index.RFV,
        "days_since": 2,
        "start_p10": date(2027, 5, 15),
        "start_median": date(2027, 5, 18),
        "start_p90": date(2027, 5, 24),
    }
    return Clip(**{**values, **changes})  # type: ignore[arg-type]


def write(
    templates: Templates, *clients: DigestClient, language: str = "en", **values: object
) -> Letter:
    told = {"mark": "#K7Q2B", "unsubscribe_url": URL, **values}
    digest = Digest(today=TODAY, clients=clients, **told)  # type: ignore[arg-type]
    return write_digest(templates, language, digest)


@pytest.fixture
def written(templates: Templates) -> Letter:
    return write(
        templates,
        client("Later", date(2027, 5, 20)),
        client("Nothing yet", None),
        client("Sooner", date(2027, 5, 14), messages=(message(),)),
        has_calendar=True,
    )


class Cells(HTMLParser):
    """Words and tags of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self.tags: list[str] = []
        self.links: list[str | None] = []
        self.pictures: list[dict[str, str | None]] = []
        self.strong: list[str] = []
        self._in_strong = False

    def handle_endtag(self, tag: str) -> None:
        self._in_strong = self._in_strong and tag != "strong"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._in_strong = tag == "strong"
        self.links += [value for name, value in attrs if name == "href"]
        if tag == "img":
            self.pictures.append(dict(attrs))

    def handle_data(self, data: str) -> None:
        self.said.append(data.strip())
        if self._in_strong:
            self.strong.append(data.strip())


def page(html: str) -> Cells:
    cells = Cells()
    cells.feed(html)
    return cells


def unwrapped(text: str) -> str:
    """A text without the places where its lines were broken."""
    return " ".join(text.split())


# -------------------------------------------------------------------- the table


def test_digest_is_sorted_by_date_with_the_dateless_last(written: Letter) -> None:
    for body in (written.text, written.html):
        places = [body.index(farm) for farm in ("Sooner", "Later", "Nothing yet")]
        assert places == sorted(places)


def test_clients_of_one_date_are_sorted_by_name() -> None:
    same = [client("Birch"), client("Ash"), client("Cedar", None), client("Aspen", None)]
    assert [one.farm for one in by_date(same)] == ["Ash", "Birch", "Aspen", "Cedar"]


def test_digest_says_the_same_in_both_forms(written: Letter) -> None:
    shown = " ".join(page(written.html.partition("</title>")[2]).said)
    for words in (
        "Start Fri May 14 (likely May 15-24).",
        "No start date yet: no usable result this season.",
        "Fri May 14 (likely May 15-24)",
        "RFV 205 on May 10, 3 results",
        "May 11, text to Ida Brandvold: start about Tue May 18; arrived.",
        "Told nothing yet.",
        "Attached: the same table as a CSV file, and a calendar with one entry a client.",
        "#K7Q2B",
    ):
        assert words in unwrapped(written.text)
        assert words in shown
    assert "not in sight" not in written.text + written.html


@pytest.mark.parametrize(
    ("language", "with_one", "without"),
    [
        ("en", "as a CSV file, and a calendar with one entry a client.", "as a CSV file."),
        ("es", "Se adjuntan la misma tabla como archivo CSV y un calendario", "archivo CSV."),
    ],
)
def test_calendar_is_named_only_where_one_is_attached(
    templates: Templates, language: str, with_one: str, without: str
) -> None:
    for attached, said in ((True, with_one), (False, without)):
        letter = write(templates, client(), language=language, has_calendar=attached)
        assert said in unwrapped(letter.text)
        assert said in letter.html


@pytest.mark.parametrize(
    ("p90", "said"),
    [
        (TODAY, "Start now; the day to start was Tue May 11 (at the latest May 12)."),
        (date(2027, 5, 11), "Start now; the day to start was Tue May 11."),
    ],
)
def test_date_that_is_gone_is_not_told_as_one_to_come(
    templates: Templates, p90: date, said: str
) -> None:
    late = replace(client("Late", date(2027, 5, 11)), start_p90=p90)
    written = write(templates, late, client("Today", TODAY))
    assert said in unwrapped(written.text)
    assert said in written.html
    assert "Start Wed May 12 (likely" in unwrapped(written.text)


def test_digest_table_has_a_header_and_a_row_for_each_field(templates: Templates) -> None:
    fields = tuple(field(f"Field {n}", date(2027, 5, 20 - n)) for n in range(4))
    shown = page(write(templates, client(fields=fields)).html)
    assert shown.tags.count("table") == 1
    assert shown.tags.count("tr") == 1 + 4
    names = [words for words in shown.said if words.startswith("Field ")]
    assert names == ["Field 3", "Field 2", "Field 1", "Field 0"]  # earliest first


def test_digest_escapes_names(templates: Templates) -> None:
    wild = client("<script>x</script>", fields=(field("A & <i>B</i>"),))
    letter = write(templates, wild, gone=("<b>Gone</b>",), since=MONDAY)
    shown = page(letter.html)
    assert not {"script", "i"} & set(shown.tags)
    assert "<script>x</script>" in shown.said
    assert "<b>Gone</b>" in shown.said
    assert "A & <i>B</i>" in letter.text


def test_digest_links_to_stop_only_where_there_is_a_page(
    written: Letter, templates: Templates
) -> None:
    assert f"Stop these emails: {URL}" in unwrapped(written.text)
    assert page(written.html).links == [URL]
    without = write(templates, client(), unsubscribe_url="")
    assert "Stop these" not in without.text + without.html


def test_digest_leads_to_the_page_of_all_and_of_each_client(templates: Templates) -> None:
    one = replace(client(), url=f"{PAGE}/farm/3")
    letter = write(templates, one, page_url=PAGE)
    assert page(letter.html).links == [PAGE, f"{PAGE}/farm/3", URL]
    for url in (PAGE, f"{PAGE}/farm/3"):
        assert url in letter.text.split()  # whole, however long the line


def test_field_that_was_cut_says_so(templates: Templates) -> None:
    cut = client(median=None, fields=(field(median=None, cut_on=date(2027, 5, 9)),))
    text = write(templates, cut).text
    assert "All fields cut; no result from the next cutting yet." in unwrapped(text)
    assert "North 40: cut May 9; cutting 2: no result yet" in text


def test_harvest_under_way_is_said_instead_of_a_date_to_start(templates: Templates) -> None:
    cut = field("North 40", None, cut_on=date(2027, 5, 11))
    letter = write(templates, client("Alder Bottom", fields=(cut, field("Creek Piece"))))
    assert "Cutting since Tue May 11." in letter.text
    assert "Creek Piece: if the only field, by Tue May 18" in letter.text


def test_pause_is_said_until_it_is_over(templates: Templates) -> None:
    paused = replace(client(), paused_until=date(2027, 5, 20))
    said = "Paused until Thu May 20: the farmer is told nothing before."
    assert said in unwrapped(write(templates, paused).text)
    over = replace(client(), paused_until=TODAY)
    assert "Paused" not in write(templates, over).text


@pytest.mark.parametrize("language", LANGUAGES)
def test_plain_text_keeps_to_its_columns(language: str, templates: Templates) -> None:
    """At most 78 characters a line (RFC 5322 2.1.1); only an address may be longer."""
    long = client(
        "The farm behind the old stone barn beside the county road",
        fields=(field("Upper meadow, north half of the long piece", was=MONDAY),),
        messages=(message(status=Status.FAILED, detail="not a valid phone number, says the net"),),
        changes=(Change(ChangeKind.MOVED, was=MONDAY, now=TODAY),),
    )
    letter = write(
        templates, long, language=language, since=MONDAY, clips=(clip(),), page_url=f"{PAGE}x" * 3
    )
    lines = letter.text.splitlines()
    assert len(lines) > 15
    assert [line for line in lines if len(line) > TEXT_COLUMNS and "https://" not in line] == []


def test_chart_is_shown_by_its_content_id_and_says_in_words_what_it_shows(
    templates: Templates,
) -> None:
    """RFC 2392: a cid URL names the Content-ID of a part of the same message."""
    drawn = replace(client(), picture="chart-3@cutcall")
    [picture] = page(write(templates, drawn, client("Birch")).html).pictures
    assert picture["src"] == "cid:chart-3@cutcall"
    assert picture["alt"] == "North 40: Tue May 18 (likely May 15-24)"


# --------------------------------------------------------------- what was told


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (Kind.COMING, "start about Tue May 18"),
        (Kind.MOVED, "start moved to Tue May 18"),
        (Kind.START, "start Tue May 18"),
        (Kind.PAST, "already past its target"),
        (Kind.NO_RESULTS, "no new result, clip again"),
    ],
)
def test_digest_says_what_was_told_in_plain_words(
    kind: Kind, words: str, templates: Templates
) -> None:
    told = client(messages=(message(kind, channel="email", status=Status.ACCEPTED),))
    letter = write(templates, told)
    line = f"May 11, email to Ida Brandvold: {words}; taken by the mail server."
    assert line in unwrapped(letter.text)
    assert line in letter.html


def test_message_of_a_kind_without_words_is_still_accounted_for(templates: Templates) -> None:
    told = client(messages=(message(Kind.SAMPLE_DUE),))
    assert "text to Ida Brandvold: a message; arrived." in write(templates, told).text


@pytest.mark.parametrize("status", Status)
@pytest.mark.parametrize("language", LANGUAGES)
def test_every_status_has_words(status: Status, language: str, templates: Templates) -> None:
    words = templates.wording(language)
    assert fate(words, message(status=status)) == words.say(f"digest.fate_{status}")


def test_overtaken_message_is_said_briefly() -> None:
    overtaken = message(status=Status.CANCELLED, detail="overtaken by newer words")
    assert fate(ENGLISH, overtaken) == "not sent, overtaken"


def test_fate_gives_the_reason_of_a_failure_only() -> None:
    refused = message(status=Status.FAILED, detail="21211 not a number")
    assert fate(ENGLISH, refused) == "could not be sent (21211 not a number)"
    assert fate(ENGLISH, message(status=Status.DELIVERED, detail="delivered")) == "arrived"
    by_mail = message(status=Status.ACCEPTED, channel="email")
    assert fate(ENGLISH, by_mail) == "taken by the mail server"
    assert fate(ENGLISH, message(status=Status.ACCEPTED)) == "taken by the gateway, no receipt yet"


# ------------------------------------------------------------------- the subject


def test_first_digest_counts_clients_and_dates(written: Letter, templates: Templates) -> None:
    assert written.subject == "Start dates on Wed May 12: 3 clients, 2 with a date"
    alone = write(templates, client())
    assert alone.subject == "Start dates on Wed May 12: 1 client, 1 with a date"
    assert "Changed since" not in written.text + written.html


def test_digest_without_a_change_says_so_in_one_line(templates: Templates) -> None:
    letter = write(templates, client(), client("Birch", None), since=MONDAY)
    subject = "Start dates on Wed May 12: nothing changed, 1 of 2 clients with a date"
    assert letter.subject == subject
    assert "Nothing changed since Mon May 10." in letter.text.splitlines()
    assert "Nothing changed since Mon May 10." in page(letter.html).said


FAILED = Change(ChangeKind.FAILED, person="Ida Brandvold")
MOVED = Change(ChangeKind.MOVED, was=date(2027, 5, 14), now=TODAY)
RESULT = Change(ChangeKind.RESULT, 1, "North 40")
CUT = Change(ChangeKind.CUT, 2, "Creek", now=date(2027, 5, 11))
PAUSED = Change(ChangeKind.PAUSED, now=date(2027, 5, 20))


@pytest.mark.parametrize(
    ("changes", "news"),
    [
        ([(MOVED,)], "Farm 0 moved to May 12"),
        ([(MOVED,), (MOVED, RESULT)], "2 dates moved, result from Farm 1"),
        ([(RESULT, RESULT)], "result from Farm 0"),
        ([(FAILED, FAILED)], "2 messages failed"),
        ([(CUT,), (FAILED,)], "message to Farm 1 failed, Farm 0 cut"),
        (
            [(PAUSED, RESULT), (CUT, MOVED)],
            "Farm 1 moved to May 12, Farm 1 cut, result from Farm 0 and more",
        ),
    ],
)
def test_subject_says_what_changed_the_weightiest_first(
    changes: list[tuple[Change, ...]], news: str, templates: Templates
) -> None:
    clients = [client(f"Farm {n}", changes=one) for n, one in enumerate(changes)]
    letter = write(templates, *clients, since=MONDAY)
    assert letter.subject == f"Start dates on Wed May 12: {news}"
    assert unwrapped(letter.text).startswith(letter.subject)


def test_client_whose_start_comes_near_is_said_to_start_in_so_many_days(
    templates: Templates,
) -> None:
    near = Change(ChangeKind.NEAR, now=TODAY + timedelta(days=5))
    english, spanish = templates.wording("en"), templates.wording("es")
    assert change_words(english, near, TODAY) == "starts in 5 days"
    assert change_words(english, replace(near, now=TODAY), TODAY) == "starts now"
    assert change_words(english, near, None) == "starts May 17"
    assert change_words(spanish, near, TODAY) == "empieza en 5 días"
    letter = write(templates, client("Alder End", changes=(near,)), since=MONDAY)
    assert letter.subject == "Start dates on Wed May 12: Alder End starts in 5 days"


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", ChangeKind)
def test_every_kind_of_change_can_be_said_of_one_client_and_of_several(
    kind: ChangeKind, language: str, templates: Templates
) -> None:
    change = Change(kind, 1, "North 40", was=MONDAY, now=TODAY, person="Ida Brandvold")
    assert change_words(templates.wording(language), change, TODAY)
    for count in (1, 2):
        clients = [client(f"Farm {n}", changes=(change,)) for n in range(count)]
        letter = write(templates, *clients, language=language, since=MONDAY)
        named = "Farm 0" in letter.subject
        assert named is (count == 1)
        assert named or "2" in letter.subject.partition(": ")[2]


# ---------------------------------------------------------------- marks of change


def test_changes_are_marked_in_words_in_both_forms(templates: Templates) -> None:
    changed = client(
        fields=(
            field("North 40", was=date(2027, 5, 20), fresh=ChangeKind.RESULT),
            field("Creek", None, cut_on=date(2027, 5, 11)),
        ),
        changes=(MOVED, RESULT, CUT),
    )
    letter = write(templates, changed, client("New one", changes=(NEW,)), since=MONDAY)
    text = unwrapped(letter.text)
    assert (
        "Changed since Mon May 10: Alder Bottom: start date was Fri May 14, now Wed May 12; "
        "new result from North 40; Creek cut on Tue May 11 New one: new client"
    ) in text
    assert "[was Fri May 14]" in text  # beside the farm's date
    assert "[was Thu May 20]; [new result] RFV 205" in text  # beside the field's
    assert "[new client]" in text
    marked = page(letter.html).strong
    assert marked == ["was Fri May 14", "was Thu May 20", "new result", "new client"]


NEW = Change(ChangeKind.NEW_CLIENT)


def test_client_that_left_is_named_once(templates: Templates) -> None:
    letter = write(templates, client(), since=MONDAY, gone=("Plum Bottom",))
    assert letter.subject == "Start dates on Wed May 12: Plum Bottom gone"
    assert "  Plum Bottom: no longer one of your clients" in letter.text.splitlines()


# ------------------------------------------------------------------- what to clip


def test_clips_are_listed_with_their_reasons(templates: Templates) -> None:
    first = clip(
        Why.FIRST,
        field="Ridge",
        sampler="",
        last_on=None,
        last_value=None,
        days_since=None,
        worth_days=13.2,
    )
    missed = clip(Why.OVERDUE, field="Creek", missed_on=MONDAY, last_on=date(2027, 5, 6))
    letter = write(templates, client(), clips=(first, clip(), missed))
    text, shown = unwrapped(letter.text), " ".join(page(letter.html).said)
    for words in (
        "Ridge, Alder Bottom",
        "no result of its own yet; may be due as early as May 15; a clip makes its date "
        "about 13 days surer",
        "last result May 10, 2 days ago; a clip makes its date about 2 days surer (Jo Tanager)",
        "last result May 6, 2 days ago; none came for May 10",
    ):
        assert words in text
        assert words in shown
    assert text.index("Ridge, Alder") < text.index("North 40, Alder") < text.index("Creek, Alder")


@pytest.mark.parametrize(
    ("worth", "said"),
    [
        (4.2, "a clip makes its date about 4 days surer"),
        (1.0, "a clip makes its date about 1 day surer"),
        (0.1, "a clip makes its date surer by under a day"),
        (0.04, "a clip hardly makes its date surer"),
        (None, "2 days ago"),
    ],
)
def test_worth_of_a_clip_is_not_overdone(
    worth: float | None, said: str, templates: Templates
) -> None:
    letter = write(templates, client(), clips=(clip(worth_days=worth),))
    assert f"{said} (Jo Tanager)" in unwrapped(letter.text)


# ---------------------------------------------------------------------- languages


def test_digest_in_spanish_has_no_english_left(templates: Templates) -> None:
    changed = client(
        messages=(message(),),
        changes=(MOVED, RESULT),
        fields=(replace(field(was=MONDAY, fresh=ChangeKind.RESULT), evidence="RFV 205"),),
    )
    letter = write(templates, changed, language="es", since=MONDAY, clips=(clip(),), page_url=PAGE)
    said = f"{letter.subject} {letter.text} {' '.join(page(letter.html).said)}".casefold()
    words = set(said.replace(",", " ").replace(":", " ").replace(".", " ").split())
    assert not words & {"start", "was", "now", "text", "to", "clip", "result", "about", "since"}
    assert "cambios desde el lun 10 may" in said
    assert "era el vie 14 may" in said


# ---------------------------------------------------------------- a long one


def many_clients(many: int, fields: int = 4) -> list[DigestClient]:
    return [
        replace(
            client(
                f"Farm {number:03}",
                date(2027, 5, 13) + timedelta(number % 20),
                fields=tuple(field(f"Field {place}") for place in range(fields)),
                messages=(message(),),
            ),
            url=f"{PAGE}/farm/{number}",
        )
        for number in range(many)
    ]


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize(("many", "fields"), [(110, 4), (200, 4), (60, 20), (400, 3)])
def test_long_digest_names_every_client_on_a_page_that_no_mailbox_cuts_off(
    templates: Templates, language: str, many: int, fields: int
) -> None:
    """Mailboxes cut pages of about 100 kB off (common practice)."""
    clients = many_clients(many, fields)
    letter = write(templates, *clients, language=language)
    assert len(letter.html.encode()) <= MOST_HTML
    assert URL.replace("&", "&amp;") in letter.html
    for one in clients:
        assert f'href="{one.url}"' in letter.html
        assert one.farm in letter.html
        assert one.farm in letter.text
    first, *_, last = by_date(clients)
    assert letter.text.index(first.farm) < letter.text.index(last.farm)
    said = page(letter.html).said
    assert said.index(first.farm) < said.index(last.farm)
    assert page(letter.html).tags.count("h2") < many


def test_digest_that_is_short_enough_tells_every_client_in_full(templates: Templates) -> None:
    letter = write(templates, *many_clients(40))
    assert page(letter.html).tags.count("h2") == 40
    assert "other" not in letter.text


def test_clients_whom_no_page_could_hold_are_counted(templates: Templates) -> None:
    clients = many_clients(1000)
    letter = write(templates, *clients)
    assert len(letter.html.encode()) <= MOST_HTML
    told = sum(one.farm in letter.text for one in clients)
    assert f"{1000 - told} more clients stand in the attached table." in unwrapped(letter.text)
    assert f"{1000 - told} more clients stand in the attached table." in letter.html


@pytest.mark.parametrize("language", LANGUAGES)
def test_changes_that_no_page_could_hold_are_counted(templates: Templates, language: str) -> None:
    """The morning after a laboratory's file, nearly every client has changed."""
    changes = (
        Change(ChangeKind.MOVED, was=date(2027, 5, 20), now=date(2027, 5, 18)),
        *(Change(ChangeKind.RESULT, field=f"Field {place}") for place in range(3)),
    )
    clients = [replace(one, changes=changes) for one in many_clients(1000, 3)]
    letter = write(templates, *clients, language=language, since=MONDAY)
    assert len(letter.html.encode()) <= MOST_HTML
    assert URL.replace("&", "&amp;") in letter.html
    counted = {"en": "{} more clients changed.", "es": "Otros {} clientes cambiaron."}[language]
    told = re.search(re.escape(counted).replace(r"\{\}", r"(\d+)"), letter.html)
    assert told is not None
    listed = letter.html[: told.start()].count("<li><b>")
    assert listed + int(told[1]) == 1000
    assert told[0] in unwrapped(letter.text)


def test_failed_message_is_said_whatever_else_is_left_out(templates: Templates) -> None:
    """A consultant calls the farmer whom no message reached; a moved date is in the table."""
    moved = Change(ChangeKind.MOVED, was=date(2027, 5, 20), now=date(2027, 5, 18))
    failed = Change(ChangeKind.FAILED, person="Ida Brandvold")
    clients = [replace(one, changes=(moved,)) for one in many_clients(1000, 3)]
    last = by_date(clients)[-1]
    clients[clients.index(last)] = replace(last, changes=(failed, moved))
    letter = write(templates, *clients, since=MONDAY)
    assert "more clients changed" in unwrapped(letter.text)
    assert f"{last.farm}: a message to Ida Brandvold failed" in unwrapped(letter.text)

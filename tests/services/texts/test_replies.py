"""Texting back, through the real services and a fresh database.

Sources: what STOP, START and HELP must do: 47 CFR 64.1200(a)(10)-(12) and CTIA, 2023, Messaging
Principles and Best Practices. What of it a gateway does by itself: its documentation (the column
of opt_keywords.csv). The rest is our design.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, time
from pathlib import Path
from threading import Barrier, Thread
from typing import Any

import pytest
from factories import NOON, OTHER_PHONE, PHONE, Service, day

from alerts.agronomy import peaq
from alerts.domain.days_ahead import DaysAhead
from alerts.messages.segments import Encoding, count
from alerts.services.farms.farm_form import control
from alerts.services.people.sign_up import SignUpForm, ask
from alerts.services.texts import replies
from alerts.services.texts.replies import TakenIn, take_in, take_up
from alerts.store.session import CONNECTIONS
from alerts.store.tables import (
    Consent,
    Cut,
    Document,
    Farm,
    FarmField,
    FarmOutlookRow,
    FieldName,
    FieldOutlookRow,
    InboundText,
    OptOut,
    OutboxMessage,
    Person,
)
from alerts.transports.base import TextIn

STRANGER = "+12025550199"
CONFIG = Path(__file__).parents[3] / "config"
DATA = Path(__file__).parents[2] / "data" / "messaging" / "opt_keywords.csv"
KEYWORDS = list(csv.DictReader(DATA.read_text(encoding="utf-8").splitlines()))


class Phone:
    """Somebody with a phone: texts, and reads what comes back."""

    def __init__(self, service: Service, number: str = PHONE) -> None:
        self.service, self.number = service, number
        self.sent = 0
        self.last = TakenIn(is_new=False)

    def texts(self, body: str, **said: str) -> str:
        """Send a text; returns what is said back, "" for silence."""
        before = {message.id for message in self.service.messages()}
        self.sent += 1
        text = TextIn(f"SM{self.number}-{self.sent}", self.number, "+12025550100", body, **said)
        service = self.service
        self.last = take_in(service.sessions, service.parts.reply_rules(), text, service.clock())
        queued = [m for m in service.messages() if m.id not in before]
        said_back = [message.text for message in queued] + [self.last.answer]
        return " | ".join(filter(None, said_back))

    @property
    def outcome(self) -> str:
        return str(self.service.rows(InboundText)[-1].outcome)


def change(service: Service, **changes: object) -> None:
    settings = service.parts.settings.model_copy(update=changes)
    service.parts = replace(service.parts, settings=settings)


@pytest.fixture
def farm(service: Service) -> Service:
    """A farm of three fields, two of them sampled; the gateway leaves the answers to us."""
    change(service, sms_answers_keywords=False)
    service.enrol({"field": "North"}, {"field": "Creek"}, {"field": "Long Strip"})
    service.results({"rfv": 205}, {"rfv": 215, "field": "Creek"})
    service.evaluate()
    return service


@pytest.fixture
def ada(farm: Service) -> Phone:
    return Phone(farm)


def statuses(service: Service, kind: str) -> list[str]:
    return [message.status for message in service.messages(kind)]


# ------------------------------------------------------------------------- storing


def test_text_is_kept_as_it_came_with_what_was_made_of_it(ada: Phone) -> None:
    body = "  Cut  Long STRIP\nyesterday 🚜"
    ada.texts(body)
    [row] = ada.service.rows(InboundText)
    assert (row.body, row.from_address, row.to_address) == (body, PHONE, "+12025550100")
    assert (row.received_at, row.handled_at) == (NOON, NOON)
    assert (row.command, row.outcome) == ("cut", "cut 3")
    assert row.person_id == ada.service.rows(Person)[0].id


def test_webhook_that_comes_again_changes_nothing(farm: Service) -> None:
    text = TextIn("SM1", PHONE, "", "cut north")
    rules = farm.parts.reply_rules()
    assert take_in(farm.sessions, rules, text, farm.clock()) == TakenIn(is_new=True)
    for _ in range(2):
        assert take_in(farm.sessions, rules, text, farm.clock()) == TakenIn(is_new=False)
    assert len(farm.rows(InboundText)) == len(farm.rows(Cut)) == 1
    assert len(farm.messages("reply")) == 1


def test_webhook_that_comes_twice_at_once_is_handled_once(farm: Service) -> None:
    text, rules = TextIn("SM1", PHONE, "", "cut north"), farm.parts.reply_rules()
    both = [
        Thread(target=take_in, args=(farm.sessions, rules, text, farm.clock())) for _ in range(4)
    ]
    for one in both:
        one.start()
    for one in both:
        one.join()
    assert len(farm.rows(InboundText)) == len(farm.rows(Cut)) == len(farm.messages("reply")) == 1


def test_text_over_which_something_broke_waits_and_is_taken_up(
    farm: Service, tmp_path: Path
) -> None:
    folder = tmp_path / "messages" / "en"
    folder.mkdir(parents=True)
    template = folder / "reply_cut.txt"
    template.write_text("{{ nothing is called so }}", encoding="utf-8")
    good = farm.parts.reply_rules()
    templates = type(good.sign_up.templates)([tmp_path, CONFIG])
    broken = replace(good, sign_up=replace(good.sign_up, templates=templates))
    text = TextIn("SM1", PHONE, "", "cut north")
    assert take_in(farm.sessions, broken, text, farm.clock()) == TakenIn(is_new=True)
    [row] = farm.rows(InboundText)
    assert row.handled_at is None
    assert farm.rows(Cut) == []  # nothing half done
    assert take_up(farm.sessions, good, farm.clock()) == 1
    [row] = farm.rows(InboundText)
    assert (row.outcome, len(farm.rows(Cut))) == ("cut 1", 1)
    assert take_up(farm.sessions, good, farm.clock()) == 0


def test_text_that_breaks_again_is_closed_with_the_reason(farm: Service, tmp_path: Path) -> None:
    folder = tmp_path / "messages" / "en"
    folder.mkdir(parents=True)
    (folder / "reply_no.txt").write_text("{{ nothing }}", encoding="utf-8")
    good = farm.parts.reply_rules()
    templates = type(good.sign_up.templates)([tmp_path, CONFIG])
    broken = replace(good, sign_up=replace(good.sign_up, templates=templates))
    take_in(farm.sessions, broken, TextIn("SM1", PHONE, "", "no"), farm.clock())
    assert take_up(farm.sessions, broken, farm.clock()) == 1
    [row] = farm.rows(InboundText)
    assert row.outcome.startswith("failed: ConfigurationError")
    assert take_up(farm.sessions, broken, farm.clock()) == 0


# ---------------------------------------------------------------- stopping, starting


def test_stop_enters_the_ledger_cancels_and_confirms_once(ada: Phone) -> None:
    service = ada.service
    assert statuses(service, "coming") + statuses(service, "start") == ["queued"]
    said = ada.texts("Please stop texting me")
    assert "no more texts" in said
    [entry] = service.rows(OptOut)
    assert (entry.channel, entry.address, entry.at, entry.ended_at) == ("sms", PHONE, NOON, None)
    assert statuses(service, "coming") + statuses(service, "start") == ["cancelled"]
    service.send()
    assert service.sms.texts == [said]  # the one confirmation goes out although they stopped
    assert ada.texts("STOP") == ""
    service.send()
    assert service.sms.texts == [said]


def test_whoever_stopped_hears_nothing_until_they_start(ada: Phone) -> None:
    service = ada.service
    ada.texts("stop")
    service.send()
    assert ada.texts("when") == ""
    assert ada.outcome == "told the date; no answer sent"
    service.results({"rfv": 150, "sampled_on": day(1).isoformat()})
    service.clock.set(day(1), time(12))
    service.evaluate()
    service.send()
    assert len(service.sms.texts) == 1
    assert "a few each cutting" in ada.texts("START")
    assert service.rows(OptOut)[0].ended_at == service.clock()
    service.evaluate()
    ada.texts("when")
    service.send()
    assert any("Plum Bottom" in text for text in service.sms.texts[1:])


def test_help_is_answered_even_to_whoever_stopped(ada: Phone) -> None:
    ada.texts("stop")
    said = ada.texts("HELP")
    ada.service.send()
    assert ada.service.sms.texts[-1] == said
    for needed in ("Cutcall", "few texts", "rates", "STOP", "cutcall@example.org"):
        assert needed in said  # name, frequency, rates, stop, contact: CTIA, 2023


def test_start_keeps_the_evidence_of_consent(ada: Phone) -> None:
    ada.texts("stop")
    said = ada.texts("Start")
    consent = [row for row in ada.service.rows(Consent) if row.given_at is not None]
    [row] = consent
    assert (row.channel, row.address, row.given_at, row.given_on) == ("sms", PHONE, NOON, day(0))
    assert row.wording == said
    assert "Start" in row.how


def test_yes_is_start_only_for_whoever_stopped(ada: Phone) -> None:
    assert "nothing waits" in ada.texts("yes")
    ada.texts("stop")
    assert "texts are on" in ada.texts("YES")
    assert ada.service.rows(OptOut)[0].ended_at == NOON


FORM = {
    "area": "Heron Flats",
    "farm": "Alder Bench",
    "farmer": "Ida Moor",
    "phone": STRANGER,
    "alert_by": "text",
    "animal_class": "milking_cows",
    "index": "rfv",
    "harvest_method": "haylage",
    "harvest_days": "2",
    "which_load": "last",
    "notice_days": "5",
    "field_1": "Mill",
}


def test_yes_confirms_a_sign_up_that_waits(farm: Service) -> None:
    form = SignUpForm(_form(farm), "en", agreed=True)
    asked = ask(farm.sessions, farm.parts.sign_up_rules(), form, "192.0.2.7", farm.clock())
    assert asked.errors == ()
    ida = Phone(farm, STRANGER)
    ida.texts("Yes please")
    assert ida.outcome.startswith("confirmed the sign-up of farm")
    assert "Alder Bench" in [one.name for one in farm.rows(Farm)]
    assert [m.kind for m in farm.messages() if m.to_address == STRANGER] == ["confirm", "welcome"]
    assert "Alder Bench" in ida.texts("when")


def _form(farm: Service) -> dict[str, str]:
    form = {name: value for name, value in FORM.items() if not name.startswith("field_")}
    return form | {control("field", 1): "Mill"}


@pytest.mark.parametrize("row", KEYWORDS, ids=lambda row: row["phrase"])
@pytest.mark.parametrize("gateway_answers", [True, False], ids=["gateway", "we"])
def test_every_listed_keyword_is_obeyed_and_answered_by_one_side(
    farm: Service, row: dict[str, str], gateway_answers: bool
) -> None:
    change(farm, sms_answers_keywords=gateway_answers)
    ada = Phone(farm)
    action, phrase = row["action"], row["phrase"]
    if action == "in":
        ada.texts("please opt me out")
    said = ada.texts(phrase)
    by_gateway = gateway_answers and row["gateway_default_twilio"] == "yes"
    assert bool(said) is not by_gateway
    stopped = [entry for entry in farm.rows(OptOut) if entry.ended_at is None]
    assert bool(stopped) is (action == "out")


@pytest.mark.parametrize("kind", ["STOP", "START", "HELP"])
def test_what_a_gateway_says_it_acted_on_is_done_without_a_word(ada: Phone, kind: str) -> None:
    if kind == "START":
        ada.texts("stop")
    assert ada.texts("whatever they wrote", opt_out_type=kind) == ""
    stopped = [entry for entry in ada.service.rows(OptOut) if entry.ended_at is None]
    assert bool(stopped) is (kind == "STOP")
    assert "the gateway answers" in ada.outcome


# --------------------------------------------------------------------- who it is


def test_unknown_number_is_told_once_a_day_how_to_sign_up(farm: Service) -> None:
    stranger = Phone(farm, STRANGER)
    said = stranger.texts("when")
    assert "https://cutcall.example.org/signup" in said
    assert stranger.last.answer == said  # with the webhook's own reply: nobody is enrolled
    assert stranger.texts("when") == stranger.texts("hello?") == ""
    farm.later(hours=25)
    assert stranger.texts("when") == said
    assert [m for m in farm.messages() if m.to_address == STRANGER] == []


def test_unknown_number_can_stop_and_ask_for_help(farm: Service) -> None:
    stranger = Phone(farm, STRANGER)
    assert "Cutcall" in stranger.texts("HELP")
    assert "no more texts" in stranger.texts("stop")
    assert farm.rows(OptOut)[0].address == STRANGER
    assert stranger.texts("stop") == ""


@pytest.mark.parametrize(
    "number", ["34567", "Bank", "+12025550100", "+0123", "whatsapp:+12025550143"]
)
@pytest.mark.parametrize("body", ["hello", "STOP", "HELP", "when"])
def test_short_codes_and_our_own_number_are_never_answered(
    farm: Service, number: str, body: str
) -> None:
    change(farm, sms_sender="+12025550100")
    before = len(farm.messages())
    assert Phone(farm, number).texts(body) == ""
    assert len(farm.messages()) == before
    assert farm.rows(InboundText)[0].outcome.endswith("no answer sent")


def test_unclear_texts_are_answered_three_times_an_hour(ada: Phone) -> None:
    said = [ada.texts("mumble mumble") for _ in range(5)]
    assert [bool(text) for text in said] == [True, True, True, False, False]
    ada.service.later(minutes=61)
    assert ada.texts("mumble")


def test_two_machines_do_not_talk_for_ever(ada: Phone) -> None:
    said = [ada.texts("when") for _ in range(replies.MOST_ANSWERS + 5)]
    assert len(list(filter(None, said))) == replies.MOST_ANSWERS
    assert "no more texts" in ada.texts("stop")  # the one answer that is always given


def test_one_farmer_cannot_touch_anothers_fields(farm: Service) -> None:
    farm.enrol(
        {"farm": "Far Acre", "field": "Hollow", "farmer": "Bo Ek", "phone": OTHER_PHONE},
        name="other.csv",
    )
    ada, bo = Phone(farm), Phone(farm, OTHER_PHONE)
    for body in ("cut hollow", "hollow 28 30 bud", "cut far acre hollow"):
        assert "No field of yours is called" in ada.texts(body)
    assert "Far Acre" not in ada.texts("when hollow")
    bo.texts("wait 3")
    bo.texts("cut all")
    assert [row.name for row in farm.rows(FarmField) if row.cutting == 2] == ["Hollow"]
    assert {row.name: row.paused_until for row in farm.rows(Farm)} == {
        "Plum Bottom": None,
        "Far Acre": day(3),
    }


# --------------------------------------------------------------------- cut


@pytest.mark.parametrize(
    ("body", "fields", "on"),
    [
        ("cut north", ["North"], 0),
        ("started LONG STRIP yesterday", ["Long Strip"], -1),
        ("cut long strip 5/8", ["Long Strip"], -2),
        ("cut long", ["Long Strip"], 0),
        ("cut nroth", ["North"], 0),
        ("cut the north field and creek", ["North", "Creek"], 0),
        ("cut plum bottom north", ["North"], 0),
        ("cut all", ["North", "Creek", "Long Strip"], 0),
        ("corte norte", ["North"], 0),
        ("cortamos long strip ayer", ["Long Strip"], -1),
    ],
)
def test_cut_by_text_is_recorded(ada: Phone, body: str, fields: list[str], on: int) -> None:
    said = ada.texts(body)
    names = {row.id: row.name for row in ada.service.rows(FarmField)}
    cuts = ada.service.rows(Cut)
    assert sorted(names[cut.field_id] for cut in cuts) == sorted(fields)
    assert {cut.cut_on for cut in cuts} == {day(on)}
    assert all(name in said for name in fields)
    assert ada.service.parts.templates.wording("en").full_day(day(on)) in said


def test_cut_without_a_name_counts_where_there_is_one_field(service: Service) -> None:
    service.enrol({})
    Phone(service).texts("we started")
    assert [cut.cut_on for cut in service.rows(Cut)] == [day(0)]


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("we started", "Which field? Creek, Long Strip, North"),
        ("cut plum bottom", "Which field? Creek, Long Strip, North"),
        ("cut hollow", "No field of yours is called hollow. Yours: Creek, Long Strip, North"),
        ("cut north tomorrow", "Tue May 11 has not come yet"),
        ("cut north 6/1", "has not come yet"),
        ("cut north 2/20", "before this season"),
        ("cut north 5/41", "no day 5/41"),
        ("not cut yet", "Nothing is recorded"),
        ("will cut north", "Nothing is recorded"),
        ("stop cutting north", "to get no more texts reply STOP"),
    ],
)
def test_cut_that_is_not_clear_is_not_recorded(ada: Phone, body: str, says: str) -> None:
    assert says in ada.texts(body)
    assert ada.service.rows(Cut) == []


def test_cut_before_a_standing_sample_is_refused_with_its_day(ada: Phone) -> None:
    said = ada.texts("cut north 5/8")
    assert "North was sampled standing on Mon May 10: give a later day." in said
    assert "Nothing is recorded." in said
    assert ada.outcome == "not cut: standing"
    assert ada.service.rows(Cut) == []


def test_cut_told_twice_is_one(ada: Phone) -> None:
    ada.texts("cut long strip 5/8")
    assert "the cut of Sat May 8 is recorded already" in ada.texts("cut long strip")
    assert len(ada.service.rows(Cut)) == 1
    assert "Creek, North recorded" in ada.texts("cut all")  # the rest of the harvest


def test_no_takes_the_last_cut_back_for_some_hours(ada: Phone) -> None:
    ada.texts("cut north and creek")
    ada.texts("cut north")
    assert "North, Creek still stands" in ada.texts("NO")
    assert ada.service.rows(Cut) == []
    assert "nothing is changed" in ada.texts("no")
    ada.texts("cut north")
    ada.service.later(hours=7)
    assert "nothing is changed" in ada.texts("no")
    assert len(ada.service.rows(Cut)) == 1


def test_local_day_counts_not_the_day_of_greenwich(ada: Phone) -> None:
    # 23:30 in Chicago is the next day in UTC.
    ada.service.clock.set(day(0), time(23, 30))
    assert ada.service.clock().astimezone(UTC).date() == day(1)
    ada.texts("cut north")
    assert ada.service.rows(Cut)[0].cut_on == day(0)


# ------------------------------------------------------------- when, why, wait, link


def test_when_says_date_and_range_first(ada: Phone) -> None:
    said = ada.texts("WHEN")
    farm = ada.service.line("North")
    words = ada.service.parts.templates.wording("en")
    assert farm.farm_start_median is not None
    assert said.startswith(
        f"Plum Bottom: start about {words.full_day(farm.farm_start_median)} (lik"
    )
    assert "North first" in said


def test_when_of_one_field_says_its_own_date(ada: Phone) -> None:
    said = ada.texts("when creek?")
    line = ada.service.line("Creek")
    assert line.start_median is not None
    day_said = ada.service.parts.templates.wording("en").full_day(line.start_median)
    assert said.startswith(f"Plum Bottom, Creek: by {day_said}")
    assert "needs 185" in said


def test_when_without_any_result_asks_for_one(service: Service) -> None:
    service.enrol({})
    assert "no start date yet" in Phone(service).texts("when")


def test_when_names_every_farm_of_the_writer(farm: Service) -> None:
    farm.enrol({"farm": "Upper Ridge", "field": "Knoll"}, name="more.csv")
    farm.results({"farm": "Upper Ridge", "field": "Knoll", "rfv": 230})
    farm.evaluate()
    said = Phone(farm).texts("when")
    assert "Plum Bottom: start about" in said
    assert "Upper Ridge: start about" in said
    assert count(said).parts <= 2


def test_why_gives_the_sum_of_the_stored_outlook(ada: Phone) -> None:
    said = ada.texts("why")
    for needed in ("Plum Bottom: start", "RFV 205", "needs 185", "to store 160", "2-day", "May 10"):
        assert needed in said


def test_wait_holds_the_texts_and_says_what_it_costs(ada: Phone) -> None:
    service = ada.service
    said = ada.texts("wait 3")
    [row] = service.rows(Farm)
    assert row.paused_until == day(3)
    assert statuses(service, "coming") + statuses(service, "start") == ["cancelled"]
    [whole] = service.rows(FarmOutlookRow)
    first = min(service.rows(FieldOutlookRow), key=lambda row: row.detail["position"])
    chance = whole.detail["waiting"][3]
    standing = DaysAhead.of_json(first.detail["days"])[3]
    assert standing.day == day(3)
    assert f"{chance * 100:.0f} %" in said
    assert f"RFV {standing.median:.0f}" in said
    assert f"({standing.low:.0f}-{standing.high:.0f})" in said
    assert "Thu May 13" in said
    assert "held until Thu May 13" in ada.texts("when")
    ada.texts("wait 0")
    assert service.rows(Farm)[0].paused_until is None


@pytest.mark.parametrize("body", ["wait", "wait 15", "wait 100 days", "espera 3 semanas"])
def test_wait_of_no_or_too_many_days_changes_nothing(ada: Phone, body: str) -> None:
    assert "1 to 14" in ada.texts(body)
    assert ada.service.rows(Farm)[0].paused_until is None


def test_link_leads_to_the_farm(ada: Phone) -> None:
    said = ada.texts("link")
    assert "https://cutcall.example.org/farm/" in said
    change(ada.service, public_url="")
    assert "no pages" in ada.texts("link")


def test_thanks_are_not_answered(ada: Phone) -> None:
    assert ada.texts("ok thanks") == ada.texts("Gracias") == ""


# ------------------------------------------------------------------- stem readings


def test_stem_reading_flows_like_any_other_result(ada: Phone) -> None:
    service = ada.service
    before = service.line("Long Strip").results
    said = ada.texts("long strip 28 30 31 27 29 bud")
    [result] = [row for row in service.stored_results() if row.method == "stem"]
    # Mean over the table's values at these heights: Weld, K., 2021, Calculating alfalfa stand
    # quality (bud column).
    expected = peaq.RFV_TABLE[[28 - 16, 30 - 16, 31 - 16, 27 - 16, 29 - 16], 1].mean()
    assert result.rfv == pytest.approx(expected)
    assert f"about RFV {expected:.0f}" in said
    assert (result.spots, result.sampled_on) == (5, day(0))
    document = service.rows(Document)[-1]
    assert (document.source, document.refusal) == ("text", "")
    service.evaluate()
    assert service.line("Long Strip").results == before + 1
    assert "already" in ada.texts("long strip 28 30 31 27 29 bud")
    assert len([row for row in service.stored_results() if row.method == "stem"]) == 1


def test_many_readings_at_once_do_not_wait_for_each_other(
    farm: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each has come as far as it can before it is taken in; together they hold every connection."""
    together, command = Barrier(CONNECTIONS), replies._command

    def all_here(*told: Any) -> Any:
        together.wait(10)
        return command(*told)

    monkeypatch.setattr(replies, "_command", all_here)
    rules = farm.parts.reply_rules()
    texts = [TextIn(f"SM{k}", PHONE, "", f"north {20 + k} 30 31 bud") for k in range(CONNECTIONS)]
    said = [
        Thread(target=take_in, args=(farm.sessions, rules, text, farm.clock())) for text in texts
    ]
    for one in said:
        one.start()
    for one in said:
        one.join(20)
    assert not any(one.is_alive() for one in said)
    assert all(row.handled_at for row in farm.rows(InboundText))
    readings = [row for row in farm.stored_results() if row.method == "stem"]
    assert len(readings) == CONNECTIONS


def test_nickname_of_a_field_is_understood(ada: Phone) -> None:
    with ada.service.sessions.write() as session:
        session.add(FieldName(field_id=1, farm_key="", field_key="behind the barn"))
    ada.texts("behind the barn 28 30 31 flower")
    [result] = [row for row in ada.service.stored_results() if row.method == "stem"]
    assert (result.field_id, result.spots) == (1, 3)


def test_farm_name_that_two_areas_share_does_not_hold_a_reading_up(farm: Service) -> None:
    farm.enrol(
        {"area": "Crane Hills", "farmer": "Bo Ek", "phone": OTHER_PHONE}, name="namesake.csv"
    )
    Phone(farm, OTHER_PHONE).texts("north 28 30 31 bud")
    [result] = [row for row in farm.stored_results() if row.method == "stem"]
    theirs = [row.id for row in farm.rows(FarmField) if row.farm_id == 2]
    assert [result.field_id] == theirs


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("north 28 30", "Which stage"),
        ("north 28 300 bud", "300 in is no height of alfalfa: 4 to 60 in"),
        ("north 3 28 bud", "3 in is no height"),
        ("28 30 31 bud", "Which field?"),
        ("hollow 28 30 bud", "No field of yours is called hollow"),
        ("north 28 30 bud tomorrow", "has not come yet"),
        ("north 28 30 bud 2/1", "before this season"),
        ("north rfv 205", "By text only stems"),
    ],
)
def test_reading_that_cannot_be_is_asked_about(ada: Phone, body: str, says: str) -> None:
    assert says in ada.texts(body)
    assert [row for row in ada.service.stored_results() if row.method == "stem"] == []


def test_heights_outside_the_stem_table_are_kept_and_said_to_give_nothing(ada: Phone) -> None:
    assert "16 to 40 in" in ada.texts("north 10 12 vegetative")
    [result] = [row for row in ada.service.stored_results() if row.method == "stem"]
    assert (result.rfv, result.spots) == (None, 0)


def test_sampler_reads_stems_of_sampled_farms_and_records_no_cut(farm: Service) -> None:
    farm.enrol(
        *({"field": name, "sampler_email": "sam@example.org"} for name in ("North", "Creek")),
        name="sampled.csv",
    )
    with farm.sessions.write() as session:
        sampler = session.get_one(Farm, 1).sampler_id
        session.get_one(Person, sampler).phone = OTHER_PHONE
    sam = Phone(farm, OTHER_PHONE)
    assert "about RFV" in sam.texts("creek 28 30 31 bud")
    assert "no farm of yours" in sam.texts("cut creek")
    assert "no farm of yours" in sam.texts("when")
    assert "/sampler/" in sam.texts("link")
    assert farm.rows(Cut) == []


# ------------------------------------------------------------------------- words

USUAL = (
    *("when", "when creek", "why", "wait 3", "wait", "wait 0", "cut", "cut hollow", "cut creek"),
    *("cut creek", "no", "no", "cut north 5/41", "cut north tomorrow", "not cut", "link"),
    *("north 28 30 31 bud", "north 28", "north 300 bud", "28 30 bud", "long strip 10 12 bud"),
    *("lets cut north", "cut creek last week", "should i wait 3 days", "dont wait", "stop north"),
    *("no, too wet", "north bud", "will cut north", "mumble", "rfv 205", "help", "stop", "start"),
)


@pytest.mark.parametrize("language", ["en", "es"])
def test_usual_answers_take_one_part_of_seven_bit_text(service: Service, language: str) -> None:
    # A second part is billed like a text of its own (3GPP TS 23.040 gives the parts).
    change(service, sms_answers_keywords=False)
    fields = ("North", "Creek", "Long Strip")
    service.enrol(*({"field": name, "language": language} for name in fields))
    service.results({"rfv": 205}, {"rfv": 215, "field": "Creek"})
    service.evaluate()
    phone = Phone(service)
    said = {}
    for body in USUAL:
        said[body] = phone.texts(body)
        service.later(minutes=21)
    silent = {body for body, text in said.items() if not text}
    assert silent == set()
    sizes = {body: count(text) for body, text in said.items()}
    assert {size.encoding for size in sizes.values()} == {Encoding.GSM_7}
    assert {body: size.units for body, size in sizes.items() if size.parts > 1} == {}
    if language == "es":
        english = ("Nothing", "Text ", "recorded", "start ", "Which", "Wrong")
        assert [text for text in said.values() if any(word in text for word in english)] == []


def test_answer_goes_at_once_at_any_hour_and_not_after_an_hour(ada: Phone) -> None:
    service = ada.service
    service.clock.set(day(0), time(23))
    said = ada.texts("when")
    service.send()
    assert service.sms.texts == [said]
    ada.texts("why")
    service.later(minutes=61)
    service.send()
    assert service.sms.texts == [said]
    assert service.messages("reply")[-1].status == "expired"


def test_answers_are_not_told_as_start_dates(ada: Phone) -> None:
    service = ada.service
    ada.texts("when")
    service.send()
    told: list[OutboxMessage] = service.messages("reply")
    assert [(m.farm_id, m.start_on, m.channel) for m in told] == [(None, None, "sms")]


def test_rules_come_from_the_settings(service: Service) -> None:
    change(service, sms_sender="+12025550100", email_reply_to="office@example.org")
    rules = service.parts.reply_rules()
    assert (rules.own_number, rules.contact) == ("+12025550100", "office@example.org")
    assert rules.gateway_answers

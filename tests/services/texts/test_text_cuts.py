"""Cuts by text through the real services: recorded, asked about, put right; and what does nothing.

The texts are those of inbound_samples.py, and the rest is our design.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import inbound_samples as samples
import pytest
from factories import PHONE, Service, day

from alerts.services.farms.farm_form import control
from alerts.services.people.sign_up import SignUpForm, ask
from alerts.services.texts.replies import take_in, take_up
from alerts.store.tables import Consent, Cut, Farm, FarmField, InboundText, OptOut, SignUp
from alerts.transports.base import TextIn

STRANGER = "+12025550199"
FIELDS = ("North", "Creek", "Long Strip")


class Phone:
    """Somebody with a phone: texts, and reads what comes back."""

    def __init__(self, service: Service, number: str = PHONE) -> None:
        self.service, self.number, self.sent = service, number, 0

    def texts(self, body: str, **said: str) -> str:
        before = {message.id for message in self.service.messages()}
        self.sent += 1
        text = TextIn(f"SM{self.number}-{self.sent}", self.number, "+12025550100", body, **said)
        service = self.service
        taken = take_in(service.sessions, service.parts.reply_rules(), text, service.clock())
        queued = [m.text for m in service.messages() if m.id not in before]
        return " | ".join(filter(None, [*queued, taken.answer]))

    def cuts(self) -> dict[str, date]:
        names = {row.id: row.name for row in self.service.rows(FarmField)}
        return {names[cut.field_id]: cut.cut_on for cut in self.service.rows(Cut)}

    def paused(self) -> set[date | None]:
        return {row.paused_until for row in self.service.rows(Farm)}

    def has_stopped(self) -> bool:
        return any(entry.ended_at is None for entry in self.service.rows(OptOut))


def ours(service: Service) -> Service:
    """The gateway leaves the answers to keywords to us."""
    settings = service.parts.settings.model_copy(update={"sms_answers_keywords": False})
    service.parts = replace(service.parts, settings=settings)
    return service


@pytest.fixture
def ada(service: Service) -> Phone:
    """Three fields."""
    ours(service).enrol(*({"field": name} for name in FIELDS))
    return Phone(service)


@pytest.fixture
def bo(service: Service) -> Phone:
    """A single field."""
    ours(service).enrol({})
    return Phone(service)


@pytest.fixture
def eva(service: Service) -> Phone:
    """Three fields; written to in Spanish."""
    ours(service).enrol(*({"field": name, "language": "es"} for name in FIELDS))
    return Phone(service)


NOTHING = [
    *(*samples.PLANNED, *samples.DENIED, *samples.ASKED_ABOUT, *samples.WHICH_ONES),
    *(*samples.STAGES_TOLD, *samples.QUESTIONS, *samples.ANY_DAY, *samples.PERHAPS_STOPS),
    *(*samples.NOT_HELD, *samples.NO_STARTS),
    *(text for text in samples.NO_STOPS if not text.endswith("corte hoy el norte")),
]


@pytest.mark.parametrize("who", ["ada", "bo", "eva"])
def test_what_does_not_plainly_say_so_changes_nothing(
    who: str, request: pytest.FixtureRequest
) -> None:
    phone: Phone = request.getfixturevalue(who)
    acted = []
    for body in NOTHING:
        phone.texts(body)
        if phone.cuts() or phone.has_stopped() or phone.paused() != {None}:
            acted.append(body)
            break
    assert acted == []
    assert phone.service.stored_results() == []
    assert len(phone.service.rows(InboundText)) == len(NOTHING)


def test_what_does_not_plainly_say_so_neither_stops_nor_starts(ada: Phone) -> None:
    ada.texts("stop")
    consents = len(ada.service.rows(Consent))
    for body in [*samples.NO_STARTS, "sure", "agree", "yea", "smart move"]:
        assert ada.texts(body) == ""
        assert ada.has_stopped(), body
    assert len(ada.service.rows(Consent)) == consents


@pytest.mark.parametrize("body", samples.CUTS)
def test_plain_cut_is_recorded(ada: Phone, body: str) -> None:
    assert "recorded as cut Mon May 10" in ada.texts(body)
    assert ada.cuts() == {"North": day(0)}
    assert not ada.has_stopped()


@pytest.mark.parametrize("body", samples.CUTS_OF_NO_FIELD)
def test_start_alone_is_recorded_where_there_is_one_field(bo: Phone, body: str) -> None:
    bo.texts(body)
    assert bo.cuts() == {"North": day(0)}


@pytest.mark.parametrize("body", samples.CUTS_OF_ALL)
def test_everything_is_recorded(ada: Phone, body: str) -> None:
    ada.texts(body)
    assert ada.cuts() == dict.fromkeys(FIELDS, day(0))


@pytest.mark.parametrize("body", samples.STOPS)
def test_wish_to_be_left_alone_is_obeyed(ada: Phone, body: str) -> None:
    assert "no more texts" in ada.texts(body)
    assert ada.has_stopped()


# -------------------------------------------------------------------- question and answer


@pytest.mark.parametrize("body", samples.ASKED_ABOUT[:6])
@pytest.mark.parametrize("answer", ["YES", "yes", "sure", "yes we did", "Sí"])
def test_yes_records_what_was_asked(ada: Phone, body: str, answer: str) -> None:
    asked = ada.texts(body)
    assert "was North cut" in asked
    assert "Reply YES" in asked
    assert ada.cuts() == {}
    assert "North recorded" in ada.texts(answer)
    assert list(ada.cuts()) == ["North"]
    assert "nothing waits" in ada.texts("yes")


def test_question_keeps_its_day(ada: Phone) -> None:
    ada.texts("wish we had cut north yesterday")
    ada.texts("thanks")
    ada.texts("when")
    ada.texts("yes")
    assert ada.cuts() == {"North": day(-1)}


@pytest.mark.parametrize("between", ["cut creek", "no", "no thanks", "no, not yet", "not cut yet"])
def test_question_lapses_with_another_text(ada: Phone, between: str) -> None:
    ada.texts("lets cut north today")
    ada.texts(between)
    ada.texts("yes")
    assert "North" not in ada.cuts()


def test_question_lapses_after_an_hour(ada: Phone) -> None:
    ada.texts("lets cut north today")
    ada.service.later(minutes=61)
    assert "nothing waits" in ada.texts("yes")
    assert ada.cuts() == {}


def test_no_to_a_question_takes_no_older_cut_back(ada: Phone) -> None:
    ada.texts("cut creek")
    ada.texts("lets cut north today")
    assert "nothing is changed" in ada.texts("no")
    assert ada.cuts() == {"Creek": day(0)}


def test_correction_of_a_question_is_asked_anew(ada: Phone) -> None:
    ada.texts("lets cut north today")
    assert "was Creek cut Sun May 9" in ada.texts("no, creek yesterday")
    ada.texts("yes")
    assert ada.cuts() == {"Creek": day(-1)}


def test_question_that_was_not_sent_is_not_answered(ada: Phone) -> None:
    ada.texts("stop")
    assert ada.texts("lets cut north today") == ""
    ada.texts("START")
    ada.texts("yes")
    assert ada.cuts() == {}


# -------------------------------------------------------------------------- taking back


@pytest.mark.parametrize(
    ("body", "cuts"),
    [
        ("NO", {}),
        ("wrong", {}),
        ("wrong date", {}),
        ("me equivoque", {}),
        ("no it was yesterday", {"North": day(-1)}),
        ("no, 5/7", {"North": day(-3)}),
        ("no, fue ayer", {"North": day(-1)}),
        ("no that was creek", {"Creek": day(0)}),
        ("wrong date, cut north 5/7", {"North": day(-3)}),
        ("wrong field, creek yesterday", {"Creek": day(-1)}),
        ("no thanks", {"North": day(0)}),
        ("no gracias", {"North": day(0)}),
        ("no worries", {"North": day(0)}),
        ("no, not yet", {"North": day(0)}),
        ("no, too wet to cut creek", {"North": day(0)}),
        ("no that was hollow", {"North": day(0)}),
        ("no, 6/7", {"North": day(0)}),
        ("no that was last week", {"North": day(0)}),
    ],
)
def test_no_takes_back_and_puts_right(ada: Phone, body: str, cuts: dict[str, date]) -> None:
    ada.texts("cut north")
    ada.texts(body)
    assert ada.cuts() == cuts


def test_corrected_cut_can_be_taken_back_again(ada: Phone) -> None:
    ada.texts("cut north")
    assert "Creek recorded as cut Mon May 10, North taken back" in ada.texts("no that was creek")
    assert "Creek still stands" in ada.texts("no")
    assert ada.cuts() == {}


def test_no_leaves_a_cut_that_this_phone_did_not_text(ada: Phone) -> None:
    ada.service.cut("North", day(0))
    assert "nothing is changed" in ada.texts("no")
    ada.texts("cut creek")
    ada.texts("no")
    assert ada.cuts() == {"North": day(0)}


def test_no_leaves_a_cut_recorded_anew_elsewhere(ada: Phone) -> None:
    from alerts.services.farms.record_cuts import undo_cut

    ada.texts("cut north")
    service = ada.service
    undo_cut(service.sessions, farm="Plum Bottom", field="North", now=service.later(minutes=5))
    service.cut("North", day(0))
    assert "nothing is changed" in ada.texts("no")
    assert ada.cuts() == {"North": day(0)}


def test_no_counts_only_on_the_day_of_the_cut(ada: Phone) -> None:
    ada.service.later(hours=10)  # ten in the evening
    ada.texts("cut north")
    ada.service.later(hours=3)
    assert "nothing is changed" in ada.texts("no")
    assert ada.cuts() == {"North": day(0)}


def test_correction_with_nothing_to_take_back_is_asked_about(ada: Phone) -> None:
    assert "was North cut Fri May 7" in ada.texts("wrong date, cut north 5/7")
    assert ada.cuts() == {}


# ----------------------------------------------------------------------------- waiting


@pytest.mark.parametrize("body", ["START", "resume", "wait 0", "take me off hold", "end the hold"])
def test_start_and_its_like_end_a_pause(ada: Phone, body: str) -> None:
    ada.texts("wait 3")
    assert ada.paused() == {day(3)}
    assert ada.texts(body)
    assert ada.paused() == {None}


def test_question_about_waiting_tells_the_cost_and_holds_nothing(ada: Phone) -> None:
    ada.service.results({"rfv": 205})
    ada.service.evaluate()
    said = ada.texts("should i wait 3 days")
    for needed in ("Thu May 13", "chance to miss", "WAIT 3 holds"):
        assert needed in said
    assert ada.paused() == {None}


# ------------------------------------------------------------------------- taken up late


def store(service: Service, number: int, body: str, **said: str) -> None:
    """A text whose handling broke: it is stored, and waits."""
    from alerts.store import inbound

    with service.sessions.write() as session:
        inbound.keep_text(
            session,
            gateway_id=f"late-{number}",
            from_address=said.pop("phone", PHONE),
            to_address="",
            body=body,
            now=service.clock(),
            **said,
        )


def take_up_all(service: Service) -> int:
    return take_up(service.sessions, service.parts.reply_rules(), service.clock())


@pytest.mark.parametrize(
    "body", ["START", "yes", "cut north", "wait 3", "no", "lets cut north today"]
)
def test_text_overtaken_by_a_later_one_does_not_act(ada: Phone, body: str) -> None:
    service = ada.service
    store(service, 1, body)
    ada.texts("stop")
    assert take_up_all(service) == 1
    assert ada.has_stopped()
    assert ada.cuts() == {}
    assert ada.paused() == {None}
    assert service.rows(InboundText)[0].handled_at is not None


def test_overtaken_text_is_answered_and_nothing_lost(ada: Phone) -> None:
    store(ada.service, 1, "cut north")
    ada.texts("when")
    take_up_all(ada.service)
    assert 'Your text "cut north" was handled late' in ada.service.messages("reply")[-1].text


def test_stop_acts_however_late(ada: Phone) -> None:
    store(ada.service, 1, "stop")
    ada.texts("when")
    take_up_all(ada.service)
    assert ada.has_stopped()


def test_what_the_gateway_acted_on_is_kept_and_done_late_too(ada: Phone) -> None:
    store(ada.service, 1, "whatever they wrote", opt_out_type="STOP")
    assert ada.service.rows(InboundText)[0].opt_out_type == "STOP"
    take_up_all(ada.service)
    assert ada.has_stopped()
    ada.texts("hello", opt_out_type="START")
    assert ada.service.rows(InboundText)[-1].opt_out_type == "START"
    assert not ada.has_stopped()


@pytest.mark.parametrize(("body", "on"), [("cut north", 0), ("cut north yesterday", -1)])
def test_text_taken_up_later_is_of_the_day_it_was_written(ada: Phone, body: str, on: int) -> None:
    service = ada.service
    service.later(hours=11, minutes=50)  # ten minutes to midnight
    store(service, 1, body)
    service.later(hours=1)
    take_up_all(service)
    assert ada.cuts() == {"North": day(on)}


def test_stranger_taken_up_late_counts_as_not_answered(ada: Phone) -> None:
    service = ada.service
    store(service, 1, "hello", phone=STRANGER)
    take_up_all(service)
    assert service.rows(InboundText)[0].outcome == "stranger: answered; no answer sent"
    assert "does not know this number" in Phone(service, STRANGER).texts("hello")


# ----------------------------------------------------------------------------- sign-up


@pytest.fixture
def ida(ada: Phone) -> Phone:
    """Somebody whose sign-up waits for a YES."""
    typed = {
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
        control("field", 1): "Mill",
    }
    service = ada.service
    form = SignUpForm(typed, "en", agreed=True)
    asked = ask(service.sessions, service.parts.sign_up_rules(), form, "192.0.2.7", service.clock())
    assert asked.errors == ()
    return Phone(service, STRANGER)


def confirmed(phone: Phone) -> bool:
    [row] = phone.service.rows(SignUp)
    return row.confirmed_at is not None


@pytest.mark.parametrize(
    "body",
    [
        *("YES", "START", "I agree", "Yes I agree", "agree", "sure", "ok yes", "yea", "yess", "y"),
        *("Yes, that was me", "si acepto", "Sí", "yes please", "acepto"),
    ],
)
def test_any_wording_of_yes_confirms_a_sign_up(ida: Phone, body: str) -> None:
    ida.texts(body)
    assert confirmed(ida)
    assert "Alder Bench" in {farm.name for farm in ida.service.rows(Farm)}


@pytest.mark.parametrize(
    "body",
    ["no", "not me", "ok", "what is this", "when", "cut mill", "yes?", "i do not agree", "🚜"],
)
def test_anything_else_repeats_the_question(ida: Phone, body: str) -> None:
    assert "Reply YES" in ida.texts(body)
    assert not confirmed(ida)
    ida.texts("yes")
    assert confirmed(ida)


def test_question_is_repeated_three_times_an_hour(ida: Phone) -> None:
    assert [bool(ida.texts("who is it then")) for _ in range(5)] == [True] * 3 + [False] * 2


@pytest.mark.parametrize(("body", "says"), [("STOP", "no more texts"), ("HELP", "rates")])
def test_stop_and_help_work_while_a_sign_up_waits(ida: Phone, body: str, says: str) -> None:
    assert says in ida.texts(body)
    assert not confirmed(ida)

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from factories import AREA, NOON, OTHER_PHONE, PHONE, Service, day

from alerts.messages.segments import count, is_gsm7
from alerts.messages.sign_up import Page, consent_wording, new_link_text
from alerts.services.access.links import LinkGone, Role, open_link
from alerts.services.farms.area_choice import area_choices, nearest_area
from alerts.services.people.addresses import ask_address, read_address
from alerts.services.people.lost_links import send_links
from alerts.services.people.sign_up import (
    TAKEN,
    Asked,
    Confirmed,
    SignUpForm,
    agree_by_text,
    ask,
    confirm_by_link,
    confirm_by_text,
    look_at_link,
)
from alerts.store import fields, opt_outs, people
from alerts.store.tables import Area, Consent, Farm, FarmField, OptOut, Person, SignUp

IP = "203.0.113.9"
EMAIL = "ada@example.org"
TYPED = {
    "farmer": "Ada Lindqvist",
    "phone": "(202) 555-0143",
    "farm": "Plum Bottom",
    "area": AREA,
    "field-1-field": "North",
    "animal_class": "milking_cows",
    "harvest_days": "5",
}
BY_EMAIL = {"phone": "", "email": EMAIL, "alert_by": "email"}


@pytest.fixture
def signing(service: Service) -> Service:
    """The service with an area and nobody in it."""
    with service.sessions.write() as session:
        people.put_area(session, AREA, "America/Chicago")
    return service


def asked(
    service: Service, *, agreed: bool = True, ip: str = IP, language: str = "en", **changes: str
) -> Asked:
    typed = {**TYPED, **{name.replace("__", "-"): text for name, text in changes.items()}}
    form = SignUpForm(typed, language, agreed)
    return ask(service.sessions, service.parts.sign_up_rules(), form, ip, service.clock())


def said_yes(service: Service, phone: str = PHONE) -> Confirmed | None:
    with service.sessions.write() as session:
        return confirm_by_text(session, service.parts.sign_up_rules(), phone, service.clock())


def wrong(said: Asked) -> list[str]:
    return [error.control for error in said.errors]


def token_in(text: str) -> str:
    found = re.search(r"/signup/confirm/(\S+)", text)
    assert found is not None
    return found[1]


def by_link(service: Service, token: str) -> Confirmed:
    rules = service.parts.sign_up_rules()
    return confirm_by_link(service.sessions, rules, token, service.clock())


def reach(service: Service, name: str = "Ada Lindqvist") -> list[tuple[str, str]]:
    [person] = [person for person in service.rows(Person) if person.name == name]
    with service.sessions.read() as session:
        found = people.recipients(session, [person.id])[person.id]
    return [(recipient.channel, recipient.address) for recipient in found]


# ------------------------------------------------------------------------------- asking


def test_sign_up_asks_once_by_text_and_makes_no_farm(signing: Service) -> None:
    said = asked(signing)
    assert (said.errors, said.too_many) == ((), "")
    assert (said.channel, said.address) == ("sms", PHONE)
    assert signing.rows(Farm) == signing.rows(Consent) == []
    message = signing.message()
    assert (message.kind, message.to_address, message.farm_id) == ("confirm", PHONE, None)
    assert message.expires_at == signing.clock() + timedelta(hours=48)
    [kept] = signing.rows(SignUp)
    assert kept.form == TYPED
    assert (kept.ip, kept.asked_at, kept.confirmed_at) == (IP, signing.clock(), None)
    assert kept.wording == consent_wording(signing.parts.templates, "en")
    signing.send()
    assert [text.to for text in signing.sms.attempts] == [PHONE]
    assert signing.mail.attempts == []


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", ("Cutcall", "max 1 a day", "Msg & data rates may apply", "YES", "HELP", "STOP")),
        ("es", ("Cutcall", "1 al dia", "tarifas de mensajes y datos", "SI", "AYUDA", "STOP")),
    ],
)
@pytest.mark.parametrize("farm", ["Plum Bottom", "Señor Núñez & Sons of the Upper Valley 12"[:40]])
def test_question_says_what_carriers_ask_for_in_two_parts_at_most(
    signing: Service, language: str, said: tuple[str, ...], farm: str
) -> None:
    """Programme, what and how often, rates, HELP and STOP: CTIA, 2023, Messaging Principles and
    Best Practices; CTIA, Short Code Monitoring Handbook 1.9."""
    typed = {**TYPED, "farm": farm, "language": language}
    form = SignUpForm(typed, language, agreed=True)
    ask(signing.sessions, signing.parts.sign_up_rules(), form, IP, signing.clock())
    text = signing.message("confirm").text
    assert is_gsm7(text)
    assert count(text).parts <= (1 if farm == "Plum Bottom" and language == "en" else 2)
    assert all(word in text for word in said)


def test_question_comes_in_the_language_chosen_for_messages(signing: Service) -> None:
    typed = {**TYPED, "language": "es"}
    form = SignUpForm(typed, "en", agreed=True)
    ask(signing.sessions, signing.parts.sign_up_rules(), form, IP, signing.clock())
    text = signing.message().text
    assert "Responda SI" in text
    assert signing.rows(SignUp)[0].wording == consent_wording(signing.parts.templates, "en")


def test_question_goes_at_once_even_at_night(signing: Service) -> None:
    """They sit at the form; what is asked for is no solicitation (47 CFR 64.1200(f)(15))."""
    signing.clock.set(day(0), NOON.time().replace(hour=23))
    asked(signing)
    signing.send()
    assert [text.to for text in signing.sms.attempts] == [PHONE]


def test_without_the_tick_nothing_is_kept_or_sent(signing: Service) -> None:
    said = asked(signing, agreed=False)
    assert wrong(said) == ["consent"]
    assert signing.rows(SignUp) == signing.messages() == signing.rows(Person) == []


def test_everything_wrong_is_said_at_once(signing: Service) -> None:
    said = asked(signing, agreed=False, farmer="", phone="12", harvest_days="x", area="Nowhere")
    assert sorted(wrong(said)) == ["area", "consent", "farmer", "harvest_days", "phone"]


@pytest.mark.parametrize("name", ["farm", "farmer"])
@pytest.mark.parametrize(
    "text",
    [
        *("Win at www.prize", "http://x", "HTTPS://x", "cheap-loans.com now", "call 2025550177"),
        *("me@example", "bit.ly/abc", "Farm.INFO"),
    ],
)
def test_name_that_advertises_is_not_sent_to_a_stranger(
    signing: Service, name: str, text: str
) -> None:
    assert wrong(asked(signing, **{name: text})) == [name]
    assert signing.messages() == []


@pytest.mark.parametrize("farm", ["St. John's", "J.R. Acres", "No. 12 & 14", "Co-op 100", "Info"])
def test_usual_names_of_farms_are_taken(signing: Service, farm: str) -> None:
    assert asked(signing, farm=farm).errors == ()


def test_phone_abroad_is_not_texted_and_may_sign_up_by_email(signing: Service) -> None:
    """Texts to costly numbers abroad are how open forms are milked."""
    abroad = "+44 20 7946 0018"  # set aside for drama, from memory
    assert wrong(asked(signing, phone=abroad)) == ["phone"]
    assert asked(signing, **{**BY_EMAIL, "phone": abroad}).errors == ()


# ------------------------------------------------------------------------------- bounds


def test_one_phone_is_asked_three_times_an_hour_at_most(signing: Service) -> None:
    for number in range(3):
        assert asked(signing, farm=f"Farm {number}", ip=f"203.0.113.{number}").too_many == ""
    said = asked(signing, farm="Farm 4", ip="198.51.100.7")
    assert said.too_many == "address"
    assert len(signing.messages()) == len(signing.rows(SignUp)) == 3
    assert asked(signing, phone="202-555-0144").too_many == ""
    signing.later(minutes=61)
    assert asked(signing).too_many == ""


def test_one_phone_is_asked_five_times_a_day_at_most(signing: Service) -> None:
    for number in range(5):
        assert asked(signing, farm=f"Farm {number}").too_many == ""
        signing.later(minutes=61)
    assert asked(signing).too_many == "address"
    signing.later(hours=20)
    assert asked(signing).too_many == ""


@pytest.mark.parametrize(
    ("ips", "other"),
    [
        ([IP] * 10, "203.0.113.10"),
        # one connection has a /64 of IPv6 addresses (RFC 6177, from memory)
        ([f"2001:db8:1:2::{number}" for number in range(10)], "2001:db8:1:3::1"),
    ],
)
def test_one_connection_signs_up_ten_times_an_hour_at_most(
    signing: Service, ips: list[str], other: str
) -> None:
    for number, ip in enumerate(ips):
        assert asked(signing, phone=f"202555010{number}", ip=ip).too_many == ""
    assert asked(signing, ip=ips[0]).too_many == "ip"
    assert asked(signing, ip=other).too_many == ""


def test_whole_form_is_bounded_too(signing: Service) -> None:
    most = signing.parts.schedule.sign_up.an_hour_in_all
    with signing.sessions.write() as session:
        for number in range(most):
            session.add(
                SignUp(
                    channel="email",
                    address=f"{number}@example.org",
                    form={},
                    wording="",
                    ip=f"192.0.2.{number}",
                    asked_at=signing.clock(),
                    expires_at=signing.clock(),
                )
            )
    assert asked(signing).too_many == "all"


# --------------------------------------------------------------------------- confirming


def test_yes_enrols_the_farm_with_the_evidence_and_welcomes(signing: Service) -> None:
    asked(signing, **{"field-1-acres": "40", "field-1-zip": "50436"})
    signing.later(minutes=7)
    done = said_yes(signing)
    assert done is not None
    [farm] = signing.rows(Farm)
    assert (done.farm, done.farm_id, done.refusal) == ("Plum Bottom", farm.id, "")
    assert (farm.feed_target, farm.handling_loss, farm.harvest_days) == (150.0, 15.0, 5.0)
    assert [field.acres for field in signing.rows(FarmField)] == [40.0]
    [consent] = signing.rows(Consent)
    assert (consent.channel, consent.address, consent.given_on) == ("sms", PHONE, day(0))
    assert (consent.given_at, consent.ip) == (signing.clock(), IP)
    assert consent.wording == consent_wording(signing.parts.templates, "en")
    assert consent.how.startswith("YES by text")
    assert reach(signing) == [("sms", PHONE)]
    [area] = signing.rows(Area)
    assert area.due_at == signing.clock()
    assert area.time_zone == "America/Chicago"
    welcome = signing.message("welcome")
    assert (welcome.to_address, welcome.not_before) == (PHONE, signing.clock())
    token = welcome.text.split("/farm/")[1].split()[0]
    with signing.sessions.read() as session:
        visitor = open_link(session, signing.parts.link_rules(), Role.FARM, token, signing.clock())
    assert (visitor.farm_id, visitor.person_id) == (farm.id, done.person_id)
    assert count(welcome.text).parts <= 2


def test_welcome_does_not_take_the_place_of_the_days_message(signing: Service) -> None:
    asked(signing)
    done = said_yes(signing)
    assert done is not None and done.farm_id is not None and done.person_id is not None
    with signing.sessions.read() as session:
        assert not people.is_spoken_to(session, done.farm_id, done.person_id, "sms", day(0))


def test_yes_of_another_phone_or_too_late_confirms_nothing(signing: Service) -> None:
    asked(signing)
    assert said_yes(signing, OTHER_PHONE) is None
    signing.later(hours=48)
    assert said_yes(signing) is None
    assert signing.rows(Farm) == []


def test_second_yes_confirms_nothing_more(signing: Service) -> None:
    asked(signing)
    assert said_yes(signing) is not None
    assert said_yes(signing) is None
    assert len(signing.messages("welcome")) == len(signing.rows(Consent)) == 1


def test_form_mended_and_sent_again_is_one_farm(signing: Service) -> None:
    asked(signing, harvest_days="50", **{"field-1-field": "Nort"})  # refused: too many days
    asked(signing, **{"field-1-field": "Nort"})
    asked(signing, farm="PLUM bottom")
    done = said_yes(signing)
    assert done is not None and done.farm == "PLUM bottom"
    assert said_yes(signing) is None
    assert [field.name for field in signing.rows(FarmField)] == ["North"]


def test_two_farms_of_one_phone_take_two_yeses(signing: Service) -> None:
    asked(signing)
    asked(signing, farm="Stone Row")
    assert [getattr(said_yes(signing), "farm", "") for _ in range(3)] == [
        "Stone Row",
        "Plum Bottom",
        "",
    ]
    assert {farm.farmer_id for farm in signing.rows(Farm)} == {1}


def test_name_taken_in_the_area_is_refused_and_gives_nothing_away(signing: Service) -> None:
    signing.enrol({"farmer": "Ivo Brandt", "phone": OTHER_PHONE})
    said = asked(signing, farm="plum-bottom")
    assert [(error.control, error.reason) for error in said.errors] == [("farm", TAKEN)]
    assert "Brandt" not in TAKEN
    assert asked(signing, farm="Plum Bottom Lindqvist").errors == ()


def test_name_taken_meanwhile_is_said_at_the_yes(signing: Service) -> None:
    asked(signing)
    signing.enrol({"farmer": "Ivo Brandt", "phone": OTHER_PHONE})
    done = said_yes(signing)
    assert done is not None
    assert (done.farm_id, done.refusal) == (None, TAKEN)
    assert said_yes(signing) is None
    assert signing.messages("welcome") == []
    [farmer] = {farm.farmer_id for farm in signing.rows(Farm)}
    assert signing.rows(Person)[farmer - 1].name == "Ivo Brandt"


def test_time_zone_of_the_area_stays_whatever_the_zip_says(signing: Service) -> None:
    asked(signing, **{"field-1-zip": "82801"})  # Mountain Time
    said_yes(signing)
    [area] = signing.rows(Area)
    assert area.time_zone == "America/Chicago"


def test_yes_after_a_stop_is_the_newer_word(signing: Service) -> None:
    asked(signing)
    with signing.sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, signing.clock(), "replied STOP")
    signing.send()
    assert signing.sms.attempts == []  # who stopped is not even asked
    assert said_yes(signing) is not None
    [entry] = signing.rows(OptOut)
    assert entry.ended_how == "YES by text"
    assert reach(signing) == [("sms", PHONE)]


def test_phone_that_stopped_is_told_to_text_start_first(signing: Service) -> None:
    with signing.sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, signing.clock(), "replied STOP")
    [error] = asked(signing).errors
    assert (error.control, "text START" in error.reason) == ("phone", True)
    assert signing.rows(SignUp) == signing.messages() == []


def test_email_that_stopped_is_asked_once_a_day_and_starts_again_by_its_button(
    signing: Service,
) -> None:
    with signing.sessions.write() as session:
        opt_outs.stop(session, "email", EMAIL, signing.clock(), "link in an email")
    signing.later(minutes=1)
    assert asked(signing, **BY_EMAIL).too_many == ""
    assert asked(signing, **{**BY_EMAIL, "farm": "Stone Row"}).too_many == "address"
    signing.send()
    [question] = signing.mail.attempts
    by_link(signing, token_in(question.text))
    assert reach(signing) == [("email", EMAIL)]
    signing.later(hours=25)
    assert asked(signing, **{**BY_EMAIL, "farm": "Stone Row"}).too_many == ""


def test_question_does_not_go_to_an_email_that_stopped_since_it_was_asked(signing: Service) -> None:
    asked(signing, **BY_EMAIL)
    signing.later(minutes=1)
    with signing.sessions.write() as session:
        opt_outs.stop(session, "email", EMAIL, signing.clock(), "link in an email")
    signing.send()
    assert signing.mail.attempts == []


def test_name_of_a_farm_elsewhere_is_taken_and_results_go_on_flowing(signing: Service) -> None:
    """A laboratory prints no area: the name in another one would make results ambiguous."""
    signing.enrol({"area": "Elsewhere", "farmer": "Ivo Brandt", "phone": OTHER_PHONE})
    assert [error.reason for error in asked(signing).errors] == [TAKEN]
    signing.results({"rfv": 205})
    assert [row.field_id for row in signing.stored_results()] == [1]


def test_name_that_a_laboratory_writes_for_a_farm_is_taken(signing: Service) -> None:
    signing.enrol({"area": "Elsewhere", "farmer": "Ivo Brandt", "phone": OTHER_PHONE})
    with signing.sessions.write() as session:
        fields.add_name(session, 1, "Plum Btm", "N")
    assert wrong(asked(signing, farm="PLUM BTM")) == ["farm"]


def test_name_taken_elsewhere_meanwhile_is_said_at_the_yes(signing: Service) -> None:
    asked(signing)
    signing.enrol({"area": "Elsewhere", "farmer": "Ivo Brandt", "phone": OTHER_PHONE})
    done = said_yes(signing)
    assert done is not None and done.refusal == TAKEN
    assert len(signing.rows(Farm)) == 1


def test_result_that_waited_does_not_flow_to_a_farm_signed_up_under_its_name(
    signing: Service,
) -> None:
    signing.enrol({"area": "Elsewhere", "farmer": "Ivo Brandt", "phone": OTHER_PHONE})
    signing.results({"farm": "Plum Botom", "rfv": 205})
    signing.later(minutes=1)
    asked(signing, farm="Plum Botom")
    assert said_yes(signing) is not None
    signing.enrol({"farm": "Stone Row", "area": "Elsewhere"})  # looks at everything that waits
    assert [row.field_id for row in signing.stored_results()] == [None]
    signing.results({"farm": "Plum Botom", "rfv": 190, "sampled_on": day(-4).isoformat()})
    assert [row.field_id for row in signing.stored_results()] == [None, 2]


def test_second_farm_adds_a_way_to_be_told_and_changes_no_language(signing: Service) -> None:
    signing.enrol({"farm": "Stone Row", "alert_by": "email", "email": EMAIL, "language": "es"})
    asked(signing, language="en")
    assert said_yes(signing) is not None
    [person] = signing.rows(Person)
    assert (person.alert_by, person.language) == ("both", "es")


def test_question_by_text_says_nothing_that_was_typed(signing: Service) -> None:
    asked(signing)
    assert "Plum" not in signing.message("confirm").text


def test_second_question_in_a_night_waits_for_eight(signing: Service) -> None:
    signing.clock.set(day(0), NOON.time().replace(hour=22))
    asked(signing)
    signing.later(hours=3)
    asked(signing, farm="Stone Row")
    signing.send()
    assert len(signing.sms.attempts) == 1
    signing.clock.set(day(1), NOON.time().replace(hour=8))
    signing.send()
    assert len(signing.sms.attempts) == 2


def test_tagged_and_capital_spellings_are_one_mailbox_to_the_bounds(signing: Service) -> None:
    for number in range(3):
        email = f"ADA+{number}@example.org"
        assert asked(signing, **{**BY_EMAIL, "email": email, "farm": f"F {number}"}).too_many == ""
    assert asked(signing, **BY_EMAIL).too_many == "address"
    assert asked(signing, **{**BY_EMAIL, "email": "adam@example.org"}).too_many == ""


def test_email_stopped_in_other_capitals_is_not_written_to(signing: Service) -> None:
    signing.enrol({"phone": "", "email": "Ada@Example.org", "alert_by": "email"})
    with signing.sessions.write() as session:
        opt_outs.stop(session, "email", EMAIL, signing.clock(), "link in an email")
    assert reach(signing) == []


def test_stranger_cannot_take_over_somebody_by_typing_their_email(signing: Service) -> None:
    """Only the address that said yes becomes the person's: name and email of another do not."""
    signing.enrol({"farm": "Stone Row", "phone": "", "email": EMAIL, "alert_by": "email"})
    typed = {"phone": "202-555-0144", "email": EMAIL, "alert_by": "both"}
    asked(signing, **typed)
    done = said_yes(signing, OTHER_PHONE)
    assert done is not None
    owner, stranger = signing.rows(Person)
    assert (owner.phone, owner.email, owner.alert_by) == ("", EMAIL, "email")
    assert (stranger.phone, stranger.email, stranger.alert_by) == (OTHER_PHONE, "", "text")


def test_asking_changes_nobody_who_is_known_already(signing: Service) -> None:
    signing.enrol({"farm": "Stone Row", "consent_on": "", "consent_how": ""})
    before = [person.model_dump() for person in signing.rows(Person)]
    asked(signing, language="es", email="evil@example.org", alert_by="text")
    assert [person.model_dump() for person in signing.rows(Person)] == before
    assert signing.message().person_id == before[0]["id"]


# ------------------------------------------------------------------------------ by email


def test_email_is_confirmed_by_its_link(signing: Service) -> None:
    said = asked(signing, **BY_EMAIL)
    assert (said.channel, said.address) == ("email", EMAIL)
    message = signing.message()
    assert (message.kind, message.channel) == ("confirm", "email")
    token = token_in(message.text)
    assert token in message.html
    assert "Plum Bottom" in message.subject
    with signing.sessions.read() as session:
        seen = look_at_link(session, signing.parts.sign_up_rules(), token, signing.clock())
    assert (seen.farm, seen.address, seen.again) == ("Plum Bottom", EMAIL, False)
    assert signing.rows(Farm) == []
    done = by_link(signing, token)
    assert done.farm_id is not None
    [consent] = signing.rows(Consent)
    assert (consent.channel, consent.address) == ("email", EMAIL)
    assert consent.how.startswith("button of the emailed link")
    assert reach(signing) == [("email", EMAIL)]
    assert signing.message("welcome").channel == "email"


def test_link_pressed_twice_changes_nothing_the_second_time(signing: Service) -> None:
    asked(signing, **BY_EMAIL)
    token = token_in(signing.message().text)
    first, second = by_link(signing, token), by_link(signing, token)
    assert (first.again, second.again, second.farm_id) == (False, True, first.farm_id)
    assert len(signing.messages("welcome")) == len(signing.rows(Farm)) == 1


@pytest.mark.parametrize("change", [lambda t: t[:-1], lambda t: f"9{t}", lambda t: "1", str.upper])
def test_link_that_is_not_ours_leads_nowhere(signing: Service, change) -> None:  # type: ignore[no-untyped-def]
    asked(signing, **BY_EMAIL)
    with pytest.raises(LinkGone):
        by_link(signing, change(token_in(signing.message().text)))
    assert signing.rows(Farm) == []


def test_link_of_a_farm_page_confirms_no_sign_up(signing: Service) -> None:
    asked(signing)
    said_yes(signing)
    token = signing.message("welcome").text.split("/farm/")[1].split()[0]
    with pytest.raises(LinkGone):
        by_link(signing, token)


def test_link_expires_with_the_sign_up(signing: Service) -> None:
    asked(signing, **BY_EMAIL)
    signing.later(hours=49)
    with pytest.raises(LinkGone, match="expired"):
        by_link(signing, token_in(signing.message().text))


def test_who_wants_both_confirms_each_where_it_arrives(signing: Service) -> None:
    asked(signing, email=EMAIL, alert_by="both")
    assert [message.channel for message in signing.messages()] == ["sms"]
    said_yes(signing)
    assert reach(signing) == [("sms", PHONE)]
    [_, question] = signing.messages("confirm")
    assert (question.channel, question.to_address) == ("email", EMAIL)
    done = by_link(signing, token_in(question.text))
    assert done.farm_id == 1
    assert sorted(reach(signing)) == [("email", EMAIL), ("sms", PHONE)]
    [person] = signing.rows(Person)
    assert (person.email, person.alert_by) == (EMAIL, "both")
    assert len(signing.rows(Farm)) == 1


def test_email_for_texts_that_do_not_arrive_is_asked_before_it_counts(signing: Service) -> None:
    asked(signing, email=EMAIL, email_if_unreached="yes")
    assert [message.channel for message in signing.messages()] == ["sms"]
    said_yes(signing)
    [person] = signing.rows(Person)
    assert (person.email, person.alert_by, person.email_if_unreached) == ("", "text", True)
    [_, question] = signing.messages("confirm")
    assert (question.channel, question.to_address) == ("email", EMAIL)
    by_link(signing, token_in(question.text))
    [person] = signing.rows(Person)
    assert (person.email, person.alert_by, person.email_if_unreached) == (EMAIL, "text", True)
    assert reach(signing) == [("sms", PHONE)]  # start dates go by text as before
    with signing.sessions.read() as session:
        [mailbox] = people.recipients(session, [1], by_email=True)[1]
    assert mailbox.address == EMAIL


def test_email_given_without_the_tick_is_not_written_to(signing: Service) -> None:
    asked(signing, email=EMAIL)
    said_yes(signing)
    assert {message.channel for message in signing.messages()} == {"sms"}
    assert not signing.rows(Person)[0].email_if_unreached


def test_tick_without_an_email_is_sent_back(signing: Service) -> None:
    said = asked(signing, email_if_unreached="yes")
    assert wrong(said) == ["email"]
    assert "take the tick below it out" in said.errors[0].reason


def test_markup_in_a_name_stays_text_in_the_email(signing: Service) -> None:
    asked(signing, farm='<b>Plum<b> & "Co"', **BY_EMAIL)
    message = signing.message()
    assert "<b>" not in message.html
    assert "&lt;b&gt;Plum" in message.html
    assert "\n" not in message.subject


# ------------------------------------------------------ consent of who is enrolled already


def test_farmer_enrolled_without_consent_agrees_by_text(service: Service) -> None:
    service.enrol({"consent_on": "", "consent_how": ""})
    assert reach(service) == []
    with service.sessions.write() as session:
        assert agree_by_text(session, PHONE, "START", service.clock()) == ("Plum Bottom",)
    with service.sessions.write() as session:
        assert agree_by_text(session, PHONE, "YES", service.clock()) == ()
    [consent] = service.rows(Consent)
    assert (consent.how, consent.given_at) == ("START by text", service.clock())
    assert reach(service) == [("sms", PHONE)]


def test_phone_of_nobody_agrees_to_nothing(signing: Service) -> None:
    asked(signing)  # a person who waits for confirmation farms nothing yet
    with signing.sessions.write() as session:
        assert agree_by_text(session, PHONE, "YES", signing.clock()) == ()
    assert signing.rows(Consent) == []


# ------------------------------------------------------------------------- another address


def asked_address(service: Service, address: str, *, agreed: bool = True, **typed: str) -> Asked:
    form = SignUpForm({"address": address, **typed}, "en", agreed)
    rules = service.parts.sign_up_rules()
    return ask_address(service.sessions, rules, 1, form, IP, service.clock())


@pytest.mark.parametrize(("tick", "by"), [("", "both"), ("yes", "text")])
def test_email_may_be_for_texts_that_do_not_arrive_only(
    service: Service, tick: str, by: str
) -> None:
    service.enrol({})
    asked_address(service, EMAIL, email_if_unreached=tick)
    by_link(service, token_in(service.message("confirm").text))
    [person] = service.rows(Person)
    assert (person.email, person.alert_by) == (EMAIL, by)
    assert person.email_if_unreached is (tick == "yes")


def test_tick_means_nothing_for_a_phone(service: Service) -> None:
    service.enrol({})
    asked_address(service, OTHER_PHONE, email_if_unreached="yes")
    said_yes(service, OTHER_PHONE)
    [person] = service.rows(Person)
    assert (person.phone, person.email_if_unreached) == (OTHER_PHONE, False)


def test_new_address_of_who_farmed_before_is_not_the_new_farmers(service: Service) -> None:
    service.enrol({})
    asked_address(service, "202-555-0144")
    service.enrol({"farmer": "Ivo Brandt", "phone": "+12025550147"})
    done = said_yes(service, OTHER_PHONE)
    assert done is not None and "another farmer" in done.refusal
    assert reach(service, "Ivo Brandt") == [("sms", "+12025550147")]


def test_links_sent_to_the_phone_before_open_no_more(service: Service) -> None:
    service.enrol({})
    links(service, PHONE)
    before = service.message("new_link").text.split("/farm/")[1].split()[0]
    asked_address(service, "202-555-0144")
    said_yes(service, OTHER_PHONE)
    welcome = service.message("welcome")
    after = welcome.text.split("/farm/")[1].split()[0]
    assert welcome.to_address == OTHER_PHONE
    rules, now = service.parts.link_rules(), service.clock()
    with service.sessions.read() as session:
        assert open_link(session, rules, Role.FARM, after, now).farm_id == 1
        with pytest.raises(LinkGone, match="taken back"):
            open_link(session, rules, Role.FARM, before, now)


def test_phone_that_stopped_is_no_new_address_before_it_texts_start(service: Service) -> None:
    service.enrol({})
    with service.sessions.write() as session:
        opt_outs.stop(session, "sms", OTHER_PHONE, service.clock(), "replied STOP")
    assert wrong(asked_address(service, OTHER_PHONE)) == ["address"]
    assert service.messages() == []


def test_new_phone_takes_over_once_it_said_yes_itself(service: Service) -> None:
    service.enrol({})
    assert asked_address(service, "202-555-0144").address == OTHER_PHONE
    assert reach(service) == [("sms", PHONE)]
    assert service.message("confirm").to_address == OTHER_PHONE
    done = said_yes(service, OTHER_PHONE)
    assert done is not None and done.farm_id == 1
    assert reach(service) == [("sms", OTHER_PHONE)]
    [person] = service.rows(Person)
    assert (person.phone, person.alert_by) == (OTHER_PHONE, "text")
    assert len(service.rows(Farm)) == 1


def test_email_is_added_to_the_texts_once_its_button_is_pressed(service: Service) -> None:
    service.enrol({})
    asked_address(service, EMAIL)
    assert reach(service) == [("sms", PHONE)]
    by_link(service, token_in(service.message("confirm").text))
    assert sorted(reach(service)) == [("email", EMAIL), ("sms", PHONE)]


def test_new_address_is_asked_within_the_same_bounds(service: Service) -> None:
    service.enrol({})
    assert wrong(asked_address(service, "nowhere")) == ["address"]
    assert wrong(asked_address(service, "+44 20 7946 0018", agreed=False)) == ["consent", "address"]
    for _ in range(3):
        assert asked_address(service, EMAIL).too_many == ""
    assert asked_address(service, EMAIL).too_many == "address"
    assert len(service.messages("confirm")) == 3


# ---------------------------------------------------------------------------- lost links


def links(service: Service, typed: str) -> bool:
    channel, address = read_address(typed)
    rules = service.parts.sign_up_rules()
    return send_links(service.sessions, rules, channel, address, service.clock())


def test_new_link_goes_to_the_phone_that_is_enrolled(service: Service) -> None:
    service.enrol({})
    assert links(service, "202 555 0143")
    message = service.message("new_link")
    assert (message.to_address, message.farm_id) == (PHONE, None)
    token = message.text.split("/farm/")[1].split()[0]
    with service.sessions.read() as session:
        visitor = open_link(session, service.parts.link_rules(), Role.FARM, token, service.clock())
    assert visitor.farm_id == 1


def test_adviser_gets_links_to_clients_and_sampling(service: Service) -> None:
    adviser = {"consultant": "Per Nystrom", "consultant_email": "per@example.org"}
    service.enrol({**adviser, "sampler": "Per Nystrom", "sampler_email": "per@example.org"})
    assert links(service, "Per@example.org".lower())
    text = service.message("new_link").text
    assert "/consultant/" in text and "/sampler/" in text and "/farm/" not in text


@pytest.mark.parametrize("typed", ["202-555-0177", "nobody@example.org"])
def test_nothing_goes_to_who_is_not_enrolled(service: Service, typed: str) -> None:
    service.enrol({})
    assert not links(service, typed)
    assert service.messages() == []


def test_nothing_goes_to_who_never_agreed_or_stopped(service: Service) -> None:
    service.enrol({"consent_on": "", "consent_how": ""})
    assert not links(service, PHONE)
    service.enrol({})
    with service.sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, service.clock(), "replied STOP")
    assert not links(service, PHONE)


def test_email_that_stopped_gets_one_link_a_day(service: Service) -> None:
    service.enrol({"phone": "", "email": EMAIL, "alert_by": "email"})
    with service.sessions.write() as session:
        opt_outs.stop(session, "email", EMAIL, service.clock(), "link in an email")
    service.later(minutes=1)
    assert links(service, EMAIL)
    service.send()
    assert len(service.mail.attempts) == 1
    service.later(hours=2)
    assert not links(service, EMAIL)
    service.later(hours=23)
    assert links(service, EMAIL)


def test_new_links_are_bounded_by_hour_and_day(service: Service) -> None:
    service.enrol({})
    went = []
    for _ in range(5):
        went.append(links(service, PHONE))
        assert not links(service, PHONE)
        service.later(minutes=61)
    assert went == [True, True, True, False, False]


@pytest.mark.parametrize("typed", ["", "Plum Bottom", "=1@example.org", "@", "555-0143"])
def test_what_is_neither_phone_nor_email_is_refused(typed: str) -> None:
    with pytest.raises(ValueError):
        read_address(typed)


def test_new_link_text_holds_as_many_pages_as_two_parts_do(service: Service) -> None:
    pages = [
        Page(f"Farm {n}", f"https://cutcall.example.org/farm/{n}.{'x' * 27}") for n in range(6)
    ]
    text = new_link_text(service.parts.templates, "en", pages, "#K7Q2B").text
    assert count(text).parts == 2
    assert text.count("https://") == 3


# ------------------------------------------------------------------------- nearest area


def test_nearest_area_is_that_of_the_nearest_fields(service: Service) -> None:
    """82801 is Sheridan in Wyoming, 57701 Rapid City in South Dakota, 05401 Burlington in Vermont
    (gazetteer of the United States Census Bureau, from memory)."""
    west = {"area": "West", "farm": "A", "latitude": 44.8, "longitude": -107.0}
    east = {"area": "East", "farm": "B", "latitude": 44.1, "longitude": -103.2}
    service.enrol(west, east, {"area": "Placeless", "farm": "C"})
    with service.sessions.read() as session:
        choices = area_choices(session)
    assert [area.name for area in choices] == ["East", "Placeless", "West"]
    assert nearest_area(choices, "82801") == "West"
    assert nearest_area(choices, "57701") == "East"
    assert nearest_area(choices, "05401") == ""  # half a continent away
    assert nearest_area(choices, "hello") == nearest_area((), "82801") == ""

"""Words and traces of people go after the time that `[retention]` sets, and nothing else does."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from factories import NOON, PHONE, Home, Service, build_message
from sqlalchemy import text
from sqlmodel import Session

from alerts.services.operating.housekeeping import tidy
from alerts.services.people import retention
from alerts.services.people.personal_data import forget_person
from alerts.services.people.retention import RetentionRules, take_away
from alerts.store import links as link_store
from alerts.store import opt_outs, people
from alerts.store.tables import (
    AccessLink,
    ApiRequest,
    ApiToken,
    Consent,
    InboundText,
    OutboxMessage,
    SignUp,
)

DAY = timedelta(days=1)
RULES = RetentionRules(
    messages=1000 * DAY,
    texts_in=900 * DAY,
    consents=1500 * DAY,
    links=400 * DAY,
    ips=300 * DAY,
    sign_ups=30 * DAY,
    answers=20 * DAY,
)
OLD, YOUNG = DAY, -DAY
"""Beyond the time kept, and within it."""


def add(service: Service, *rows: object) -> None:
    with service.sessions.write() as session:
        for row in rows:
            session.add(row)
            session.flush()


def clear(service: Service) -> dict[str, int]:
    return take_away(service.sessions, RULES, service.clock())


def message(home: Home, key: str, at: datetime, status: str = "delivered") -> OutboxMessage:
    return build_message(home, key, created_at=at, status=status, html="<p>x</p>", subject="s")


def test_words_of_old_messages_go_and_their_fate_stays(service: Service, home: Home) -> None:
    before = NOON - RULES.messages
    add(
        service,
        message(home, "old", before - OLD),
        message(home, "young", before - YOUNG),
        message(home, "under way", before - OLD, "unknown"),
    )
    assert clear(service) == {"messages": 1}
    old, young, under_way = service.messages()
    assert (old.text, old.html, old.subject, old.attachments) == ("", "", "", [])
    assert (old.status, old.to_address, old.dedupe_key) == ("delivered", PHONE, "old")
    assert young.text and under_way.text
    assert clear(service) == {}


def text_in(sid: str, at: datetime, *, handled: bool = True) -> InboundText:
    return InboundText(
        gateway_id=sid, from_address=PHONE, to_address="", body="cut north", received_at=at,
        handled_at=at if handled else None,
    )  # fmt: skip


def test_old_texts_lose_words_and_number_but_not_the_gateways_id(service: Service) -> None:
    before = NOON - RULES.texts_in
    waiting = text_in("SM3", before - OLD, handled=False)
    add(service, text_in("SM1", before - OLD), text_in("SM2", before - YOUNG), waiting)
    assert clear(service) == {"texts in": 1}
    assert [(one.gateway_id, one.body) for one in service.rows(InboundText)] == [
        ("SM1", ""), ("SM2", "cut north"), ("SM3", "cut north"),
    ]  # fmt: skip


def sign_up(at: datetime, confirmed: datetime | None = None) -> SignUp:
    return SignUp(
        channel="sms", address=PHONE, form={"farm": "x"}, wording="w", ip="203.0.113.9",
        asked_at=at, expires_at=at + 2 * DAY, confirmed_at=confirmed,
    )  # fmt: skip


def test_sign_up_nobody_confirmed_is_blanked_and_its_number_stays(service: Service) -> None:
    before = NOON - RULES.sign_ups
    add(
        service, sign_up(before - 3 * DAY, NOON), sign_up(before - YOUNG), sign_up(before - 3 * DAY)
    )
    assert clear(service) == {"sign-ups": 1}
    kept = [(one.id, one.form, one.address, one.ip) for one in service.rows(SignUp)]
    assert kept[2] == (3, {}, "", "")
    assert all(form and ip for _, form, _, ip in kept[:2])


def test_old_ips_go_from_consents_and_sign_ups(service: Service, home: Home) -> None:
    before = NOON - RULES.ips
    with service.sessions.write() as session:
        person = people.put_person(
            session, name="Ada Lindqvist", phone=PHONE, email="", alert_by="text"
        )
        for how, at in (("old", before - OLD), ("young", before - YOUNG)):
            people.put_consent(
                session, person, channel="sms", address=PHONE, given_on=at.date(), how=how,
                now=at, ip="203.0.113.9",
            )  # fmt: skip
    add(service, sign_up(before - OLD, before))
    assert clear(service) == {"IPs of sign-ups": 1, "IPs of consents": 1}
    assert {one.how: one.ip for one in service.rows(Consent)} == {"old": "", "young": "203.0.113.9"}


def test_evidence_of_who_was_forgotten_goes_in_time_from_that_day_on(service: Service) -> None:
    service.clock.now = NOON - 3000 * DAY
    service.enrol({"consent_on": "2019-01-01"})
    service.later(days=1000)
    forget_person(service.sessions, PHONE, service.clock())
    service.later(days=1499)
    take_away(service.sessions, RULES, service.clock())
    assert len(service.rows(Consent)) == 1
    service.later(days=2)
    assert take_away(service.sessions, RULES, service.clock())["consents"] == 1
    assert service.rows(Consent) == []


def test_consent_of_somebody_who_is_here_stays_however_old(service: Service) -> None:
    service.clock.now = NOON - 9000 * DAY
    service.enrol({"consent_on": "2002-01-01"})
    service.clock.now = NOON
    clear(service)
    assert len(service.rows(Consent)) == 1


def put_link(session: Session, expires: datetime, revoked: datetime | None = None) -> None:
    link = link_store.add_link(
        session, role="operator", person_id=None, farm_id=None, now=NOON - 2000 * DAY,
        expires_at=expires,
    )  # fmt: skip
    link.revoked_at = revoked


def test_old_links_go_but_the_number_of_none_is_given_again(service: Service) -> None:
    before = NOON - RULES.links
    with service.sessions.write() as session:
        put_link(session, before - OLD)
        put_link(session, before - YOUNG)
        put_link(session, NOON + DAY, revoked=before - OLD)
        put_link(session, before - OLD)
    assert clear(service) == {"links": 2}
    assert [one.id for one in service.rows(AccessLink)] == [2, 4]
    with service.sessions.write() as session:
        put_link(session, NOON + DAY)
    assert [one.id for one in service.rows(AccessLink)] == [2, 4, 5]


def test_old_answers_to_programs_go(service: Service) -> None:
    add(
        service,
        ApiToken(id=1, name="t", role="lab", scopes="", start="", sha256="x", made_at=NOON),
        *(
            ApiRequest(token_id=1, key=key, sha256="y", status=200, answer={}, at=at)
            for key, at in (("old", NOON - 21 * DAY), ("young", NOON - 19 * DAY))
        ),
    )
    assert clear(service) == {"answers": 1}
    assert [one.key for one in service.rows(ApiRequest)] == ["young"]


def test_many_are_taken_in_batches_and_the_rest_next_time(
    service: Service, home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "BATCH", 2)
    monkeypatch.setattr(retention, "MOST_BATCHES", 2)
    add(service, *(message(home, f"m{n}", NOON - RULES.messages - OLD) for n in range(5)))
    assert clear(service) == {"messages": 4}
    assert clear(service) == {"messages": 1}


UNTOUCHED = ("result", "cut", "opt_out", "document", "farm", "field", "person", "delivery_event")


def test_results_cuts_documents_and_the_stopped_are_never_touched(service: Service) -> None:
    service.clock.now = NOON
    service.enrol({})
    service.results({"rfv": 205, "remark": "wet"})
    service.evaluate()
    service.send()
    service.cut("North", NOON.date())
    with service.sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, NOON, "STOP by text")

    def rows() -> list[list[tuple[object, ...]]]:
        with service.sessions.engine.connect() as connection:
            return [
                [tuple(row) for row in connection.execute(text(f"SELECT * FROM {one} ORDER BY 1"))]
                for one in UNTOUCHED
            ]

    before = rows()
    assert all(before)
    service.later(days=20000)
    take_away(service.sessions, RULES, service.clock())
    assert rows() == before


def test_housekeeping_takes_away_where_it_is_told_to(service: Service, home: Home) -> None:
    add(service, message(home, "old", NOON - RULES.messages - OLD))
    tidy(service.sessions, service.parts.intake_rules(), NOON)
    assert service.message().text
    tidy(service.sessions, service.parts.intake_rules(), NOON, RULES)
    assert service.message().text == ""

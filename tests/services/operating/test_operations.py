from __future__ import annotations

from datetime import date, timedelta

import pytest
from factories import (
    MONDAY,
    NOON,
    OTHER_PHONE,
    PHONE,
    Home,
    Service,
    build_message,
    day,
    put_home,
    results_sheet,
)
from fakes import Answer

from alerts.domain.delivery import Status
from alerts.services.access.masking import masked, without_address, without_keys
from alerts.services.access.scope import NotYours
from alerts.services.operating import operations
from alerts.services.operating.desk import Desk, JobLine, look, open_message
from alerts.services.operating.operations import NotPossible
from alerts.store import fields, jobs, opt_outs, outbox, told_farms
from alerts.store.outbox import FieldStart
from alerts.store.tables import Farm, MessageField, OutboxMessage, SignUp
from alerts.transports.base import Outcome, SendResult

TICKS = {"sending": 5, "intake": 20}


@pytest.fixture
def farm(service: Service) -> Home:
    return put_home(service.sessions)


def put(
    service: Service, home: Home, *statuses: str, key: str = "start:1", **changes: object
) -> OutboxMessage:
    """A message that went through these states."""
    detail = str(changes.pop("detail", ""))
    code = str(changes.pop("code", ""))
    with service.sessions.write() as session:
        row = outbox.enqueue(
            session, build_message(home, key, **changes), [FieldStart(home.field_id, day(3))]
        )
        assert row is not None
        for status in statuses:
            row.attempts += status == "sending"
            outbox.settle(session, row, Status(status), service.clock(), code=code, detail=detail)
        assert row.status == (statuses[-1] if statuses else "queued")
    return row


def refused(service: Service, home: Home, **changes: object) -> OutboxMessage:
    values = {"code": "30003", "detail": "unreachable", **changes}
    return put(service, home, "sending", "failed", **values)  # type: ignore[arg-type]


def again(service: Service, message: OutboxMessage) -> OutboxMessage:
    assert message.id is not None
    number = operations.send_again(service.sessions, message.id, service.clock())
    return next(row for row in service.messages() if row.id == number)


def seen(service: Service) -> Desk:
    return look(service.sessions, TICKS, service.clock())


# -------------------------------------------------------------------- by email instead


def instead(service: Service, farm: Home, text: OutboxMessage, *statuses: str) -> OutboxMessage:
    return put(
        service,
        farm,
        *statuses,
        key=f"instead:{text.public_id}",
        channel="email",
        to_address="ada@example.org",
        fallback_of=text.id,
    )


@pytest.mark.parametrize("statuses", [(), ("sending", "accepted")])
def test_text_that_went_by_email_needs_nobody(
    service: Service, farm: Home, statuses: tuple[str, ...]
) -> None:
    text = refused(service, farm)
    email = instead(service, farm, text, *statuses)
    desk = seen(service)
    assert (desk.failed, desk.failures) == (0, ())
    assert [line.id for line in desk.emailed.shown] == [text.id]
    assert open_message(service.sessions, text.id, service.clock()).emailed_as == email.id
    assert open_message(service.sessions, email.id, service.clock()).instead_of == text.id
    with pytest.raises(NotPossible, match="by email instead"):
        again(service, text)
    operations.dismiss(service.sessions, text.id, service.clock())
    assert seen(service).emailed.messages == 0


def test_text_whose_email_failed_too_needs_somebody(service: Service, farm: Home) -> None:
    text = refused(service, farm)
    instead(service, farm, text, "sending", "failed")
    desk = seen(service)
    assert (desk.failed, desk.emailed.messages) == (2, 0)
    assert again(service, text).resent_of == text.id


# -------------------------------------------------------------------- sending again


def test_failed_message_is_queued_anew_with_its_words(service: Service, farm: Home) -> None:
    old = refused(service, farm)
    service.later(hours=2)
    new = again(service, old)
    assert (new.kind, new.to_address, new.start_on) == (old.kind, old.to_address, old.start_on)
    assert new.dedupe_key == f"again:{old.id}:1"
    assert new.resent_of == old.id
    assert (new.status, new.attempts, new.error_code) == ("queued", 0, "")
    assert new.public_id != old.public_id
    assert new.text == old.text.replace(old.mark, new.mark)
    assert new.mark != old.mark
    assert (new.created_at, new.expires_at) == (service.clock(), old.expires_at)
    kept = [row for row in service.rows(MessageField) if row.message_id == new.id]
    assert [(row.field_id, row.start_on) for row in kept] == [(farm.field_id, day(3))]


def test_message_sent_again_goes_out_and_counts_as_told(service: Service, farm: Home) -> None:
    old = refused(service, farm)
    new = again(service, old)
    service.send()
    sent = [row for row in service.messages() if row.id == new.id]
    assert [row.status for row in sent] == ["accepted"]
    assert [m.text for m in service.sms.attempts] == [new.text]
    with service.sessions.read() as session:
        told = told_farms.by_farm(session, [farm.farm_id], MONDAY.year)
    assert told[farm.farm_id, 1].start_on == day(3)


def test_day_of_a_message_sent_again_is_the_local_one(service: Service, farm: Home) -> None:
    old = refused(service, farm, expires_at=NOON + timedelta(days=5))
    service.later(hours=30)
    assert again(service, old).told_on == MONDAY + timedelta(days=1)


def test_message_sent_again_twice_needs_a_second_failure(service: Service, farm: Home) -> None:
    old = refused(service, farm)
    new = again(service, old)
    with pytest.raises(NotPossible, match="it was sent again already"):
        again(service, old)
    service.sms.script(Answer(SendResult(Outcome.REFUSED, code="30005")))
    service.send()
    newest = again(service, new)
    assert newest.dedupe_key == f"again:{new.id}:1"


def test_second_copy_of_a_message_has_a_number_of_its_own(service: Service, farm: Home) -> None:
    old = refused(service, farm)
    again(service, old)
    service.sms.script(Answer(SendResult(Outcome.REFUSED, code="30005")))
    service.send()
    assert again(service, old).dedupe_key == f"again:{old.id}:2"


@pytest.mark.parametrize(
    ("statuses", "why"),
    [
        ((), "it still waits to be sent"),
        (("sending",), "it is being sent"),
        (("sending", "unknown"), "nobody knows whether it arrived"),
        (("sending", "accepted"), "the gateway took it"),
        (("sending", "accepted", "delivered"), "it arrived"),
        (("expired",), "too late to be of use"),
        (("cancelled",), "overtaken or stopped"),
    ],
)
def test_message_that_did_not_fail_is_not_sent_again(
    service: Service, farm: Home, statuses: tuple[str, ...], why: str
) -> None:
    message = put(service, farm, *statuses)
    with pytest.raises(NotPossible, match=why):
        again(service, message)
    assert len(service.messages()) == 1


def test_undelivered_text_is_sent_again(service: Service, farm: Home) -> None:
    old = put(service, farm, "sending", "accepted", "undelivered")
    assert again(service, old).resent_of == old.id


def test_email_that_may_have_arrived_is_not_sent_again(service: Service, farm: Home) -> None:
    old = put(
        service,
        farm,
        *("sending", "unknown", "queued", "sending", "failed"),
        channel="email",
        to_address="ada@example.org",
    )
    with pytest.raises(NotPossible, match="nobody knows whether it arrived"):
        again(service, old)


def test_text_the_gateway_was_asked_about_is_sent_again(service: Service, farm: Home) -> None:
    """A gateway, unlike a mail server, says whether it holds a text."""
    old = put(service, farm, "sending", "unknown", "queued", "sending", "unknown", "failed")
    assert again(service, old).resent_of == old.id


def test_message_past_its_use_is_not_sent_again(service: Service, farm: Home) -> None:
    old = refused(service, farm)
    service.clock.now = old.expires_at
    with pytest.raises(NotPossible, match="too late to be of use"):
        again(service, old)


def test_nothing_is_sent_again_to_who_stopped(service: Service, farm: Home) -> None:
    old = refused(service, farm)
    with service.sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, service.clock(), "text STOP")
    with pytest.raises(NotPossible, match="the person stopped messages"):
        again(service, old)


def test_message_overtaken_by_a_newer_one_is_not_sent_again(service: Service, farm: Home) -> None:
    old = refused(service, farm)
    put(service, farm, "sending", "accepted", key="start:2", kind="moved", start_on=day(5))
    with pytest.raises(NotPossible, match="a newer message tells the start date"):
        again(service, old)


def test_newer_message_to_somebody_else_does_not_overtake(service: Service, farm: Home) -> None:
    old = refused(service, farm)
    put(service, farm, "sending", "accepted", key="start:2", to_address=OTHER_PHONE)
    assert again(service, old).resent_of == old.id


def test_message_about_a_cutting_that_is_taken_is_not_sent_again(
    service: Service, farm: Home
) -> None:
    old = refused(service, farm)
    with service.sessions.write() as session:
        fields.record_cut(session, farm.field_id, MONDAY, service.clock())
    with pytest.raises(NotPossible, match="the fields were cut meanwhile"):
        again(service, old)


@pytest.mark.parametrize(("until", "fits"), [(day(1), False), (day(0), True), (None, True)])
def test_farm_that_asked_for_a_pause_is_not_told_again(
    service: Service, farm: Home, until: date | None, fits: bool
) -> None:
    old = refused(service, farm)
    with service.sessions.write() as session:
        session.get_one(Farm, farm.farm_id).paused_until = until
    if fits:
        assert again(service, old).resent_of == old.id
    else:
        with pytest.raises(NotPossible, match="asked for no messages before"):
            again(service, old)


def test_unknown_message_is_named(service: Service) -> None:
    with pytest.raises(NotPossible, match="there is no message 77"):
        operations.send_again(service.sessions, 77, service.clock())
    with pytest.raises(NotYours, match="there is no message 77"):
        open_message(service.sessions, 77, service.clock())


# ---------------------------------------------------------------------- the desk's lists


def test_failures_stand_by_reason_without_addresses(service: Service, farm: Home) -> None:
    for number, to in enumerate((PHONE, OTHER_PHONE)):
        said = f"The 'To' number {to} is not a valid phone number."
        refused(service, farm, key=f"k{number}", to_address=to, code="21211", detail=said)
    put(service, farm, "expired", key="late")
    first, second = seen(service).failures
    assert (first.status, first.code, first.messages) == ("failed", "21211", 2)
    assert first.detail == "The 'To' number … is not a valid phone number."
    assert [line.to for line in first.shown] == ["…44", "…43"]
    assert [line.farm for line in first.shown] == ["Plum Bottom"] * 2
    assert (second.status, second.messages) == ("expired", 1)
    assert second.shown[0].obstacle == "it is too late to be of use"


def test_long_list_of_one_reason_is_cut_and_counted(service: Service, farm: Home) -> None:
    for number in range(30):
        refused(service, farm, key=f"k{number}")
    [group] = seen(service).failures
    assert (group.messages, len(group.shown)) == (30, 25)
    assert seen(service).failed == 30


def test_sent_again_or_dismissed_is_off_the_list(service: Service, farm: Home) -> None:
    one, other = refused(service, farm), refused(service, farm, key="other", kind="digest",
                                                 start_on=None, cutting=None)  # fmt: skip
    again(service, one)
    assert [line.id for group in seen(service).failures for line in group.shown] == [other.id]
    operations.dismiss(service.sessions, other.id or 0, service.clock())
    assert seen(service).failures == ()
    assert {row.dismissed_at for row in service.messages() if row.id != 3} == {service.clock()}


@pytest.mark.parametrize("statuses", [(), ("sending",), ("sending", "unknown")])
def test_message_under_way_cannot_be_dismissed(
    service: Service, farm: Home, statuses: tuple[str, ...]
) -> None:
    message = put(service, farm, *statuses)
    with pytest.raises(NotPossible, match="still under way"):
        operations.dismiss(service.sessions, message.id or 0, service.clock())


def test_all_of_one_reason_are_dismissed_and_no_others(service: Service, farm: Home) -> None:
    for number in range(30):
        refused(service, farm, key=f"k{number}")
    other = refused(service, farm, key="other", code="21610", detail="opted out")
    assert operations.dismiss_alike(service.sessions, 1, service.clock()) == 30
    [group] = seen(service).failures
    assert [line.id for line in group.shown] == [other.id]


def test_queue_is_counted_by_state_with_the_oldest(service: Service, farm: Home) -> None:
    put(service, farm, key="old")
    put(service, farm, key="new", created_at=NOON + timedelta(hours=1))
    put(service, farm, "sending", "unknown", key="unclear")
    put(service, farm, "sending", "accepted", key="text")
    put(service, farm, "sending", "accepted", key="mail", channel="email", to_address="a@b.org")
    put(service, farm, "sending", "accepted", "delivered", key="done")
    queue = seen(service).queue
    assert [(line.status, line.messages) for line in queue] == [
        ("queued", 2),
        ("unknown", 1),
        ("accepted", 1),
    ]
    assert queue[0].oldest == NOON
    assert [line.kind for line in seen(service).unclear.shown] == ["coming"]


def test_text_without_a_receipt_is_late_after_an_hour(service: Service, farm: Home) -> None:
    put(service, farm, "sending", "accepted", key="text")
    put(service, farm, "sending", "accepted", key="mail", channel="email", to_address="a@b.org")
    service.later(minutes=59)
    assert seen(service).without_receipt.messages == 0
    service.later(minutes=2)
    [late] = seen(service).without_receipt.shown
    assert (late.id, late.at) == (1, NOON)
    before = service.clock() - timedelta(hours=1)
    assert operations.dismiss_without_receipt(service.sessions, before, service.clock()) == 1
    assert seen(service).without_receipt.messages == 0
    assert [line.status for line in seen(service).queue] == []


def test_opened_message_shows_address_words_and_steps(service: Service, farm: Home) -> None:
    old = refused(service, farm)
    new = again(service, old)
    message = open_message(service.sessions, old.id or 0, service.clock())
    assert (message.to, message.text) == (PHONE, old.text)
    assert [(step.status, step.detail) for step in message.steps] == [
        ("queued", ""),
        ("sending", "30003 unreachable"),
        ("failed", "30003 unreachable"),
    ]
    assert message.sent_again_as == (new.id,)
    assert message.obstacle == "it was sent again already"


def test_names_documents_and_choices_are_listed(service: Service) -> None:
    service.enrol({}, {"field": "Closed Piece"})
    with service.sessions.write() as session:
        fields.close(session, 2, MONDAY)
    service.take(results_sheet({"field": "Nrth 4", "rfv": 200}), "a.csv")
    service.take(results_sheet({"field": "Nrth 4", "rfv": 205}, {"ndf_pct_dm": 400}), "b.csv")
    service.take(b"\x00\x01", "broken.csv")
    desk = seen(service)
    [name] = desk.unmatched
    assert (name.farm_label, name.field_label, name.results) == ("Plum Bottom", "Nrth 4", 2)
    assert name.documents == ("a.csv", "b.csv")
    assert [(d.name, d.rows, bool(d.refusal)) for d in desk.faulty] == [
        ("broken.csv", 0, True),
        ("b.csv", 1, False),
    ]
    assert "400" in desk.faulty[1].shown[0].reason
    assert desk.field_labels == ("Plum Bottom, North (Heron Flats)",)
    assert desk.unread == ()


def test_document_a_crash_left_unread_is_listed(service: Service) -> None:
    from alerts.store import documents

    with service.sessions.write() as session:
        documents.keep_document(
            session, name="half.csv", source="folder", lab="", content=b"a", now=NOON
        )
    assert [document.name for document in seen(service).unread] == ["half.csv"]


def test_sign_ups_and_opt_outs_are_shown_without_addresses(service: Service) -> None:
    def sign_up(address: str, **values: object) -> SignUp:
        return SignUp(
            channel="sms",
            address=address,
            form={},
            wording="",
            asked_at=NOON,
            expires_at=NOON + timedelta(days=1),
            **values,
        )

    with service.sessions.write() as session:
        session.add(sign_up(PHONE))
        session.add(sign_up("+12025550150", confirmed_at=NOON, farm_id=None))
        session.add(sign_up("+12025550151", confirmed_at=NOON, refusal="no such area"))
        opt_outs.stop(session, "sms", PHONE, NOON, "STOP")
        opt_outs.stop(session, "sms", OTHER_PHONE, NOON, "STOP")
        opt_outs.stop(session, "email", "ada@example.org", NOON, "link")
        opt_outs.start(session, "sms", OTHER_PHONE, NOON, "START")
    desk = seen(service)
    assert [(row.to, row.refusal) for row in desk.sign_ups] == [
        ("…51", "no such area"),
        ("…43", ""),
    ]
    assert desk.opt_outs == {"sms": 1, "email": 1}
    service.later(days=2)
    assert [row.to for row in seen(service).sign_ups] == ["…51"]


def test_job_is_overdue_after_two_ticks_and_two_minutes(service: Service) -> None:
    with service.sessions.write() as session:
        jobs.put_run(
            session, name="sending", started_at=NOON, ended_at=NOON, ok=False, detail="disk full"
        )

    def sending() -> JobLine:
        return seen(service).jobs[0]

    service.later(seconds=130)
    assert not sending().overdue
    assert (sending().ok, sending().detail) == (False, "disk full")
    service.later(seconds=1)
    assert sending().overdue
    intake = seen(service).jobs[1]
    assert (intake.name, intake.ended_at, intake.overdue) == ("intake", None, True)


# ------------------------------------------------------------------------ naming fields


def assign(service: Service, said: str, label: str = "Nrth 4") -> int:
    return operations.assign(
        service.sessions,
        label=label,
        farm_label="Plum Bottom",
        said=said,
        guidelines=service.parts.guidelines,
        now=service.clock(),
    )


@pytest.mark.parametrize("said", ["Plum Bottom, North (Heron Flats)", " plum-bottom, NORTH"])
def test_waiting_results_flow_to_the_field_that_was_picked(service: Service, said: str) -> None:
    service.enrol({})
    service.results({"field": "Nrth 4", "rfv": 200})
    assert assign(service, said) == 1
    service.evaluate()
    assert service.line("North").results == 1
    service.results({"field": "Nrth 4", "rfv": 190, "sampled_on": day(-1)})
    assert seen(service).unmatched == ()


def test_field_of_two_areas_is_told_apart_by_its_area(service: Service) -> None:
    service.enrol({}, {"area": "Linden Hollow", "phone": OTHER_PHONE})
    service.results({"field": "Nrth 4", "rfv": 200})
    with pytest.raises(NotPossible, match="the name of 2 fields; add the area"):
        assign(service, "Plum Bottom, North")
    assert assign(service, "Plum Bottom, North (Linden Hollow)") == 1


def test_field_that_is_none_is_refused_and_the_results_wait_on(service: Service) -> None:
    service.enrol({})
    service.results({"field": "Nrth 4", "rfv": 200})
    with pytest.raises(NotPossible, match="no open field is called 'South'; pick one"):
        assign(service, "South")
    assert [name.field_label for name in seen(service).unmatched] == ["Nrth 4"]


# ------------------------------------------------------------------------------ masking


@pytest.mark.parametrize(
    ("address", "shown"),
    [(PHONE, "…43"), ("ada@example.org", "…da@example.org"), ("", ""), ("al@b.org", "…@b.org")],
)
def test_masked_address_shows_two_characters(address: str, shown: str) -> None:
    assert masked(address) == shown


def test_address_is_left_out_of_words_with_and_without_its_plus() -> None:
    assert without_address("no 12025550143, no +12025550143", PHONE) == "no …, no …"
    assert without_address("nothing", "") == "nothing"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("See http://127.0.0.1:8091/signup/confirm/7.YRamWLHQdXL1XftKlT95?x=1 now",
         "See http://127.0.0.1:8091/signup/confirm/… now"),
        ("Stop: https://a.org/stop/c21zfCsx.0123456789abcdef0123456789abcdef",
         "Stop: https://a.org/stop/…"),
        ("All: https://a.org/areas and https://a.org/", "All: https://a.org/areas and https://a.org/"),
    ],
)  # fmt: skip
def test_links_of_an_opened_message_open_nothing(text: str, shown: str) -> None:
    assert without_keys(text) == shown


def test_link_in_an_opened_message_is_not_shown(service: Service, farm: Home) -> None:
    secret = "12.YRamWLHQdXL1XftKlT953tFxX3k"
    said = f"Your page: https://cutcall.example.org/farm/{secret}"
    message = refused(service, farm, text=said, kind="new_link", start_on=None)
    shown = open_message(service.sessions, message.id or 0, service.clock())
    assert secret not in repr(shown)
    assert again(service, message).text.startswith(said)  # what is sent again is whole

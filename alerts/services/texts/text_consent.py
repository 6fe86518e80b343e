"""Consent by text: stopping, starting again, and saying yes to a sign-up."""

from __future__ import annotations

from datetime import timedelta

from alerts.domain.decision import Kind
from alerts.intake.inbound_text import Command, Start, Yes, agrees
from alerts.services.people.sign_up import agree_by_text, confirm_by_text
from alerts.services.people.sign_up_rules import SignUpRules
from alerts.services.texts import text_answers
from alerts.services.texts.text_answers import Answer, Work
from alerts.store import inbound, opt_outs, people, receipts
from alerts.store.tables import InboundText

ASKED_AGAIN = "sign-up: asked again"
MOST_QUESTIONS, WITHIN = 3, timedelta(hours=1)
"""How often a sign-up that waits is brought up again."""


def stop(work: Work, text: InboundText, *, was_stopped: bool) -> Answer:
    opt_outs.stop(work.session, "sms", work.phone, work.now, f"text: {text.body[:60]}")
    receipts.cancel_to(work.session, "sms", work.phone, work.now, "the person stopped")
    if was_stopped:
        return Answer("", "had stopped already")  # one confirmation, never two
    return work.say("stopped", "stopped", kind=Kind.STOPPED)


def start(work: Work, text: InboundText) -> Answer | None:
    """End the stop and every pause; None where nobody is known.

    The answer's own words are kept as what the person was told.
    """
    opt_outs.start(work.session, "sms", work.phone, work.now, f"text: {text.body[:60]}")
    if not work.writer.is_known:
        return None
    text_answers.lift(work)
    answer = work.say("started", "started")
    for person in work.writer.persons:
        if person.alert_by == "email":
            person.alert_by = "both"
            work.session.add(person)
        people.put_consent(
            work.session,
            person,
            channel="sms",
            address=work.phone,
            given_on=work.today,
            how=f"text '{text.body[:40].strip()}' ({text.gateway_id})",
            now=work.now,
            given_at=work.now,
            wording=answer.text,
        )
    return answer


def agree(work: Work) -> Answer | None:
    """The consent of a farmer whom somebody else enrolled; None where it is not wanted."""
    agreed = agree_by_text(work.session, work.phone, "YES", work.now)
    return work.say("started", "agreed") if agreed else None


def sign_up(work: Work, rules: SignUpRules, text: InboundText, command: Command) -> Answer:
    """The confirmation of a sign-up; the question again where the words do not say it."""
    yes = isinstance(command, Yes | Start) or agrees(text.body)
    if not yes or "?" in text.body:
        return _ask_again(work)
    confirmed = confirm_by_text(work.session, rules, work.phone, work.now)
    if confirmed is None or not confirmed.refusal:
        farm = confirmed.farm_id if confirmed else None
        return Answer("", f"confirmed the sign-up of farm {farm}")
    values = {"farm": confirmed.farm, "said": confirmed.refusal}
    return work.say("sign_up_refused", f"not signed up: {confirmed.refusal}", values)


def _ask_again(work: Work) -> Answer:
    since = work.now - WITHIN
    if inbound.number_of(work.session, work.phone, since, [ASKED_AGAIN]) >= MOST_QUESTIONS:
        return Answer("", "sign-up: asked often enough")
    return work.say("sign_up_waits", ASKED_AGAIN)

"""Recording what became of attempts: the message's next state, and what they say of the gateway."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlmodel import Session

from alerts.domain import circuit, trace
from alerts.domain.circuit import Finding, Word
from alerts.domain.delivery import Status, next_attempt
from alerts.services.delivery.sending import SendingRules, SendReport
from alerts.store import gateways, opt_outs, outbox, taken
from alerts.store.tables import Gateway, OutboxMessage
from alerts.transports.base import Channel, Outcome, SendResult

log = logging.getLogger(__name__)

OPERATOR_WAIT = timedelta(minutes=10)
"""Wait after a refusal that only a change of settings can cure."""

Attempt = tuple[OutboxMessage, SendResult]
"""A message as it was claimed, and how its attempt ended."""


def record(
    session: Session,
    gateway: Gateway,
    attempts: Sequence[Attempt],
    rules: SendingRules,
    now: datetime,
    report: SendReport,
) -> None:
    """Write down how these attempts ended; the row of their channel's ``gateway`` is locked."""
    if not attempts:
        return
    _judge(session, gateway, [result for _, result in attempts], rules, now)
    others = _record_taken(session, attempts, now, report)
    rows = same_attempts(session, [message for message, _ in others]) if others else []
    for (_, row), (_, result) in zip(rows, others, strict=True):
        if row is not None:
            _record(session, row, result, rules, now, report)


def _record_taken(
    session: Session, attempts: Sequence[Attempt], now: datetime, report: SendReport
) -> list[Attempt]:
    """Write down, all at once, what the gateway took and nobody changed meanwhile; the others."""
    sending = taken.still_sending(session, [one.id for one, _ in attempts if one.id is not None])
    plain: list[Attempt] = []
    others: list[Attempt] = []
    for message, result in attempts:
        is_same = message.id is not None and sending.get(message.id) == message.attempts
        ends_well = result.outcome is Outcome.ACCEPTED and not (result.code or result.detail)
        (plain if is_same and ends_well else others).append((message, result))
    taken.accept(
        session,
        [taken.Taken(one.id or 0, result.gateway_id, result.parts) for one, result in plain],
        now,
    )
    report.accepted += len(plain)
    for message, result in plain:
        _log_outcome(message, result)
    return others


def same_attempts(
    session: Session, messages: Sequence[OutboxMessage]
) -> list[tuple[OutboxMessage, OutboxMessage | None]]:
    """Each message with its row as it stands now, locked; None where another sender has taken it
    over meanwhile."""
    rows = outbox.get_all(session, [message.id for message in messages])
    pairs = []
    for message in messages:
        row = rows.get(message.id)
        if row is not None and row.attempts != message.attempts:
            log.warning("message %s was taken over by another sender", message.public_id)
            row = None
        pairs.append((message, row))
    return pairs


def _judge(
    session: Session,
    row: Gateway,
    results: Sequence[SendResult],
    rules: SendingRules,
    now: datetime,
) -> None:
    """Whether the gateway works; its row is left alone while it does."""
    before, channel = gateways.circuit_of(row), Channel(row.channel)
    after = circuit.after(before, map(_finding, results), rules.circuits[channel], now)
    if after == before:
        return
    gateways.put_circuit(session, row, after)
    if after.failing_since and not before.failing_since:
        log.error("the gateway for %s rests after failures: %s", channel.value, after.reason)
    elif before.failing_since and not after.failing_since:
        log.warning("the gateway for %s works again", channel.value)


def _finding(result: SendResult) -> Finding:
    if result.gateway_wide:
        reason = f"{result.code} {result.detail}".strip()
        return Finding(Word.FAILS, reason, result.retry_after_s or 0.0)
    answered = result.outcome in (Outcome.ACCEPTED, Outcome.REFUSED, Outcome.OPTED_OUT)
    return Finding(Word.WORKS if answered else Word.SILENT)


def _record(
    session: Session,
    message: OutboxMessage,
    result: SendResult,
    rules: SendingRules,
    now: datetime,
    report: SendReport,
) -> None:
    said = {"code": result.code, "detail": result.detail}
    match result.outcome:
        case Outcome.ACCEPTED:
            message.gateway_id, message.parts = result.gateway_id, result.parts
            outbox.settle(session, message, Status.ACCEPTED, now, **said)
            report.accepted += 1
        case Outcome.REFUSED | Outcome.OPTED_OUT:
            if result.outcome is Outcome.OPTED_OUT:
                opt_outs.stop(session, message.channel, message.to_address, now, "at the gateway")
            outbox.settle(session, message, Status.FAILED, now, **said)
            report.refused += 1
        case Outcome.LATER | Outcome.MISCONFIGURED:
            outbox.settle(session, message, Status.QUEUED, now, **said)
            message.next_attempt_at = _try_again(message, result, rules, now)
            report.later += 1
        case Outcome.UNKNOWN:
            outbox.settle(session, message, Status.UNKNOWN, now, **said)
            message.next_attempt_at = now + rules.settle
            report.unknown += 1
    with trace.about(message_id=message.public_id):
        _log_outcome(message, result)


def _try_again(
    message: OutboxMessage, result: SendResult, rules: SendingRules, now: datetime
) -> datetime:
    if result.outcome is Outcome.MISCONFIGURED:
        return now + OPERATOR_WAIT
    return next_attempt(
        now,
        message.attempts,
        base_s=rules.backoff_base_s,
        cap_s=rules.backoff_cap_s,
        jitter=rules.jitter,
        at_least_s=result.retry_after_s or 0.0,
    )


def _log_outcome(message: OutboxMessage, result: SendResult) -> None:
    level = logging.INFO
    if result.outcome is Outcome.MISCONFIGURED:
        level = logging.ERROR
    elif result.outcome is not Outcome.ACCEPTED:
        level = logging.WARNING
    log.log(
        level,
        "message %s (%s, %s): %s %s %s",
        message.public_id,
        message.kind,
        message.channel,
        result.outcome.value,
        result.code,
        result.detail,
    )

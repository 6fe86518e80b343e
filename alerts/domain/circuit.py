"""How fast a gateway may be written to, and whether it is written to at all.

All senders share one state for each gateway. A bucket bounds the rate. A gateway that fails several
times in a row rests, since repeating only adds to its trouble: then one message tries it (Nygard,
2007, "Release It!", calls this a circuit breaker). What a gateway says of one recipient is no
failure of the gateway.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

BUCKET_S = 10.0
"""Seconds of the rate that may leave at once after a quiet time (our judgement)."""


class Word(StrEnum):
    """What one attempt says of the gateway."""

    WORKS = "works"  # it answered for a message, be it a refusal
    FAILS = "fails"
    SILENT = "silent"  # says nothing of the gateway


@dataclass(frozen=True, slots=True)
class Finding:
    """``wait_s``: seconds the gateway asks to be left alone for."""

    word: Word
    reason: str = ""
    wait_s: float = 0.0


@dataclass(frozen=True, slots=True)
class CircuitRules:
    """``per_second`` 0 = no bound. A rest doubles from ``rest_s`` to ``rest_cap_s``; a gateway may
    ask for as much as that, too."""

    per_second: float
    in_flight: int  # attempts under way at a time, over all senders
    failures: int  # in a row before it rests
    rest_s: float
    rest_cap_s: float


@dataclass(frozen=True, slots=True)
class Circuit:
    allowance: float = 0.0
    refilled_at: datetime | None = None
    failures: int = 0
    failing_since: datetime | None = None  # None: it works
    paused_until: datetime | None = None
    reason: str = ""


def refilled(circuit: Circuit, rules: CircuitRules, now: datetime) -> Circuit:
    """The bucket as full as it is at ``now``; a clock that was set back empties nothing."""
    full = max(1.0, rules.per_second * BUCKET_S)
    if circuit.refilled_at is None:
        return replace(circuit, allowance=full, refilled_at=now)
    passed = max(0.0, (now - circuit.refilled_at).total_seconds())
    allowance = min(full, circuit.allowance + passed * rules.per_second)
    return replace(circuit, allowance=allowance, refilled_at=now)


def may_leave(circuit: Circuit, rules: CircuitRules, in_flight: int, now: datetime) -> int:
    """How many messages may leave now, where ``in_flight`` are under way.

    ``circuit`` is as `refilled` gives it for ``now``.
    """
    if is_resting(circuit, rules, now):
        return 0
    room = max(0, rules.in_flight - in_flight)
    if circuit.failing_since is not None:
        return min(1, room)
    return min(room, int(circuit.allowance)) if rules.per_second else room


def is_resting(circuit: Circuit, rules: CircuitRules, now: datetime) -> bool:
    """A rest longer than any can be was set by a clock that ran ahead, and does not count."""
    if circuit.paused_until is None:
        return False
    left = (circuit.paused_until - now).total_seconds()
    return 0 < left <= rules.rest_cap_s


def spent(circuit: Circuit, count: int, trial_ends: datetime) -> Circuit:
    """After ``count`` messages were taken to be sent.

    The one message that tries a failing gateway keeps the others off until ``trial_ends``, unless
    its outcome is known before.
    """
    left = replace(circuit, allowance=max(0.0, circuit.allowance - count))
    is_trial = count > 0 and circuit.failing_since is not None
    return replace(left, paused_until=trial_ends) if is_trial else left


def after(
    circuit: Circuit, findings: Iterable[Finding], rules: CircuitRules, now: datetime
) -> Circuit:
    """The state after these attempts, oldest first.

    Examples
    --------
    >>> rules = CircuitRules(per_second=0, in_flight=9, failures=2, rest_s=10, rest_cap_s=60)
    >>> now = datetime.fromisoformat("2027-05-10T12:00:00+00:00")
    >>> once = after(Circuit(), [Finding(Word.FAILS)], rules, now)
    >>> twice = after(once, [Finding(Word.FAILS)], rules, now)
    >>> (may_leave(once, rules, 0, now), may_leave(twice, rules, 0, now))
    (9, 0)
    """
    for finding in findings:
        circuit = _after_one(circuit, finding, rules, now)
    return circuit


def _after_one(circuit: Circuit, finding: Finding, rules: CircuitRules, now: datetime) -> Circuit:
    match finding.word:
        case Word.WORKS:
            return replace(circuit, failures=0, failing_since=None, paused_until=None, reason="")
        case Word.SILENT:
            return circuit
    failures = circuit.failures + 1
    rest = finding.wait_s
    since = circuit.failing_since
    if failures >= rules.failures:
        since = since or now
        rest = max(rest, rules.rest_s * 2 ** min(failures - rules.failures, 20))
    until = now + timedelta(seconds=min(rest, rules.rest_cap_s)) if rest else circuit.paused_until
    return replace(
        circuit,
        failures=failures,
        failing_since=since,
        paused_until=until,
        reason=finding.reason,
    )

"""Every message of the outbox against what a gateway and a mail server that misbehave truly hold.

What they do wrong is in `alerts.loopback.misbehaviour`; the long run is
`python -m tests.faults gateway`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gateway_run import Plan, run

from alerts.transports.base import Outcome, OutgoingMessage, SendResult, Sighting
from alerts.transports.sms_rest import SmsRest


def test_nothing_is_lost_and_nothing_sent_twice_while_a_fifth_goes_wrong(
    database_url: str, tmp_path: Path
) -> None:
    finding = run(Plan(messages=300, share=0.2, seed=1, patience_s=0.3), database_url, tmp_path)
    assert (finding.lost, finding.twice, finding.unexplained) == ((), (), ())
    assert finding.arrived + finding.reasons.total() == 300
    assert finding.arrived > 250
    # The run was worth something: much went wrong, and texts were taken without our knowing.
    wrong = {
        what for what in finding.seen if what not in ("send", "list", "read", "receipt", "mail")
    }
    assert {what.split()[0] for what in wrong} == {"send", "list", "read", "receipt", "mail"}
    assert sum(finding.seen[what] for what in wrong if "kept" in what) > 10


def test_sender_that_sends_again_without_asking_is_found_out(
    database_url: str, tmp_path: Path
) -> None:
    class Blind(SmsRest):
        """Neither asks the gateway, nor has itself told by it."""

        def __init__(self, **settings: Any) -> None:
            super().__init__(**{**settings, "status_callback": ""})

        async def find(self, message: OutgoingMessage) -> Sighting | None:
            return None

    finding = run(Plan(45, share=0.6, seed=3, patience_s=0.3), database_url, tmp_path, Blind)
    assert finding.twice
    assert not finding.holds


def test_text_that_was_only_said_to_be_taken_is_found_out(
    database_url: str, tmp_path: Path
) -> None:
    class Boastful(SmsRest):
        """Says of every third text that it was taken, and sends nothing."""

        sent = 0

        async def send(self, message: OutgoingMessage) -> SendResult:
            self.sent += 1
            if self.sent % 3 == 0:
                return SendResult(Outcome.ACCEPTED, gateway_id=f"SM{self.sent:032x}")
            return await super().send(message)

    finding = run(Plan(30, share=0.0, seed=1), database_url, tmp_path, Boastful)
    assert finding.lost
    assert not finding.holds

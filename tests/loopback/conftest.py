"""A moment, a text and a clock that the tests of the loopback servers share."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from alerts.transports.base import OutgoingMessage

NOW = datetime(2026, 5, 20, 12, 0, 0, tzinfo=UTC)


@pytest.fixture
def now() -> datetime:
    return NOW


@pytest.fixture
def text() -> OutgoingMessage:
    return OutgoingMessage(
        message_id="att_01",
        to="+12025550143",
        text="Start cutting Tue May 26. #A7K2",
        mark="#A7K2",
        created_at=NOW,
        expires_at=NOW + timedelta(hours=2),
    )


@pytest.fixture
def mail() -> OutgoingMessage:
    return OutgoingMessage(
        message_id="att_02",
        to="farmer@example.org",
        text="Start cutting on Tue May 26. #B4M9",
        mark="#B4M9",
        created_at=NOW,
        expires_at=NOW + timedelta(days=2),
        subject="Start cutting: Tue May 26!",
        html="<p>Start cutting on Tue May 26.</p>",
        unsubscribe_url="https://alerts.example.org/u/abc",
    )

from __future__ import annotations

import pytest

from alerts.domain.errors import ConfigurationError
from alerts.transports.base import Channel
from alerts.transports.console import Console
from alerts.transports.registry import TRANSPORTS, transport_class, transport_kinds
from alerts.transports.sms_rest import SmsRest
from alerts.transports.smtp import Smtp


def test_every_kind_leads_to_a_class() -> None:
    found = {
        (channel, kind): transport_class(channel, kind)
        for channel in Channel
        for kind in transport_kinds(channel)
    }
    assert found == {
        (Channel.SMS, "rest"): SmsRest,
        (Channel.SMS, "console"): Console,
        (Channel.EMAIL, "smtp"): Smtp,
        (Channel.EMAIL, "console"): Console,
    }
    assert set(TRANSPORTS) == set(Channel)


def test_unknown_kind_is_named_with_the_choices() -> None:
    with pytest.raises(ConfigurationError, match=r"'pigeon'.*sms.*console, rest"):
        transport_class(Channel.SMS, "pigeon")


def test_only_texts_must_be_looked_up_before_a_second_attempt() -> None:
    # an email keeps its Message-ID (RFC 5322 section 3.6.4); the text interface has no such key
    assert (SmsRest.repeatable, Smtp.repeatable, Console.repeatable) == (False, True, True)

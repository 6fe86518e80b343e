"""Which transports exist, and where. A class is loaded only when it is asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from types import MappingProxyType

from alerts.domain.errors import ConfigurationError
from alerts.transports.base import Channel, Transport

TRANSPORTS: Mapping[Channel, Mapping[str, str]] = MappingProxyType(
    {
        Channel.SMS: {
            "rest": "alerts.transports.sms_rest:SmsRest",
            "console": "alerts.transports.console:Console",
        },
        Channel.EMAIL: {
            "smtp": "alerts.transports.smtp:Smtp",
            "console": "alerts.transports.console:Console",
        },
    }
)
"""Channel -> kind -> 'module:class'."""


def transport_kinds(channel: Channel) -> tuple[str, ...]:
    """Kinds a setting may name for this channel, sorted."""
    return tuple(sorted(TRANSPORTS[channel]))


def transport_class(channel: Channel, kind: str) -> Callable[..., Transport]:
    """The class of one kind of transport; each class says which keywords it takes.

    Raises ConfigurationError for a kind that this channel does not have.
    """
    try:
        module, _, name = TRANSPORTS[channel][kind].partition(":")
    except KeyError:
        known = ", ".join(transport_kinds(channel))
        raise ConfigurationError(
            f"{kind!r} is no way to send {channel.value} messages; use one of: {known}."
        ) from None
    found: Callable[..., Transport] = getattr(import_module(module), name)
    return found

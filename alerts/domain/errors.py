"""Everything that can go wrong, drawn once.

CutcallError
 +-- UnreadableDocument     a file or post as a whole cannot be read; nothing of it was used
 +-- UnknownField           a name does not lead to a field of the roster
 +-- TransportError         a gateway or mail server did not take a message
 +-- WeatherError           no forecast could be had; dates go by the calendar until there is one
 +-- CopyRefused            a database is not copied, backed up or restored; nothing was changed
ConfigurationError          a setting or config file is wrong; stands outside the tree so that no
                            "carry on after a failed message" can hide it

Each message is one plain sentence: what is wrong, where, and what to do.
"""


class CutcallError(Exception):
    """Root of the errors a service may meet while it works."""


class UnreadableDocument(CutcallError):
    """A document cannot be read at all: empty, binary, no usable header."""


class UnknownField(CutcallError):
    """A farm or field name that the roster does not hold."""


class TransportError(CutcallError):
    """A transport could not even try: the sentence goes to the operator."""


class WeatherError(CutcallError):
    """A weather source gave nothing usable: the sentence goes to the operator and the page."""


class CopyRefused(CutcallError):
    """A database cannot be copied, backed up or restored as asked; nothing was changed."""


class ConfigurationError(Exception):
    """A setting or a config file is wrong; names the setting or entry and what is expected."""

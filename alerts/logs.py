"""The log: one line an event for people, or one JSON object an event for programs.

Each carries the ids of the work it belongs to (`domain.trace`). What a line says may hold names
that somebody typed, so nothing in it can begin a line of its own.
"""

from __future__ import annotations

import logging
import re
from datetime import UTC, datetime
from enum import StrEnum

from pythonjsonlogger.json import JsonFormatter

from alerts.domain import trace

IDS = "ids"
NOISY = ("httpx", "httpcore", "apscheduler", "alembic")
"""Whole URLs, which hold account ids, and every tick are more than a log needs."""

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")


class LogForm(StrEnum):
    PLAIN = "plain"
    JSON = "json"


def set_up(form: LogForm, level: str, process: str) -> None:
    """Log to standard error from now on; ``process`` tells this one from the others."""
    handler = logging.StreamHandler()
    # Here and not when it is written: another thread may write what this one says.
    handler.addFilter(_add_ids)
    handler.setFormatter(JsonLines(process) if form is LogForm.JSON else PlainLines())
    logging.basicConfig(level=level, handlers=[handler], force=True)
    for noisy in NOISY:
        logging.getLogger(noisy).setLevel(logging.WARNING)


def _add_ids(record: logging.LogRecord) -> bool:
    if not hasattr(record, IDS):
        setattr(record, IDS, dict(trace.ids()))
    return True


def _instant(record: logging.LogRecord) -> str:
    """ISO 8601 in UTC: processes on several machines are read side by side."""
    at = datetime.fromtimestamp(record.created, UTC)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


class PlainLines(logging.Formatter):
    """``instant LEVEL logger: message [job=sending run=3f2a]``; a traceback follows, indented."""

    def format(self, record: logging.LogRecord) -> str:
        ids = " ".join(f"{name}={one}" for name, one in getattr(record, IDS, {}).items())
        line = f"{_instant(record)} {record.levelname} {record.name}: {record.getMessage()}"
        line = _CONTROL.sub(_escaped, line + (f" [{ids}]" if ids else ""))
        if record.exc_info:
            traced = self.formatException(record.exc_info).splitlines()
            line = "\n".join([line, *(f"    {_CONTROL.sub(_escaped, one)}" for one in traced)])
        return line


def _escaped(found: re.Match[str]) -> str:
    return found.group().encode("unicode_escape").decode("ascii")


class JsonLines(JsonFormatter):
    """``{"at", "level", "logger", "message", "process", the ids, "exc_info"}``, one a line."""

    def __init__(self, process: str) -> None:
        super().__init__(static_fields={"process": process})

    def process_log_record(self, log_data: dict[str, object]) -> dict[str, object]:
        said = {"message": "", **log_data}
        ids = said.pop(IDS, {})
        return {**said, **ids} if isinstance(ids, dict) else said

    def add_fields(
        self,
        log_data: dict[str, object],
        record: logging.LogRecord,
        message_dict: dict[str, object],
    ) -> None:
        log_data |= {"at": _instant(record), "level": record.levelname, "logger": record.name}
        super().add_fields(log_data, record, message_dict)

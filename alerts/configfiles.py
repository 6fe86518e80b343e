"""The files an operator edits (``config/``), read and checked.

A wheel carries a copy of the checkout's ``config/`` as ``alerts/shipped_config``; a setting may
point to an edited copy. A file missing from the edited copy is taken from the shipped one.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from datetime import date, time
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from alerts.domain.errors import ConfigurationError
from alerts.domain.guidelines import Guideline, GuidelineSet

PACKAGE = Path(__file__).parent


def shipped_config_dir(package: Path = PACKAGE) -> Path:
    """``config/`` of the checkout, or the copy inside an installed wheel."""
    inside = package / "shipped_config"
    return inside if inside.is_dir() else package.parent / "config"


class ConfigDir:
    """Looks a file up in the operator's folder first, then in the shipped one."""

    def __init__(self, edited: Path | None = None) -> None:
        if edited is not None and not edited.is_dir():
            raise ConfigurationError(
                f"CUTCALL_CONFIG_DIR: {edited} is not a folder; "
                "give the folder of your edited copy of config/, or leave the setting out"
            )
        self._places = [p for p in (edited, shipped_config_dir()) if p is not None]

    @property
    def places(self) -> tuple[Path, ...]:
        return tuple(self._places)

    def find(self, name: str) -> Path:
        for place in self._places:
            if (place / name).is_file():
                return place / name
        raise ConfigurationError(f"no file {name} in {' or '.join(map(str, self._places))}")


def _read_toml(path: Path) -> dict[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:  # also a number of thousands of digits
        raise ConfigurationError(f"{path}: not valid TOML ({error}); mend that line") from error


# ------------------------------------------------------------------- guidelines


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    value: float
    unit: str = Field(min_length=1)
    low: float
    high: float
    source: str = ""
    judgement: str = ""
    spread: float | None = Field(default=None, gt=0)
    at: float | None = Field(default=None, gt=0)


def read_guidelines(path: Path) -> GuidelineSet:
    """Read ``guidelines.toml``; every entry must hold its unit, range and origin.

    ConfigurationError names the file and the entry at fault.
    """
    entries = {}
    for name, table in _entries(_read_toml(path), ""):
        entries[name] = _guideline(path, name, table)
    guidelines = GuidelineSet(entries, str(path))
    guidelines.check()
    return guidelines


def _entries(table: Mapping[str, object], prefix: str) -> Iterator[tuple[str, object]]:
    for key, value in table.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping) and "value" not in value and "unit" not in value:
            yield from _entries(value, f"{name}.")
        else:
            yield name, value


def _guideline(path: Path, name: str, table: object) -> Guideline:
    try:
        entry = _Entry.model_validate(table)
    except ValidationError as error:
        raise ConfigurationError(f"{path}: {name}: {_first_problem(error)}") from error
    if not entry.low <= entry.value <= entry.high:
        raise ConfigurationError(
            f"{path}: {name}: {entry.value:g} is outside its range "
            f"{entry.low:g} to {entry.high:g}; correct the value or widen the range"
        )
    if not (entry.source or entry.judgement):
        raise ConfigurationError(
            f"{path}: {name}: says neither source nor judgement; say where the number is from"
        )
    return Guideline(
        name=name,
        value=entry.value,
        unit=entry.unit,
        low=entry.low,
        high=entry.high,
        origin=entry.source or entry.judgement,
        is_judgement=not entry.source,
        spread=entry.spread,
        at=entry.at,
    )


def _first_problem(error: ValidationError) -> str:
    problem = error.errors()[0]
    where = ".".join(str(part) for part in problem["loc"])
    what = str(problem["msg"]).removeprefix("Value error, ")
    return f"{where}: {what}" if where else what


# --------------------------------------------------------------------- schedule

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
WEEKDAYS: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Season(_Strict):
    first_day: str

    @field_validator("first_day")
    @classmethod
    def _month_day(cls, value: str) -> str:
        try:
            date.fromisoformat(f"2001-{value}")
        except ValueError:
            raise ValueError(f"'{value}' is not a month and day such as 03-01") from None
        return value

    def first_of(self, year: int) -> date:
        return date.fromisoformat(f"{year}-{self.first_day}")


class Sampling(_Strict):
    days: tuple[Weekday, ...]
    before: time

    def is_day(self, day: date) -> bool:
        return WEEKDAYS[day.weekday()] in self.days


class DailyAt(_Strict):
    at: time


class Evaluation(_Strict):
    at: time
    lease_s: int = Field(ge=10)


class Ticks(_Strict):
    clock_s: int = Field(default=60, ge=1)
    intake_s: int = Field(ge=1)
    replies_s: int = Field(ge=1)
    evaluation_s: int = Field(ge=1)
    sending_s: int = Field(ge=1)
    receipts_s: int = Field(ge=1)
    fallbacks_s: int = Field(default=60, ge=1)
    digest_s: int = Field(ge=1)
    housekeeping_s: int = Field(ge=1)
    weather_s: int = Field(ge=60)


class Pace(_Strict):
    """How fast a gateway is written to, over all senders."""

    per_second: float = Field(ge=0, le=10_000)
    in_flight: int = Field(ge=1, le=10_000)


class Rest(_Strict):
    """When a gateway that fails is left alone, and how long."""

    failures: int = Field(ge=1)
    rest_s: float = Field(gt=0)
    rest_cap_s: float = Field(gt=0)


class Sending(_Strict):
    concurrency: int = Field(ge=1, le=200)
    lease_s: int = Field(ge=40)
    settle_s: int = Field(ge=0)
    backoff_base_s: float = Field(gt=0)
    backoff_cap_s: float = Field(gt=0)
    texts: Pace
    emails: Pace
    rest: Rest


class Links(_Strict):
    days: int = Field(ge=1, le=1000)
    operator_days: int = Field(ge=1, le=1000)


class SignUps(_Strict):
    """Bounds that keep a form open to everybody from flooding a phone, or the bill."""

    expires_h: int = Field(ge=1, le=168)
    an_hour_to_one_address: int = Field(ge=1, le=20)
    a_day_to_one_address: int = Field(ge=1, le=50)
    an_hour_from_one_ip: int = Field(ge=1)
    an_hour_in_all: int = Field(ge=1)
    links_an_hour: int = Field(ge=1, le=20)
    links_a_day: int = Field(ge=1, le=50)
    texts_to: tuple[str, ...] = Field(min_length=1)

    @field_validator("texts_to")
    @classmethod
    def _country_codes(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for code in value:
            if not (code.startswith("+") and code[1:].isdecimal()):
                raise ValueError(f"'{code}' is not the start of a phone number such as +1")
        return value


class Fallback(_Strict):
    """When a text that waits for its gateway goes by email instead."""

    after_h: float = Field(default=3, gt=0)
    before_expiry_h: float = Field(default=2, ge=0)
    at_least_min: float = Field(default=15, gt=0)


class Retention(_Strict):
    """How long words and traces of people are kept; results, cuts and opt-outs always are."""

    messages_years: float = Field(default=3, ge=1, le=50)
    texts_in_years: float = Field(default=3, ge=1, le=50)
    consents_years: float = Field(default=5, ge=1, le=50)
    links_days: int = Field(default=400, ge=30, le=20000)
    ip_days: int = Field(default=400, ge=30, le=20000)
    sign_ups_days: int = Field(default=30, ge=8, le=20000)
    answers_days: int = Field(default=30, ge=2, le=20000)


class Schedule(_Strict):
    """``schedule.toml``: the season, the hours and the ticks."""

    season: Season
    sampling: Sampling
    evaluation: Evaluation
    digest: DailyAt
    ticks: Ticks
    sending: Sending
    links: Links
    sign_up: SignUps
    fallback: Fallback = Fallback()
    retention: Retention = Retention()


def read_schedule(path: Path) -> Schedule:
    try:
        return Schedule.model_validate(_read_toml(path))
    except ValidationError as error:
        raise ConfigurationError(f"{path}: {_first_problem(error)}") from error

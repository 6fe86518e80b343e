"""Settings from the environment (``CUTCALL_...``) and ``.env``.

Addresses and secrets live here; agronomic numbers and hours live in ``config/``.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from difflib import get_close_matches
from enum import StrEnum
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from email_validator import EmailNotValidError, validate_email
from pydantic import Field, SecretStr, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, DotEnvSettingsSource, SettingsConfigDict

from alerts.domain.errors import ConfigurationError

PREFIX = "CUTCALL_"
ENV_FILE = ".env"
FOR_TESTS = "TEST_"  # what follows the prefix in names that only the tests read
LOOPBACK = ("127.0.0.1", "localhost", "::1")
PLACEHOLDER = "change-me"
SHORTEST_SECRET = 16
# A number in full (ITU-T E.164), a short code, or letters and digits as in GSM 03.40; from memory.
_SENDER = re.compile(r"\+[1-9]\d{6,14}|\d{5,6}|(?=.*[A-Za-z])[A-Za-z0-9 ]{1,11}")


class Environment(StrEnum):
    DEVELOPMENT = "development"
    PRODUCTION = "production"


class Settings(BaseSettings):
    """Every setting once; its description is what the README's table says."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX,
        env_file=ENV_FILE,
        env_file_encoding="utf-8",
        env_ignore_empty=True,  # "CUTCALL_INBOX_DIR=" is not the current folder
        extra="ignore",
        frozen=True,
        validate_default=True,
        hide_input_in_errors=True,  # a traceback in a log must not repeat a secret either
    )

    environment: Annotated[
        Environment, Field(description="development or production; production insists on secrets")
    ] = Environment.DEVELOPMENT
    database_url: Annotated[str, Field(description="where everything is kept")] = (
        "sqlite:///cutcall.db"
    )
    config_dir: Annotated[
        Path | None, Field(description="folder of your edited copy of config/")
    ] = None
    inbox_dir: Annotated[Path, Field(description="folder watched for lab files")] = Path("inbox")
    time_zone: Annotated[str, Field(description="time zone of a roster row that names none")] = (
        "America/Chicago"
    )
    secret: Annotated[
        SecretStr, Field(description="signs the links in emails; 16 characters or more")
    ] = SecretStr(PLACEHOLDER)
    secret_before: Annotated[
        SecretStr, Field(description="the secret before, so that links made under it still open")
    ] = SecretStr("")
    public_url: Annotated[
        str, Field(description="https address under which people reach this service; empty = none")
    ] = ""
    web_host: Annotated[str, Field(description="address the web server listens on")] = "127.0.0.1"
    web_port: Annotated[int, Field(description="its port", ge=0, le=65535)] = 8080
    intake_max_mib: Annotated[
        int, Field(description="largest file or post taken [MiB]", ge=1, le=1024)
    ] = 32
    sms: Annotated[
        Literal["console", "rest"], Field(description="console shows texts, rest sends them")
    ] = "console"
    sms_url: Annotated[
        str,
        Field(description="base address of the REST gateway, such as https://gateway/2010-04-01"),
    ] = ""
    sms_account: Annotated[str, Field(description="account id at the gateway")] = ""
    sms_key: Annotated[str, Field(description="API key id; empty = the account id")] = ""
    sms_secret: Annotated[SecretStr, Field(description="secret of the key or account")] = SecretStr(
        ""
    )
    sms_sender: Annotated[
        str, Field(description="number texts come from, such as +12025550100")
    ] = ""
    sms_service: Annotated[str, Field(description="messaging service id, instead of a sender")] = ""
    sms_webhook_secret: Annotated[
        SecretStr,
        Field(
            description="key the gateway signs its webhooks with (two, with a space, while it "
            "changes); empty = none are taken"
        ),
    ] = SecretStr("")
    sms_answers_keywords: Annotated[
        bool, Field(description="the gateway itself answers STOP, START and HELP")
    ] = True
    email: Annotated[
        Literal["console", "smtp"], Field(description="console shows emails, smtp sends them")
    ] = "console"
    smtp_host: Annotated[str, Field(description="mail server")] = ""
    smtp_port: Annotated[int, Field(description="its port", ge=1, le=65535)] = 587
    smtp_use: Annotated[
        Literal["plain", "starttls", "tls"], Field(description="how the connection is secured")
    ] = "starttls"
    smtp_username: Annotated[str, Field(description="login; empty = none")] = ""
    smtp_password: Annotated[SecretStr, Field(description="password of the login")] = SecretStr("")
    email_from: Annotated[str, Field(description="address emails come from")] = (
        "cutcall@example.org"
    )
    email_reply_to: Annotated[str, Field(description="address for replies; empty = none")] = ""
    weather: Annotated[
        Literal["none", "nws"],
        Field(description="nws asks the US National Weather Service for forecasts"),
    ] = "none"
    weather_url: Annotated[str, Field(description="base address of the weather service")] = (
        "https://api.weather.gov"
    )
    weather_contact: Annotated[
        str, Field(description="email or web address the weather service may reach you at")
    ] = ""
    log_level: Annotated[
        Literal["DEBUG", "INFO", "WARNING", "ERROR"], Field(description="how much is logged")
    ] = "INFO"

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError(
                f"'{value}' is not a time zone; use a name such as America/Chicago"
            ) from None
        return value

    @field_validator("sms_url", "public_url", "weather_url")
    @classmethod
    def _web_address(cls, value: str) -> str:
        if value and not value.startswith(("https://", "http://")):
            raise ValueError(f"'{value}' is not a web address; it starts with https://")
        return value

    @field_validator("database_url")
    @classmethod
    def _known_database(cls, value: str) -> str:
        kind = value.partition(":")[0].partition("+")[0]
        if kind in ("postgres", "postgresql") and not find_spec("psycopg"):
            raise ValueError(
                "PostgreSQL needs the package psycopg, which is not installed; install it and "
                "write postgresql+psycopg://..., or use sqlite:///cutcall.db"
            )
        if kind == "postgres" or value.startswith("postgresql:"):
            raise ValueError("a PostgreSQL address begins with postgresql+psycopg://")
        return value

    @field_validator("email_from", "email_reply_to")
    @classmethod
    def _email_address(cls, value: str) -> str:
        try:
            if value:
                validate_email(value, check_deliverability=False)
        except EmailNotValidError:
            raise ValueError(
                f"'{value}' is not an email address; write it like cutcall@example.org"
            ) from None
        return value

    @model_validator(mode="after")
    def _complete(self) -> Settings:
        needed: dict[str, str] = {}
        if self.public_url and not self._is_secret():
            raise ValueError(
                f"{PREFIX}SECRET must be a random text of {SHORTEST_SECRET} characters or more "
                f"where {PREFIX}PUBLIC_URL is set: it signs the links under that address"
            )
        if self.web_host not in LOOPBACK and not self._is_secret():
            raise ValueError(
                f"{PREFIX}SECRET must be a random text of {SHORTEST_SECRET} characters or more "
                f"where {PREFIX}WEB_HOST is open to others: it signs the links to every page"
            )
        if self.sms == "rest":
            needed |= {"sms_url": self.sms_url, "sms_account": self.sms_account}
            needed |= {"sms_secret": self.sms_secret.get_secret_value()}
            needed |= {"sms_sender": self.sms_sender or self.sms_service}
        if self.email == "smtp":
            needed |= {"smtp_host": self.smtp_host}
        if self.weather == "nws":
            needed |= {"weather_url": self.weather_url, "weather_contact": self.weather_contact}
        kinds = {"sms": "sms=rest", "smtp": "email=smtp", "weather": "weather=nws"}
        for name, value in needed.items():
            if not value:
                kind = kinds[name.split("_")[0]]
                raise ValueError(f"{PREFIX}{name.upper()} is empty, but {kind} needs it")
        if self.environment is Environment.PRODUCTION and not self._is_secret():
            raise ValueError(
                f"{PREFIX}SECRET must be a random text of {SHORTEST_SECRET} characters or "
                "more in production"
            )
        if self.sms == "rest" and self.sms_sender and not _SENDER.fullmatch(self.sms_sender):
            raise ValueError(
                f"{PREFIX}SMS_SENDER: '{self.sms_sender}' cannot send texts; give a number such as "
                "+12025550100, a short code of 5 or 6 digits, or a sender name of up to 11 "
                "characters"
            )
        return self

    def _is_secret(self) -> bool:
        secret = self.secret.get_secret_value()
        return secret != PLACEHOLDER and len(secret) >= SHORTEST_SECRET


def read_settings(**overrides: object) -> Settings:
    """Settings of this process; ConfigurationError names the setting and what is expected."""
    try:
        _refuse_unknown(os.environ)
        if "_env_file" not in overrides:
            _refuse_unknown(DotEnvSettingsSource(Settings).env_vars)
        return Settings(**overrides)  # type: ignore[arg-type]
    except ValidationError as error:
        raise ConfigurationError(_sentence(error)) from error
    except UnicodeDecodeError as error:
        raise ConfigurationError(f"{ENV_FILE} is not UTF-8 text; save it as UTF-8") from error


def _refuse_unknown(given: Iterable[str]) -> None:
    """A misspelt name would leave its setting at the default without a word."""
    known = [name.upper() for name in Settings.model_fields]
    for name in map(str.upper, given):
        own = name.removeprefix(PREFIX)
        if own != name and own not in known and not own.startswith(FOR_TESTS):
            near = get_close_matches(own, known, n=1)
            hint = f"did you mean {PREFIX}{near[0]}" if near else "remove it"
            raise ConfigurationError(f"there is no setting {name}; {hint}")


def _sentence(error: ValidationError) -> str:
    problem = error.errors()[0]
    what = str(problem["msg"]).removeprefix("Value error, ")
    if not problem["loc"]:
        return what
    name = f"{PREFIX}{str(problem['loc'][0]).upper()}"
    return f"{name}: {what[:1].lower()}{what[1:]} (given: {_shown(name, problem['input'])})"


def _shown(name: str, value: object) -> str:
    """Never repeats a secret."""
    return "not shown" if "SECRET" in name or "PASSWORD" in name or "TOKEN" in name else repr(value)

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from alerts.configfiles import shipped_config_dir
from alerts.domain.decision import Decision, Kind
from alerts.domain.errors import ConfigurationError
from alerts.domain.outlook import FarmOutlook
from alerts.domain.records import HarvestMethod
from alerts.messages.start_messages import Setting, start_text
from alerts.messages.templates import Templates
from alerts.messages.wording import ENGLISH

SHIPPED = shipped_config_dir()


@pytest.fixture
def edited(tmp_path: Path) -> Callable[[str, str | bytes], Templates]:
    """Templates of an operator who edited one file."""

    def write(name: str, content: str | bytes) -> Templates:
        path = tmp_path / "messages" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return Templates([tmp_path, SHIPPED])

    return write


def test_edited_template_wins_over_the_shipped_one(
    edited: Callable[..., Templates],
    outlook_of: Callable[..., FarmOutlook],
    setting_of: Callable[..., Setting],
) -> None:
    templates = edited("en/coming.txt", "{{ farm }}: mow about {{ start }}. {{ why }}\n")
    outlook = outlook_of()
    assert outlook.start.median is not None
    decision = Decision(Kind.COMING, outlook.start.median)
    text = start_text(templates, decision, outlook, setting_of()).text
    assert text.startswith("Windfall Acres: mow about Sun May 16. Long Strip RFV 205 on May 11;")
    past = Decision(Kind.PAST, outlook.start.median)
    assert "Cutcall Windfall Acres: " in start_text(templates, past, outlook, setting_of()).text


def test_language_without_a_file_falls_back_to_english(edited: Callable[..., Templates]) -> None:
    templates = edited("fr/first_text.txt", "Repondez STOP pour finir.")
    assert templates.fill("first_text.txt", "fr", {}) == "Repondez STOP pour finir."
    assert "Reply STOP" in templates.fill("first_text.txt", "en", {})
    values = {"day": "Thu May 13", "before": "8 am", "fields": "North"}
    assert "clip tomorrow" in templates.fill("sample_due.txt", "fr", values)


@pytest.mark.parametrize(
    ("content", "why"),
    [
        ("{{ farm }} {{ frm }}", "'frm' is undefined"),
        ("{% if farm %}", "Unexpected end of template"),
        ("{{ farm + 1 }}", "can only concatenate str"),
        ("F\u00e9d\u00e9ration {{ farm }}".encode("latin-1"), "not UTF-8 text; save it as UTF-8"),
    ],
)
def test_template_that_cannot_be_filled_names_itself_and_what_to_do(
    content: str | bytes, why: str, edited: Callable[..., Templates]
) -> None:
    templates = edited("en/coming.txt", content)
    with pytest.raises(ConfigurationError) as caught:
        templates.fill("coming.txt", "en", {"farm": "Home"})
    assert "message template en/coming.txt" in str(caught.value)
    assert why in str(caught.value)
    with pytest.raises(ConfigurationError, match=r"coming\.txt"):
        templates.fill("coming.txt", "en", {})


def test_template_that_does_not_exist_is_a_configuration_error(templates: Templates) -> None:
    with pytest.raises(ConfigurationError, match=r"en/nothing\.txt"):
        templates.fill("nothing.txt", "en", {})


def test_names_are_escaped_in_html_and_not_in_text(edited: Callable[..., Templates]) -> None:
    edited("en/both.html", "<p>{{ farm }}</p>")
    templates = edited("en/both.txt", "{{ farm }}")
    values = {"farm": "<script> & 'Sons'"}
    assert templates.fill("both.txt", "en", values) == "<script> & 'Sons'"
    assert templates.fill("both.html", "en", values) == (
        "<p>&lt;script&gt; &amp; &#39;Sons&#39;</p>"
    )


def test_value_that_looks_like_a_template_stays_as_it_is(edited: Callable[..., Templates]) -> None:
    templates = edited("en/plain.txt", "{{ farm }}")
    assert templates.fill("plain.txt", "en", {"farm": "{{ 7 * 7 }}"}) == "{{ 7 * 7 }}"


# ----------------------------------------------------------------------- cautions


@pytest.mark.parametrize("method", HarvestMethod)
def test_cautions_of_a_method_follow_those_of_all(
    method: HarvestMethod, templates: Templates
) -> None:
    said = templates.cautions("en", method)
    others = [templates.cautions("en", other) for other in HarvestMethod if other is not method]
    shared = [caution for caution in said if all(caution in other for other in others)]
    assert len(shared) == 3
    assert list(said[:3]) == shared
    assert len(said) > 3


def test_text_caution_exists_for_dry_hay_alone(templates: Templates) -> None:
    # Hay put up too wet heats, and may burn: common practice to probe the stack for weeks.
    assert templates.text_caution("en", HarvestMethod.DRY_HAY) != ""
    assert templates.text_caution("en", HarvestMethod.HAYLAGE) == ""


def test_hay_caution_gives_the_published_temperatures(templates: Templates) -> None:
    # Extension bulletins on hay fires: 150 F enters the danger zone, 175 F means fire; common
    # practice, as remembered.
    (own,) = templates.cautions("en", HarvestMethod.DRY_HAY)[3:]
    assert "150 F" in own
    assert "175 F" in own
    assert "fire service" in own


def test_edited_cautions_replace_the_shipped_ones(edited: Callable[..., Templates]) -> None:
    templates = edited("en/cautions.toml", 'all = ["Mind the dog."]\n[text]\nhaylage = "Dog."\n')
    assert templates.cautions("en", HarvestMethod.DRY_HAY) == ("Mind the dog.",)
    assert templates.text_caution("en", HarvestMethod.HAYLAGE) == "Dog."
    assert templates.text_caution("en", HarvestMethod.DRY_HAY) == ""


@pytest.mark.parametrize("content", [b"all = [", "all = ['Pr\u00e9s']".encode("latin-1")])
def test_cautions_that_are_no_toml_name_their_file(
    content: bytes, edited: Callable[..., Templates]
) -> None:
    templates = edited("en/cautions.toml", content)
    with pytest.raises(ConfigurationError, match=r"cautions\.toml: not valid TOML .*; mend"):
        templates.cautions("en", HarvestMethod.HAYLAGE)


def test_missing_cautions_are_a_configuration_error(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"cautions\.toml; copy the shipped one"):
        Templates([tmp_path]).cautions("en", HarvestMethod.HAYLAGE)


# -------------------------------------------------------------------------- words

ENGLISH_WORDS = (SHIPPED / "messages" / "en" / "words.toml").read_text(encoding="utf-8")


def test_wording_is_that_of_the_language_and_read_once(templates: Templates) -> None:
    assert templates.wording("es").say("dates.later") == "más tarde"
    assert templates.wording("es") is templates.wording("es")
    assert templates.wording("en") == ENGLISH


def test_language_without_words_speaks_english(templates: Templates, tmp_path: Path) -> None:
    assert templates.wording("fr") == ENGLISH
    assert Templates([tmp_path]).wording("fr") is ENGLISH


def test_edited_words_win_over_the_shipped_ones(edited: Callable[..., Templates]) -> None:
    templates = edited("en/words.toml", ENGLISH_WORDS.replace('later = "later"', 'later = "-"'))
    assert templates.wording("en").say("dates.later") == "-"
    assert templates.check() > 10


@pytest.mark.parametrize(
    ("entry", "instead", "why"),
    [
        (
            'degree_days = "degree days"\n',
            "",
            "email.degree_days is missing; add it, as the shipped file has it",
        ),
        (', "Sun"]', "]", "dates.weekdays.6 is missing"),
        (
            "{month} {day}",
            "{mnth} {day}",
            "dates.short_day: no value is called 'mnth'; use day, month",
        ),
        ("{month} {day}", "{month {day}", "dates.short_day: "),
        ("{month} {day}", "{} {}", "dates.short_day: no value is called ''; use day, month"),
        (
            'degree_days = "degree days"',
            'degree_days = "{day}"',
            "email.degree_days: no value is called 'day'; use none",
        ),
        (
            'degree_days = "degree days"',
            "degree_days = 3",
            "email.degree_days is not a text; put it into quotes",
        ),
        ('degree_days = "degree days"', "degree_days = ", "not valid TOML"),
    ],
)
def test_words_that_would_stop_messages_name_file_and_entry(
    entry: str, instead: str, why: str, edited: Callable[..., Templates]
) -> None:
    assert ENGLISH_WORDS.count(entry) == 1
    templates = edited("en/words.toml", ENGLISH_WORDS.replace(entry, instead))
    for broken in (templates.check, lambda: templates.wording("en")):
        with pytest.raises(ConfigurationError) as caught:
            broken()
        assert str(Path("en") / "words.toml") in str(caught.value)
        assert why in str(caught.value)


# -------------------------------------------------------------------------- check


def test_check_passes_what_is_shipped(templates: Templates) -> None:
    files = [path for path in (SHIPPED / "messages").rglob("*") if path.is_file()]
    assert templates.check() == len(files) > 10


@pytest.mark.parametrize(
    ("name", "content", "why"),
    [
        ("en/coming.txt", "{{ frm }} {{ start }}", "no value is called frm; use "),
        ("es/start_email.html", "{% for row in rows %}", "Unexpected end"),
        ("en/moved.txt", "\u00e9".encode("latin-1"), "save it as UTF-8"),
        ("en/cautions.toml", "all =", "not valid TOML"),
    ],
)
def test_check_finds_what_would_stop_messages_later(
    name: str, content: str | bytes, why: str, edited: Callable[..., Templates]
) -> None:
    templates = edited(name, content)
    with pytest.raises(ConfigurationError) as caught:
        templates.check()
    assert name in str(caught.value)
    assert why in str(caught.value)


def test_check_knows_every_value_of_a_text(edited: Callable[..., Templates]) -> None:
    templates = edited("en/coming.txt", "{{ standing }} {{ worse }} {{ target }} {{ caution }}")
    assert templates.check() > 10

"""Fuzzers of what comes as a file or a post: results, stem sheets, rosters, weather, posts."""

from __future__ import annotations

import csv
import io
from datetime import date

from fuzz.material import CONFIG, TOKENS, documents, encoded, json_bodies, sample_texts, whole
from fuzz.material import tables as changed_tables
from fuzz.running import Fuzzer, plain
from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy

from alerts.configfiles import read_guidelines
from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import ParsedDocument, Rejection
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.labmap import load_lab_maps
from alerts.intake.parse import read_document
from alerts.intake.payload import read_body
from alerts.intake.roster import RosterDefaults, read_roster
from alerts.weather.daily_csv import FURTHEST_AHEAD, read_daily_csv

LAB_MAPS = load_lab_maps(CONFIG / "labs")
GUIDELINES = read_guidelines(CONFIG / "guidelines.toml")
RULES = ReadingRules(
    today=date(2031, 6, 1),
    season_first_day=date(2031, 3, 1),
    limits={"ndf_pct_dm": (15.0, 85.0), "rfv": (40.0, 400.0), "height_in": (4.0, 60.0)},
)
LABS = sample_texts("labs/*.csv")
STEMS = sample_texts("labs/stems.csv")
ROSTERS = sample_texts("rosters/*.csv")
WEATHER = (
    "day,tmax_f,tmin_f,rain_in,rain_chance_pct\n2031-05-12,70,50.5,0.1,40\n2031-05-13,71,48,,\n",
    "day;tmax_c;tmin_c;rain_mm\n2031-05-12;21,5;9,5;2\n2031-06-20;21;9;0\n",
)
"""Invented days, in both of the forms that are read."""

NAMED = st.sampled_from(("", *(one.key for one in LAB_MAPS), *(one.lab for one in LAB_MAPS), "?"))


def rows_of(content: bytes) -> list[list[str]]:
    """Cells of every row of a table we wrote ourselves; blank rows are []."""
    text = content.decode("utf-8-sig")
    delimiter = max(",;\t", key=text.count)
    return [
        row if any(cell.strip() for cell in row) else []
        for row in csv.reader(
            io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True
        )
    ]


def nothing_lost(rejections: tuple[Rejection, ...]) -> None:
    """A rejected row says where it stands, why, and what it held."""
    for one in rejections:
        assert one.row >= 1
        assert one.reason.strip(), one
        assert any(cell.strip() for cell in one.raw.values()), one


# ------------------------------------------------------------ results, stem readings


def check_results(given: tuple[bytes, str]) -> None:
    """Each row ends in one place; a stem reading gathers several rows in one result."""
    content, lab = given
    try:
        parsed = read_document(RawDocument("results.csv", content, "fuzz", lab), LAB_MAPS, RULES)
    except UnreadableDocument as refusal:
        assert "results.csv" in str(refusal)
        return
    nothing_lost(parsed.rejections)
    rejected = [one.row for one in parsed.rejections]
    assert len(set(rejected)) == len(rejected), "a row was rejected twice"
    assert not set(rejected) & {one.row for one in parsed.results}, "rejected and taken"
    for one in parsed.results:
        assert one.field_label.strip()
        assert RULES.season_first_day <= one.sampled_on <= RULES.today
    str(parsed).encode()  # whatever is kept can be kept


def check_table(given: tuple[str, str]) -> None:
    """The same, and every row that holds anything is accounted for."""
    text, lab = given
    content = text.encode("utf-8", "replace")
    check_results((content, lab))
    try:
        parsed = read_document(RawDocument("results.csv", content, "fuzz", lab), LAB_MAPS, RULES)
    except UnreadableDocument:
        return
    for one in parsed.rejections:
        assert len(one.raw) == len(set(one.raw)), one


def accounted_for(parsed: ParsedDocument) -> set[int]:
    return {
        *(one.row for one in parsed.results),
        *(one.row for one in parsed.rejections),
        *(one.row for one in parsed.notes),
    }


@st.composite
def plain_sheets(draw: st.DrawFn) -> tuple[str, int]:
    """A table of one line a row, in one of our formats, and how many rows it has."""
    header = draw(
        st.sampled_from(
            ("field,sampled_on,rfv", "farm,field,sampled_on,ndf_pct_dm,adf_pct_dm",
             "Report,Sample description,Collected,Moisture,NDF as fed", "field,sampled_on,rfv,x,x")
        )
    )  # fmt: skip
    cell = TOKENS.map(lambda text: text.translate({10: 32, 13: 32})) | st.sampled_from(
        ("North", "2031-05-12", "180", "38.2", "0.8", "Alder / North")
    )
    rows = draw(st.lists(st.lists(cell, min_size=1, max_size=7), min_size=1, max_size=8))
    out = io.StringIO(newline="")
    csv.writer(out).writerows([header.split(","), *rows])
    return out.getvalue(), len(rows)


def check_accounts(given: tuple[str, int]) -> None:
    """Every row that is not blank is a result, a rejection, or noted as a comment."""
    text, _ = given
    content = text.encode("utf-8", "replace")
    try:
        parsed = read_document(RawDocument("results.csv", content, "fuzz"), LAB_MAPS, RULES)
    except UnreadableDocument:
        return
    rows = rows_of(content)
    filled = {number for number, row in enumerate(rows, start=1) if number > 1 and row}
    assert filled <= accounted_for(parsed), f"lost: {sorted(filled - accounted_for(parsed))}"
    for one in parsed.rejections:
        cells = rows[one.row - 1]
        held = "".join(one.raw.values())
        lost = [cell for cell in cells if cell.strip() and cell[:500] not in held]
        assert not lost, f"row {one.row} was rejected without {lost!r}"


# ------------------------------------------------------------------------- rosters


def check_roster(content: bytes) -> None:
    defaults = RosterDefaults(time_zone="America/Chicago")
    try:
        parsed = read_roster(
            content,
            "roster.csv",
            animal_classes=GUIDELINES.animal_classes(),
            defaults=defaults,
        )
    except UnreadableDocument as refusal:
        assert "roster.csv" in str(refusal)
        return
    nothing_lost(parsed.rejections)
    taken, rejected = [one.row for one in parsed.rows], [one.row for one in parsed.rejections]
    assert len({*taken, *rejected}) == len(taken) + len(rejected), "a row ended in two places"
    for row in parsed.rows:
        assert row.farm and row.field and row.area and row.farmer and (row.phone or row.email)
    str(parsed).encode()


# ------------------------------------------------------------------------- weather


def check_weather(content: bytes) -> None:
    today = date(2031, 6, 1)
    try:
        table = read_daily_csv("weather.csv", content, today)
    except UnreadableDocument as refusal:
        assert "weather.csv" in str(refusal)
        return
    days = [one.day for one in table.days]
    assert days == sorted(set(days))
    for one in table.days:
        assert -80 <= one.tmin_f <= one.tmax_f <= 140
        assert one.day <= today + FURTHEST_AHEAD
    for rejection in table.rejections:
        assert rejection.row > 1
        assert rejection.reason
    str(table).encode()


# ---------------------------------------------------------------------------- posts

POSTS: tuple[object, ...] = (
    {
        "lab": "kestrel",
        "results": [
            {"farm": "A", "field": "North", "sampled_on": "2031-05-12", "rfv": 180},
            {"field": "North", "sampled_on": "2031-05-13", "ndf_pct_dm": 38.2, "cutting": 1},
        ],
    },
    {"results": [{"field": "N", "sampled_on": "2031-05-12", "height_in": 24, "stage": "bud"}]},
)
LEAVES: SearchStrategy[object] = (
    TOKENS | st.floats() | st.integers() | st.sampled_from((None, True, [], {}, "180"))
)
KINDS = st.sampled_from(
    ("application/json", "application/json; charset=utf-16", "text/csv", "text/plain", "image/png",
     "", "APPLICATION/JSON", ";;;")
) | TOKENS.map(whole)  # fmt: skip


def check_post(given: tuple[str, bytes, str]) -> None:
    """A post is refused or becomes a document that is read like any other, row for row."""
    kind, body, lab = given
    try:
        document = read_body("post", kind, body, lab)
    except UnreadableDocument as refusal:
        assert "post" in str(refusal)
        str(refusal).encode()
        return
    document.lab.encode()
    try:
        parsed = read_document(document, LAB_MAPS, RULES)
    except UnreadableDocument as refusal:
        str(refusal).encode()
        return
    nothing_lost(parsed.rejections)
    str(parsed).encode()


def _files(samples: tuple[str, ...]) -> SearchStrategy[bytes]:
    return documents(samples) | encoded(changed_tables(samples))


FUZZERS: tuple[Fuzzer, ...] = (
    plain("results", st.tuples(_files(LABS), NAMED), check_results),
    plain("result-tables", st.tuples(changed_tables(LABS), NAMED), check_table),
    plain("result-rows", plain_sheets(), check_accounts),
    plain("stems", st.tuples(_files(STEMS), NAMED), check_results),
    plain("roster", _files(ROSTERS), check_roster),
    plain("weather-csv", _files(WEATHER), check_weather),
    plain(
        "payload",
        st.tuples(KINDS, json_bodies(POSTS, LEAVES) | _files(LABS), NAMED | TOKENS.map(whole)),
        check_post,
    ),
)

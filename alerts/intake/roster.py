"""A spreadsheet of farms and fields read into roster rows.

Columns bear the names of the attributes of `RosterRow`, in any order and in any spelling of case,
spaces and underscores. What is true of a farm as a whole may stand in each of its rows or in one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date

from alerts.domain.errors import UnreadableDocument
from alerts.domain.names import name_key
from alerts.domain.records import Note, ParsedRoster, Rejection, RosterRow
from alerts.intake import roster_values as values
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.roster_row import COLUMNS, Line, Problem, RosterDefaults, Said, read_row
from alerts.intake.table import Findings, Header, check_names, comparable, open_table, raw_row
from alerts.intake.text import printable, shown

__all__ = ["RosterDefaults", "read_roster"]

REQUIRED = ("farm", "field", "area", "farmer")
# One farm, one farmer, one crew, one goal.
FARM_COLUMNS = {
    *(
        "farmer",
        "phone",
        "email",
        "alert_by",
        "email_if_unreached",
        "consent_on",
        "consent_how",
        "language",
    ),
    *("consultant", "consultant_email", "digest", "sampler", "sampler_email"),
    *("animal_class", "index", "feed_target", "harvest_method", "handling_loss"),
    *("harvest_days", "acres_per_day", "which_load", "notice_days", "send_from", "send_to"),
}
AREA_COLUMNS = {"time_zone", "sampling_days"}
# Other names of columns, as people head them; a column of our own name wins.
_SYNONYMS = {
    "farm_name": "farm",
    "field_name": "field",
    "area_name": "area",
    "farmer_name": "farmer",
    **dict.fromkeys(("zip_code", "zipcode", "postal_code"), "zip"),
    **dict.fromkeys(("phone_number", "cell", "cell_phone", "mobile", "mobile_phone"), "phone"),
    **dict.fromkeys(("email_address", "e-mail", "e-mail_address"), "email"),
}
_EMPTY_WORDS = frozenset({"-", "--", "n/a", "n.a.", "none", "null"})
# Only its sizes count here: a roster holds no samples to be judged by date.
_RULES = ReadingRules(today=date.max, season_first_day=date.min, limits={})

_Place = tuple[str, ...]  # (area,), (area, farm) or (area, farm, field), as `name_key`s


def read_roster(
    content: bytes, name: str, *, animal_classes: Collection[str], defaults: RosterDefaults
) -> ParsedRoster:
    """Read a roster; each data row becomes a roster row or one rejection that says all its faults.

    A farm value that stands in only some rows of a farm holds for all of them; a row that
    contradicts an earlier one is rejected. Farms are told apart by area and name.

    Parameters
    ----------
    content : the CSV as it came, in any usual encoding and with any usual delimiter
    name : file name, as its sender knows it
    animal_classes : classes with a default feed target, as the guidelines spell them
    defaults : what holds where all rows of a farm say nothing

    Raises UnreadableDocument when the file is no table, or lacks a column that every row needs.
    """
    table = open_table(RawDocument(name, content, "roster"), _RULES)
    header = _header(name, table.head())
    findings = Findings(notes=list(_unknown_columns(header)))
    never_empty = _columns(header).index("field")
    lines = [
        _line(header, number, cells) for number, cells in table.rows(header, never_empty, findings)
    ]
    rows = _rows(lines, animal_classes, defaults, header, findings)
    findings.notes += _notes(rows, header)
    findings.notes += _acres_left_out(rows, lines, header)
    return ParsedRoster(
        tuple(rows),
        tuple(sorted(findings.rejections, key=lambda rejection: rejection.row)),
        tuple(sorted(findings.notes, key=lambda note: note.row)),
    )


def _header(name: str, head: Sequence[Header]) -> Header:
    """Return the row of the head that names most of our columns."""
    header = max(head, key=lambda row: len(_known(row)), default=Header(1, ()))
    missing = [column for column in REQUIRED if column not in _known(header)]
    if not _known(header) & {"phone", "email"}:
        missing.append("phone or email")
    if missing:
        raise UnreadableDocument(
            f"{name} has no column {', '.join(missing)}: put a row above the data that names the "
            f"columns, among them {', '.join(REQUIRED)}, and phone or email."
            f"{_misspelt(header, missing)}"
        )
    check_names(name, header)
    return header


def _known(header: Header) -> set[str]:
    return {column for column in _columns(header) if column}


def _columns(header: Header) -> list[str]:
    """Return our column of each cell of the header, "" where it is none of ours."""
    names = [comparable(name) for name in header.names]
    columns: list[str] = []
    for name in names:
        column = _SYNONYMS.get(name, name)
        taken = column != name and (column in names or column in columns)
        columns.append(column if column in COLUMNS and not taken else "")
    return columns


def _misspelt(header: Header, missing: Sequence[str]) -> str:
    """Say which columns may be meant for the missing ones."""
    wanted = [word for column in missing for word in column.split(" or ")]
    unknown = [n for n, ours in zip(header.names, _columns(header), strict=True) if not ours]
    near = {name: values.nearest(comparable(name), wanted) for name in unknown}
    hints = [f"{shown(name)} to {column}" for name, column in near.items() if column]
    return f" Perhaps rename {', '.join(hints)}." if hints else ""


def _unknown_columns(header: Header) -> Iterator[Note]:
    for column, ours in zip(header.names, _columns(header), strict=True):
        if column and not ours:
            near = values.nearest(comparable(column), COLUMNS)
            hint = f"rename it if {near} is meant" if near else "what it holds is not used"
            yield Note(header.line, column, f"A roster has no column {shown(column)}: {hint}.")


def _line(header: Header, number: int, cells: list[str]) -> Line:
    named = zip(_columns(header), map(printable, cells), strict=True)
    filled = {
        column: text
        for column, text in named
        if column and text and text.casefold() not in _EMPTY_WORDS
    }
    return Line(number, filled, raw_row(header, cells, _RULES.max_cell_chars))


def _rows(
    lines: Sequence[Line],
    animal_classes: Collection[str],
    defaults: RosterDefaults,
    header: Header,
    findings: Findings,
) -> list[RosterRow]:
    """Return the rows in order; what cannot be one goes to the rejections."""
    said = _statements(lines)
    names: dict[_Place, int] = {}  # of fields, by area, farm and name; the line that took each
    rows = []
    for line in lines:
        row, problems = read_row(
            line, said[_area(line)] | said[_farm(line)], animal_classes, defaults
        )
        problems = problems or list(_taken_names(row, names))
        if problems:
            findings.rejections.append(_rejection(line, problems, header))
        else:
            names |= dict.fromkeys(_field_names(row), row.row)
            rows.append(row)
    return _spelled_alike(rows)


def _spelled_alike(rows: Sequence[RosterRow]) -> list[RosterRow]:
    """Return the rows with each area and farm as its first row spells it."""
    spellings: dict[_Place, str] = {}
    alike = []
    for row in rows:
        area, farm = name_key(row.area), name_key(row.farm)
        alike.append(
            replace(
                row,
                area=spellings.setdefault((area,), row.area),
                farm=spellings.setdefault((area, farm), row.farm),
            )
        )
    return alike


def _statements(lines: Sequence[Line]) -> dict[_Place, dict[str, list[Said]]]:
    """Return what is said in the farm and area columns, by farm and area; each text once."""
    found: dict[_Place, dict[str, list[Said]]] = {}
    for line in lines:
        for place, columns, of in (
            (_area(line), AREA_COLUMNS, "area"),
            (_farm(line), FARM_COLUMNS, "farm"),
        ):
            shared = found.setdefault(place, {})
            for column in line.cells.keys() & columns:
                said = shared.setdefault(column, [])
                text = line.cells[column]
                if all(earlier.text != text for earlier in said):
                    said.append(Said(line.number, text, of))
    return found


def _area(line: Line) -> _Place:
    return (name_key(line.cells.get("area", "")),)


def _farm(line: Line) -> _Place:
    """A farm's name is its own within its area only; a row without one is on its own."""
    farm = name_key(line.cells.get("farm", ""))
    return (*_area(line), farm) if farm else (*_area(line), "", str(line.number))


def _field_names(row: RosterRow) -> Iterator[_Place]:
    for name in (row.field, *row.also_known_as):
        yield name_key(row.area), name_key(row.farm), name_key(name)


def _taken_names(row: RosterRow, names: Mapping[_Place, int]) -> Iterator[Problem]:
    """Yield a problem for each name that already leads to another field of the farm."""
    for name, place in zip((row.field, *row.also_known_as), _field_names(row), strict=True):
        if place in names:
            column = "field" if name == row.field else "also_known_as"
            yield Problem(
                column,
                f"{shown(name)} already is a field of this farm in row {names[place]}; "
                "give each field one row and each name to one field",
            )


def _rejection(line: Line, problems: Sequence[Problem], header: Header) -> Rejection:
    """All faults of a row in one rejection, so that one round of corrections is enough."""
    first, *others = problems
    sentences = [_sentence(first.reason)]
    sentences += [_sentence(f"also, {problem.column}: {problem.reason}") for problem in others]
    return Rejection(line.number, _spelled(first.column, header), " ".join(sentences), line.raw)


def _sentence(reason: str) -> str:
    return f"{reason[0].upper()}{reason[1:].rstrip('.')}."


def _spelled(column: str, header: Header) -> str:
    """Return a column as the file spells it, or our name where the file has none."""
    pairs = zip(header.names, _columns(header), strict=True)
    return next((name for name, ours in pairs if ours == column), column)


def _notes(rows: Sequence[RosterRow], header: Header) -> Iterator[Note]:
    """Yield what is worth a word, once for each farm."""
    areas: dict[str, RosterRow] = {}
    seen: set[_Place] = set()
    for row in rows:
        farm = (name_key(row.area), name_key(row.farm))
        if farm not in seen:
            seen.add(farm)
            yield from _farm_notes(row, areas.setdefault(farm[1], row), header)


def _acres_left_out(
    rows: Sequence[RosterRow], lines: Sequence[Line], header: Header
) -> Iterator[Note]:
    """Yield a note for each farm whose harvest is worked out without the acres of rejected rows."""
    taken = {row.row for row in rows}
    left_out: dict[_Place, list[str]] = {}
    for line in lines:
        if line.number not in taken:
            left_out.setdefault(_farm(line), []).append(str(line.number))
    for row in rows:
        numbers = left_out.pop((name_key(row.area), name_key(row.farm)), [])
        if numbers and row.harvest_days is None:
            yield Note(
                row.row,
                _spelled("acres_per_day", header),
                f"the harvest of {row.farm} is reckoned without row {', '.join(numbers)}, which is "
                "left out, unless its field was enrolled before; mend it and enrol again.",
            )


def _farm_notes(row: RosterRow, namesake: RosterRow, header: Header) -> Iterator[Note]:
    def note(column: str, text: str) -> Note:
        return Note(row.row, _spelled(column, header), text)

    if row.consent_on is None:
        yield note(
            "consent_on",
            f"{row.farm}: nobody will be texted or emailed until consent is recorded.",
        )
    elif not row.consent_how:
        yield note("consent_how", f"{row.farm}: say how consent was given, to be able to show it.")
    for role, name, email in (
        ("consultant", row.consultant, row.consultant_email),
        ("sampler", row.sampler, row.sampler_email),
    ):
        if name and not email and name.casefold() != "no":
            yield note(f"{role}_email", f"{name} gets no message without a {role}_email.")
    if namesake is not row:
        yield note(
            "area",
            f"{row.farm} is enrolled in area {namesake.area} too (row {namesake.row}); "
            "if it is one farm, give all its rows the same area.",
        )

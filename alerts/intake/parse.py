"""One entry for every document: find out what it is, then read its rows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import Note, ParsedDocument
from alerts.domain.results import Results
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.labmap import FARM_AND_FIELD, LabMap
from alerts.intake.layout import Layout, lay_out
from alerts.intake.readings import WAYS_TO_AN_INDEX
from alerts.intake.samples import read_samples
from alerts.intake.stems import STEM_COLUMNS, holds_stems, read_stems
from alerts.intake.table import Findings, Header, Table, check_names, comparable, open_table
from alerts.intake.text import shown

_HEADERS_SHOWN = 12
_NEARLY = 0.5  # share of a map's headers that makes a file look like that laboratory's


@dataclass(frozen=True, slots=True)
class _Choice:
    """The header of a document and the map that fits it; None for stem readings."""

    header: Header
    lab_map: LabMap | None


@dataclass(frozen=True, slots=True)
class OpenDocument:
    """A document whose columns are known; its rows are read while its lots are taken.

    ``findings`` is whole when the last lot was taken.
    """

    lab: str
    lots: Iterator[Results]
    findings: Findings


def read_document(
    document: RawDocument, lab_maps: Sequence[LabMap], rules: ReadingRules
) -> ParsedDocument:
    """Read a whole document, see `open_document`: its rows end in results or rejections."""
    opened = open_document(document, lab_maps, rules)
    results = [one for lot in opened.lots for one in lot]
    found = opened.findings
    return ParsedDocument(opened.lab, tuple(results), tuple(found.rejections), tuple(found.notes))


def open_document(
    document: RawDocument, lab_maps: Sequence[LabMap], rules: ReadingRules
) -> OpenDocument:
    """Begin to read laboratory results or stem readings.

    The map is the one of the laboratory the document names, if it fits, else the one whose
    headers the document has, else that of stem readings or of our plain format.

    Raises UnreadableDocument, whose sentence names the document, when it is empty or binary, has
    no header that is known or two columns of one name, lacks the column of the field, the date or
    any way to an index, or states a unit that cannot be.
    """
    table = open_table(document, rules)
    choice = _choose(table, document.lab, lab_maps)
    check_names(table.name, choice.header)
    lab_names = {key.casefold(): one.lab for one in lab_maps for key in (one.key, one.lab)}
    lab = lab_names.get(document.lab.casefold(), document.lab)
    if choice.lab_map is None:
        return _stems(table, choice.header, lab, rules)
    return _samples(table, choice.header, choice.lab_map, lab, lab_names, rules)


def _stems(table: Table, header: Header, lab: str, rules: ReadingRules) -> OpenDocument:
    layout = lay_out(table.name, header, STEM_COLUMNS, units_in_headers=True)
    for needed in ("field", "sampled_on", "height"):
        _need(table, header, layout, needed)
    findings = Findings()
    return _opened(header, lab, read_stems(table, header, layout, lab, rules, findings), findings)


def _samples(
    table: Table,
    header: Header,
    lab_map: LabMap,
    named: str,
    lab_names: Mapping[str, str],
    rules: ReadingRules,
) -> OpenDocument:
    layout = lay_out(table.name, header, lab_map.columns, lab_map.units_in_headers)
    _need(table, header, layout, "field", FARM_AND_FIELD)
    _need(table, header, layout, "sampled_on")
    _need(table, header, layout, *WAYS_TO_AN_INDEX)
    lab, findings = lab_map.lab or named, Findings()
    if named not in ("", lab):
        text = f"It came as from {shown(named)} but has the columns of {lab}; read as such."
        findings.notes.append(Note(header.line, "", text))
    lots = read_samples(table, header, layout, lab_map, lab, lab_names, rules, findings)
    return _opened(header, lab, lots, findings)


def _opened(header: Header, lab: str, lots: Iterator[Results], findings: Findings) -> OpenDocument:
    return OpenDocument(lab, _with_a_word_on_none(header, lots, findings), findings)


def _with_a_word_on_none(
    header: Header, lots: Iterator[Results], findings: Findings
) -> Iterator[Results]:
    some = False
    for lot in lots:
        some = True
        yield lot
    if not some and not findings.rejections:
        findings.notes.append(Note(header.line, "", "There are no rows of data below the header."))


def _need(table: Table, header: Header, layout: Layout, *any_of: str) -> None:
    if not any(layout.get(holds) for holds in any_of):
        wanted = " or ".join(shown(holds) for holds in any_of)
        raise UnreadableDocument(
            f"{table.name} has no column for {wanted}: add it, or correct its header "
            f"(seen: {_seen(header)})."
        )


def _seen(header: Header) -> str:
    names = [shown(name) for name in header.names[:_HEADERS_SHOWN]]
    return ", ".join(names) + (", ..." if len(header.names) > _HEADERS_SHOWN else "")


def _choose(table: Table, lab: str, lab_maps: Sequence[LabMap]) -> _Choice:
    head = table.head()
    for header in head:
        lab_map = _fitting(table, header, lab, lab_maps)
        if lab_map and not lab_map.is_plain:
            return _Choice(header, lab_map)
        if holds_stems(header):
            return _Choice(header, None)
        if lab_map:
            return _Choice(header, lab_map)
    raise UnreadableDocument(_no_map(table, head, lab, lab_maps))


def _fitting(table: Table, header: Header, lab: str, lab_maps: Sequence[LabMap]) -> LabMap | None:
    """Give the map that knows the header best, the named laboratory's before any other."""
    fitting = [one for one in lab_maps if not _missing(one, header)]
    for one in fitting:
        if _is_named(one, lab):
            return one
    most = max((_rank(one) for one in fitting), default=None)
    best = [one for one in fitting if _rank(one) == most]
    if len(best) > 1:
        raise UnreadableDocument(
            f"{table.name} fits the maps of {' and '.join(one.lab for one in best)}: "
            "say which laboratory it is from, or name more headers in their 'recognise'."
        )
    return best[0] if best else None


def _rank(lab_map: LabMap) -> tuple[bool, int]:
    return not lab_map.is_plain, len(lab_map.recognise)


def _is_named(lab_map: LabMap, lab: str) -> bool:
    named = lab.casefold()
    return bool(named) and named in {lab_map.key.casefold(), lab_map.lab.casefold()}


def _missing(lab_map: LabMap, header: Header) -> list[str]:
    """Headers the map is recognised by that are not there, nor a synonym in our plain format."""
    there = {comparable(name) for name in header.names}
    if not lab_map.is_plain:
        return [name for name in lab_map.recognise if comparable(name) not in there]
    holds = {comparable(name): column.holds for name, column in lab_map.columns.items()}
    held = {holds[name] for name in there if name in holds}
    return [
        name
        for name in lab_map.recognise
        if comparable(name) not in there and holds.get(comparable(name)) not in held
    ]


def _no_map(table: Table, head: list[Header], lab: str, lab_maps: Sequence[LabMap]) -> str:
    """Say why no map fits, by the one that comes nearest where one does."""
    for header in head:
        for one in sorted(lab_maps, key=lambda one: not _is_named(one, lab)):
            missing = _missing(one, header)
            near = 1 - len(missing) / len(one.recognise)
            if missing and (near >= _NEARLY or (_is_named(one, lab) and near > 0)):
                columns = ", ".join(shown(name) for name in missing)
                return (
                    f"{table.name} looks like the format of {one.lab or 'our plain files'} but "
                    f"has no column {columns}: add it, or correct config/labs/{one.key}.toml."
                )
    seen = _seen(head[0]) if head else "none"
    return (
        f"{table.name} has no header that is known (seen: {seen}): add a map for this laboratory "
        "under config/labs, or use the plain format with field, sampled_on and ndf_pct_dm, rfv "
        "or rfq."
    )

from __future__ import annotations

import pytest

from alerts.domain.errors import UnreadableDocument
from alerts.intake.labmap import Column
from alerts.intake.layout import lay_out
from alerts.intake.table import Header

COLUMNS = {
    "Parcel": Column(holds="field"),
    "DM": Column(holds="dm", unit="% as fed"),
    "Moisture": Column(holds="moisture", unit="% as fed"),
    "Paddock": Column(holds="field"),
}


def test_lay_out_finds_columns_whatever_their_case_and_blanks() -> None:
    layout = lay_out("a.csv", Header(3, ("x", " PARCEL")), COLUMNS, units_in_headers=False)
    place = layout.get("field")
    assert place is not None
    assert (place.index, place.header) == (1, " PARCEL")
    assert [(note.row, note.column) for note in layout.notes] == [(3, "x")]


def test_lay_out_prefers_the_dry_matter_over_the_moisture() -> None:
    layout = lay_out("a.csv", Header(1, ("Moisture", "DM")), COLUMNS, units_in_headers=False)
    assert list(layout.places) == ["dm"]


def test_lay_out_refuses_two_columns_that_hold_the_same() -> None:
    with pytest.raises(UnreadableDocument, match="'Parcel' and 'Paddock' both hold field"):
        lay_out("a.csv", Header(1, ("Parcel", "Paddock")), COLUMNS, units_in_headers=False)


def test_lay_out_reads_units_in_headers_only_where_it_may() -> None:
    header = Header(1, ("NDF (g/kg DM)",))
    assert lay_out("a.csv", header, COLUMNS, units_in_headers=False).places == {}
    place = lay_out("a.csv", header, COLUMNS, units_in_headers=True).get("ndf")
    assert place is not None
    assert place.column == Column(holds="ndf", unit="g/kg DM")


def test_header_of_something_absent_is_empty() -> None:
    layout = lay_out("a.csv", Header(1, ("Parcel",)), COLUMNS, units_in_headers=False)
    assert (layout.header("field"), layout.header("dm")) == ("Parcel", "")

"""Lab files as the invented laboratories write them, and the roster of the demo."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from alerts.demo.world import (
    AREA,
    CONSULTANTS,
    FIELDS,
    SAMPLER,
    TIME_ZONE,
    Clip,
    DemoField,
    farm_of,
)

Samples = Sequence[tuple[str, DemoField, Clip]]
"""Laboratory number, field, what was found."""


def put(folder: Path, name: str, content: str) -> Path:
    """Write a file the way a careful sender does: under another name first, whole when renamed."""
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = folder / f"{name}.part"
    unfinished.write_text(content, encoding="utf-8", newline="")
    return unfinished.rename(folder / name)


def _sheet(header: Sequence[str], rows: Sequence[Sequence[object]], delimiter: str = ",") -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter)
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()


def kestrel(day: date, samples: Samples) -> str:
    """Percent of dry matter, American dates, NIR."""
    header = (
        "Lab No", "Client", "Field ID", "Sampled", "Time", "Test", "Cut", "Crude Protein %DM",
        "ADF %DM", "aNDF %DM", "NDFD 48h %NDF", "Fat %DM", "Ash %DM", "Dry Matter %",
    )  # fmt: skip
    return _sheet(
        header,
        [
            (
                number, field.farm, field.label, f"{day:%m/%d/%Y}", "6:40 AM", "NIRS", 1,
                c.cp, c.adf, c.ndf, c.ndfd48, c.ee, c.ash, c.dm,
            )
            for number, field, c in samples
        ],
    )  # fmt: skip


def ouzel(day: date, samples: Samples) -> str:
    """Fractions of the sample as fed, moisture instead of dry matter, ISO dates."""
    header = (
        "Report", "Sample description", "Collected", "Harvest no", "Moisture", "CP as fed",
        "ADF as fed", "NDF as fed", "NDFD48 of NDF", "Crude fat as fed", "Ash as fed",
    )  # fmt: skip
    rows = []
    for number, field, c in samples:
        dry = c.dm / 100
        rows.append(
            (
                number, f"{field.farm} / {field.label}", f"{day:%Y-%m-%d} 06:55", 1,
                f"{1 - dry:.3f}", *(f"{v * dry / 100:.5f}" for v in (c.cp, c.adf, c.ndf)),
                f"{c.ndfd48 / 100:.3f}", *(f"{v * dry / 100:.5f}" for v in (c.ee, c.ash)),
            )
        )  # fmt: skip
    return _sheet(header, rows)


def tarnfield(day: date, samples: Samples) -> str:
    """Grams per kilogram, semicolons and decimal commas, the month as a word."""
    months = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul")
    header = (
        "Order no.", "Holding", "Parcel", "Cut on", "Cut at", "Growth", "Dry matter g/kg",
        "Protein g/kg DM", "ADF g/kg DM", "aNDF g/kg DM", "Digestibility of NDF, 48 h, g/kg NDF",
        "Oil g/kg DM", "Ash g/kg DM",
    )  # fmt: skip
    rows = []
    for number, field, c in samples:
        values = (c.dm, c.cp, c.adf, c.ndf, c.ndfd48, c.ee, c.ash)
        rows.append(
            (
                number, field.farm, field.label, f"{day.day}-{months[day.month - 1]}-{day.year}",
                "06:30", 1, *(f"{v * 10:.1f}".replace(".", ",") for v in values),
            )
        )  # fmt: skip
    return _sheet(header, rows, delimiter=";")


WRITERS = {"kestrel": kestrel, "ouzel": ouzel, "tarnfield": tarnfield}


def stems(day: date, readings: Sequence[tuple[DemoField, list[tuple[float, str]]]]) -> str:
    """Stem readings in the plain format, a row for each spot."""
    return _sheet(
        ("farm", "field", "sampled_on", "spot", "height_in", "stage"),
        [
            (field.farm, field.name, day.isoformat(), number, height, stage)
            for field, spots in readings
            for number, (height, stage) in enumerate(spots, start=1)
        ],
    )


def roster() -> str:
    """All farms of the demo, as an operator would enrol them."""
    header = (
        "farm", "field", "area", "time_zone", "farmer", "phone", "email", "alert_by", "consent_on",
        "consent_how", "consultant", "consultant_email", "sampler", "sampler_email",
        "animal_class", "index", "feed_target", "harvest_method", "handling_loss", "harvest_days",
        "which_load", "notice_days", "acres", "grass_pct", "watched", "public_name", "public_place",
    )  # fmt: skip
    rows = []
    for field in FIELDS:
        farm = farm_of(field)
        rows.append(
            (
                farm.name, field.name, AREA, TIME_ZONE, farm.farmer, farm.phone, farm.email,
                farm.alert_by, "2027-03-20", "signed form at the spring forage meeting",
                farm.consultant, CONSULTANTS[farm.consultant], *SAMPLER, farm.animal_class,
                farm.index.value, _or_blank(farm.feed_target), farm.harvest_method,
                _or_blank(farm.handling_loss), farm.harvest_days, farm.which_load,
                farm.notice_days, field.acres, field.grass_pct, "yes" if field.lab else "no",
                field.public_name, field.public_place,
            )
        )  # fmt: skip
    return _sheet(header, rows)


def _or_blank(value: float | None) -> object:
    return "" if value is None else value

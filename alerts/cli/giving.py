"""Commands that take something in from a file: rosters, results, weather."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from alerts.cli.printing import AsJson, counted, place_of, print_json, print_report
from alerts.cli.wiring import open_parts, read_file


def enrol(roster: Path, as_json: AsJson = False) -> None:
    """Enrol farms, fields and people from a roster (CSV)."""
    from alerts.intake.roster import read_roster
    from alerts.services.people.enrol import enrol as enrol_roster

    content = read_file(roster)
    with open_parts() as parts:
        parsed = read_roster(
            content,
            roster.name,
            animal_classes=parts.guidelines.animal_classes(),
            defaults=parts.roster_defaults(),
        )
        report = enrol_roster(parts.sessions, parsed, parts.guidelines, roster.name, parts.clock())
    if as_json:
        print_json(asdict(report))
        return
    farms, fields = counted(report.farms, "farm"), counted(report.fields, "field")
    typer.echo(f"{farms}, {fields} enrolled")
    if report.matched:
        typer.echo(f"{report.matched} waiting results now have their field")
    for note in report.notes:
        typer.echo(f"{place_of(f'row {note.row}', note.column)}: {note.text}")
    for rejection in report.rejected:
        place = place_of(f"row {rejection.row} left out", rejection.column)
        typer.echo(f"{place}: {rejection.reason}")


def intake(
    files: Annotated[list[Path], typer.Argument(help="lab files or stem readings (CSV)")],
    lab: Annotated[str, typer.Option(help="name of the lab's map; found by its header else")] = "",
    as_json: AsJson = False,
) -> None:
    """Take in results from files, and look at the areas they concern."""
    from alerts.intake.base import RawDocument
    from alerts.scheduler import run_evaluation
    from alerts.services.results.accept_results import IntakeReport, accept
    from alerts.services.results.read_documents import report_json

    reports = []
    with open_parts() as parts:
        for file in files:
            try:
                document = RawDocument(file.name, file.read_bytes(), "command", lab)
            except OSError as error:
                reason = f"cannot read {file}: {error.strerror or error}"
                reports.append(IntakeReport(file.name, refusal=reason))
                continue
            if len(document.content) > parts.settings.intake_max_mib * 1024 * 1024:
                reason = f"{file} is larger than CUTCALL_INTAKE_MAX_MIB allows; split it"
                reports.append(IntakeReport(file.name, refusal=reason))
                continue
            report = accept(parts.sessions, document, parts.intake_rules(), parts.clock())
            reports.append(report)
        run_evaluation(parts)
    for report in reports:
        if report.refusal:
            typer.echo(f"cutcall: {report.refusal}", err=True)
        elif not as_json:
            print_report(report)
    if as_json:
        shown = [report_json(report) for report in reports if not report.refusal]
        if shown:
            print_json(shown[0] if len(files) == 1 else shown)
    if any(report.refusal for report in reports):
        raise typer.Exit(1)


def weather(
    table: Annotated[Path, typer.Argument(help="CSV of daily highs and lows")],
    area: Annotated[str, typer.Option(help="the area they are of")],
    as_json: AsJson = False,
) -> None:
    """Take in daily temperatures of an area; its outlook then runs on degree days."""
    from alerts.scheduler import run_evaluation
    from alerts.services.outlooks.follow_weather import take_in_table

    content = read_file(table)
    with open_parts() as parts:
        report = take_in_table(
            parts.sessions,
            area=area,
            name=table.name,
            content=content,
            today=parts.today(),
            now=parts.clock(),
        )
        run_evaluation(parts)
    if as_json:
        print_json(asdict(report))
        return
    typer.echo(f"{report.area}: {report.days} days, {report.changed} of them new or changed")
    for rejection in report.rejected:
        typer.echo(f"  row {rejection.row} rejected, {rejection.column}: {rejection.reason}")

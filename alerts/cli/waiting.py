"""Commands that show what waits for somebody: results without a field, rows not usable."""

from __future__ import annotations

import shlex
from typing import Annotated

import typer

from alerts.cli.printing import AsJson, new_table, print_json, show, shown_day
from alerts.cli.wiring import open_parts


def unmatched(as_json: AsJson = False) -> None:
    """Results that wait until somebody says which field they are from."""
    from alerts.store.results import unmatched as waiting_results

    with open_parts() as parts, parts.sessions.read() as session:
        groups = waiting_results(session)
    if as_json:
        print_json(
            [
                {
                    "farm_label": group.farm_label,
                    "field_label": group.field_label,
                    "results": [
                        {"document": document, "row": row.row, "sampled_on": row.sampled_on}
                        for row, document in group.results
                    ],
                }
                for group in groups
            ]
        )
        return
    if not groups:
        typer.echo("nothing waits for its field")
        return
    table = new_table("Farm as written", "Field as written", "Results", "From")
    for group in groups:
        files = ", ".join(dict.fromkeys(document for _, document in group.results))
        table.add_row(group.farm_label, group.field_label, str(len(group.results)), files)
    show(table)
    typer.echo("Say what each name means, with the farm and field it is enrolled under:")
    for group in groups:
        label, written = shlex.quote(group.field_label), shlex.quote(group.farm_label)
        typer.echo(f"  cutcall name {label} --farm-label {written} --farm FARM --field FIELD")


def rejected(
    as_json: AsJson = False,
    settle: Annotated[
        int | None, typer.Option(help="take what waits of the document with this id off the list")
    ] = None,
) -> None:
    """Rows and files that could not be used, with what to do about them."""
    from alerts.services.results.accept_results import settle as settle_document
    from alerts.store.documents import refused_documents, rejected_rows

    if settle is not None:
        with open_parts() as parts:
            settled = settle_document(parts.sessions, settle)
        typer.echo(f"document {settle}: {settled} settled; the document itself is kept")
        return
    with open_parts() as parts, parts.sessions.read() as session:
        rows = rejected_rows(session)
        files = refused_documents(session)
    if as_json:
        print_json(
            {
                "rows": [
                    {
                        "id": d.id,
                        "document": d.name,
                        "received_at": d.received_at,
                        "row": r.row,
                        "column": r.column,
                        "reason": r.reason,
                    }
                    for d, r in rows
                ],
                "documents": [
                    {
                        "id": d.id,
                        "document": d.name,
                        "received_at": d.received_at,
                        "reason": d.refusal,
                    }
                    for d in files
                ],
            }
        )
        return
    if not rows and not files:
        typer.echo("nothing waits to be corrected")
        return
    table = new_table("Id", "Received", "File", "Row", "Column", "What to do")
    for document, row in rows:
        place = (str(document.id), shown_day(document.received_at.date()), document.name)
        table.add_row(*place, str(row.row), row.column, row.reason)
    for document in files:
        place = (str(document.id), shown_day(document.received_at.date()), document.name)
        table.add_row(*place, "", "", document.refusal)
    show(table)
    typer.echo("A newer file of the same name settles what it corrects, --settle ID the rest.")

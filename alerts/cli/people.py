"""Commands for what a person may ask of whoever keeps data about them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from alerts.cli.printing import failure
from alerts.cli.wiring import open_parts

person_app = typer.Typer(
    name="person",
    help="What is kept about one person: give it out, forget it.",
    no_args_is_help=True,
)

Who = Annotated[str, typer.Argument(help="their phone or email")]
Name = Annotated[str, typer.Option(help="their name, where several people share the address")]


@person_app.command()
def export(
    who: Who,
    name: Name = "",
    file: Annotated[Path | None, typer.Option(help="write it there, not to the screen")] = None,
) -> None:
    """Write everything kept about one person, as JSON."""
    from alerts.services.people.personal_data import export_person

    with open_parts() as parts:
        found = export_person(parts.sessions, who, parts.clock(), name)
    text = json.dumps(found, indent=2, ensure_ascii=False)
    if file is None:
        typer.echo(text)
        return
    try:
        # Nobody else on this machine is to read it.
        file.touch(mode=0o600, exist_ok=False)
        file.write_text(f"{text}\n", encoding="utf-8")
    except OSError as error:
        raise failure(f"cannot write {file}: {error.strerror or error}") from error
    typer.echo(
        f"cutcall: {file} holds personal data; hand it to them alone, then delete it", err=True
    )


@person_app.command()
def forget(
    who: Who,
    name: Name = "",
    yes: Annotated[bool, typer.Option("--yes", help="do not ask whether it is meant")] = False,
) -> None:
    """Forget a person: names, addresses, words and links go, for good."""
    from alerts.services.people.personal_data import find, forget_person

    with open_parts() as parts:
        with parts.sessions.read() as session:
            found = find(session, who, name)
        known = ", ".join(sorted(found.names)) or "nobody by name"
        if not yes:
            typer.echo(f"{who} is {known}, with {len(found.farm_ids)} farm(s).")
            typer.confirm("Forget them? It cannot be undone", abort=True)
        done = forget_person(parts.sessions, who, parts.clock(), name)
    typer.echo(
        f"forgotten: {done.people} name(s), {done.farms} farm(s), {done.messages} message(s) of "
        f"which {done.cancelled} waited, {done.texts} text(s) in, {done.sign_ups} sign-up(s), "
        f"{done.links} link(s), {done.tokens} token(s), {done.documents} document(s), "
        f"a part in {done.parted} farm(s) of others"
    )
    for sentence in done.kept:
        typer.echo(f"kept: {sentence}")

"""Commands that hand out links and tokens, list them and take them back."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from alerts.cli.printing import AsJson, failure, new_table, print_json, show, shown_day
from alerts.cli.wiring import open_parts

token_app = typer.Typer(
    name="token", help="Tokens with which programs use the API.", no_args_is_help=True
)


def link(
    role: Annotated[
        str, typer.Argument(help="whose pages: operator, consultant, sampler or farm")
    ] = "",
    who: Annotated[str, typer.Argument(help="the person, by name or email, or the farm")] = "",
    area: Annotated[str, typer.Option(help="area of the farm, where two have one")] = "",
    revoke: Annotated[int | None, typer.Option(help="take the link of this number back")] = None,
) -> None:
    """Print the link that opens somebody's pages; who holds it needs no password."""
    from alerts.services.operating.access import make_link, revoke_link

    if (revoke is None) == (not role):
        raise failure("say whose link, such as 'cutcall link operator', or give --revoke NUMBER")
    with open_parts() as parts:
        if revoke is not None:
            revoke_link(parts.sessions, revoke, parts.clock())
            typer.echo(f"link {revoke} leads nowhere from now on")
            return
        path = make_link(parts.sessions, parts.link_rules(), role, who, area, parts.clock())
        settings = parts.settings
    here = f"http://{settings.web_host}:{settings.web_port}"
    typer.echo(f"{settings.public_url.rstrip('/') or here}{path}")
    if not settings.public_url:
        typer.echo("cutcall: CUTCALL_PUBLIC_URL is empty: it opens on this machine only", err=True)


def links(as_json: AsJson = False) -> None:
    """Links that were handed out, with their numbers."""
    from dataclasses import asdict

    from alerts.services.operating.access import list_links

    with open_parts() as parts:
        lines, now = list_links(parts.sessions), parts.clock()
    if as_json:
        print_json([{**asdict(line), "in_force": line.in_force(now)} for line in lines])
        return
    table = new_table("Id", "Pages", "Whose", "Made", "Until", "State")
    for line in lines:
        state = "taken back" if line.revoked_at else "in force" if line.in_force(now) else "expired"
        days = (shown_day(line.made_at.date()), shown_day(line.expires_at.date()))
        table.add_row(str(line.id), line.role, line.whose or "-", *days, state)
    show(table)


@token_app.command()
def new(
    role: Annotated[str, typer.Option(help="lab, consultant or sampler")],
    name: Annotated[str, typer.Option(help="what you will know it by")],
    person: Annotated[
        str, typer.Option(help="consultant or sampler it is for, if the name is not theirs")
    ] = "",
    lab: Annotated[str, typer.Option(help="map of the laboratory; found by its header else")] = "",
    scope: Annotated[
        list[str] | None, typer.Option(help="what it may do, if not what is usual; repeat it")
    ] = None,
    until: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="day on which it expires")
    ] = None,
) -> None:
    """Make a token and print it, this once: only its fingerprint is kept."""
    from alerts.services.operating.access import make_token

    with open_parts() as parts:
        number, secret = make_token(
            parts.sessions,
            role=role,
            name=name,
            who=person,
            lab=lab,
            scopes=scope or [],
            expires_at=until.replace(tzinfo=UTC) if until else None,
            now=parts.clock(),
        )
    typer.echo(secret)
    typer.echo(f"cutcall: token {number}; it cannot be shown again, keep it safe", err=True)


@token_app.command("list")
def list_tokens(as_json: AsJson = False) -> None:
    """Tokens with their numbers, without anything that would open a door."""
    from dataclasses import asdict

    from alerts.services.access.tokens import list_tokens as all_tokens

    with open_parts() as parts, parts.sessions.read() as session:
        lines, now = all_tokens(session), parts.clock()
    if as_json:
        print_json([{**asdict(line), "in_force": line.in_force(now)} for line in lines])
        return
    table = new_table("Id", "Name", "Role", "Whose", "Begins", "May", "Used", "Until", "State")
    for line in lines:
        state = "taken back" if line.revoked_at else "in force" if line.in_force(now) else "expired"
        used, until = (shown_day(at and at.date()) for at in (line.last_used_at, line.expires_at))
        who = (line.name, line.role, line.whose or "-", line.start, ", ".join(line.scopes))
        table.add_row(str(line.id), *who, used, until, state)
    show(table)


@token_app.command()
def revoke(number: Annotated[int, typer.Argument(help="number of the token")]) -> None:
    """Take a token back."""
    from alerts.services.operating.access import revoke_token

    with open_parts() as parts:
        revoke_token(parts.sessions, number, parts.clock())
    typer.echo(f"token {number} opens nothing from now on")

from __future__ import annotations

from datetime import timedelta

import pytest
from factories import Home, Service

from alerts.domain.errors import CutcallError
from alerts.services.access import scope
from alerts.services.access.links import Role
from alerts.services.access.tokens import (
    PREFIX,
    Caller,
    Scope,
    ScopeMissing,
    TokenRefused,
    TokenRole,
    admit,
    check,
    list_tokens,
    make_token,
    revoke_token,
)
from alerts.store.tables import ApiToken, Farm, Person


def make(service: Service, role: str = "lab", **changes: object) -> tuple[ApiToken, str]:
    values: dict[str, object] = {
        "name": "a program",
        "person_id": None,
        "lab": "",
        "scopes": (),
        "expires_at": None,
        "now": service.clock(),
    }
    with service.sessions.write() as session:
        return make_token(session, role, **{**values, **changes})  # type: ignore[arg-type]


def ask(service: Service, secret: str, wanted: Scope = Scope.RESULTS_WRITE) -> Caller:
    with service.sessions.read() as session:
        return check(session, secret, wanted, service.clock())


@pytest.fixture
def person(service: Service) -> int:
    with service.sessions.write() as session:
        someone = Person(name="Marta Quill", email="marta@example.org")
        session.add(someone)
        session.flush()
        assert someone.id is not None
        return someone.id


def test_two_tokens_differ_and_each_opens_only_for_its_own_bearer(service: Service) -> None:
    first, secret = make(service)
    second, other = make(service)
    assert secret != other
    assert (ask(service, secret).token_id, ask(service, other).token_id) == (first.id, second.id)


def test_secret_is_shown_once_and_only_its_hash_is_kept(service: Service) -> None:
    token, secret = make(service)
    # FIPS 180-4: the digest of what was shown, in hexadecimal; 32 bytes are 43 characters in
    # base 64 without padding (RFC 4648, section 5).
    assert len(secret.removeprefix(PREFIX)) == 43
    assert len(token.sha256) == 64
    [line] = service.rows(ApiToken)
    rest = secret.removeprefix(line.start)
    assert len(rest) == 37
    assert all(rest not in str(value) for value in line.model_dump().values())


def test_secret_that_is_not_whole_is_refused(service: Service) -> None:
    _, secret = make(service)
    other = "B" if secret.endswith("A") else "A"
    for wrong in (
        *(f"{secret}x", secret[:-1], secret[:-1] + other, f"{secret} "),
        *(secret.removeprefix(PREFIX), secret.upper(), PREFIX, ""),
    ):
        with pytest.raises(TokenRefused, match="missing or wrong"):
            ask(service, wrong)


@pytest.mark.parametrize(
    ("role", "scopes"),
    [
        ("lab", {"results:write"}),
        ("consultant", {"farms:read", "outlooks:read", "cuts:write"}),
        ("sampler", {"results:write", "outlooks:read"}),
    ],
)
def test_usual_scopes_follow_from_the_role(
    role: str, scopes: set[str], service: Service, person: int
) -> None:
    token, _ = make(service, role, person_id=person)
    assert set(token.scopes.split()) == scopes


def test_scope_that_was_not_given_is_missing(service: Service) -> None:
    _, secret = make(service)
    with pytest.raises(ScopeMissing, match="needs the scope farms:read"):
        ask(service, secret, Scope.FARMS_READ)
    _, wide = make(service, scopes=["results:write", "farms:read"])
    assert ask(service, wide, Scope.FARMS_READ).scopes == {Scope.RESULTS_WRITE, Scope.FARMS_READ}


@pytest.mark.parametrize(
    ("role", "changes", "words"),
    [
        ("farmer", {}, "'farmer' is no role of a token; use lab, consultant, sampler"),
        ("lab", {"scopes": ["results"]}, "'results' is no scope; use results:write"),
        ("consultant", {}, "a consultant's token needs the person it is for"),
        ("sampler", {"person_id": 99}, "a sampler's token needs the person it is for"),
        ("lab", {"name": " "}, "a token needs a name"),
    ],
)
def test_token_that_makes_no_sense_is_not_made(
    role: str, changes: dict[str, object], words: str, service: Service
) -> None:
    with pytest.raises(CutcallError, match=words):
        make(service, role, **changes)
    assert service.rows(ApiToken) == []


def test_token_ends_at_its_moment(service: Service) -> None:
    end = service.clock() + timedelta(hours=1)
    _, secret = make(service, expires_at=end)
    service.later(minutes=59)
    ask(service, secret)
    service.later(minutes=1)
    with pytest.raises(TokenRefused, match="has expired"):
        ask(service, secret)
    with pytest.raises(CutcallError, match="would have expired on 2027-05-10; give a later day"):
        make(service, expires_at=end)


def test_revoked_token_opens_nothing_and_stays_on_the_list(service: Service) -> None:
    token, secret = make(service, lab="kestrel")
    assert token.id is not None
    with service.sessions.write() as session:
        revoke_token(session, token.id, service.clock())
    first = service.clock()
    service.later(days=1)
    with service.sessions.write() as session:
        revoke_token(session, token.id, service.clock())
        [line] = list_tokens(session)
    assert (line.revoked_at, line.whose, line.scopes) == (first, "kestrel", ("results:write",))
    assert not line.in_force(service.clock())
    with pytest.raises(TokenRefused, match="was revoked"):
        ask(service, secret)


def test_token_of_a_number_there_is_not_cannot_be_revoked(service: Service) -> None:
    with (
        service.sessions.write() as session,
        pytest.raises(CutcallError, match="there is no token 7"),
    ):
        revoke_token(session, 7, service.clock())


def test_list_says_whose_a_token_is_and_nothing_that_opens(service: Service, person: int) -> None:
    token, secret = make(service, "consultant", person_id=person, name="spreadsheet")
    with service.sessions.read() as session:
        [line] = list_tokens(session)
    assert (line.name, line.whose, line.start) == ("spreadsheet", "Marta Quill", token.start)
    assert line.in_force(service.clock())
    assert token.sha256 not in repr(line)
    assert secret not in repr(line)


def test_use_is_written_down_once_an_hour(service: Service) -> None:
    _, secret = make(service)

    def last() -> object:
        admit(service.sessions, secret, Scope.RESULTS_WRITE, service.clock())
        return service.rows(ApiToken)[0].last_used_at

    first = service.clock()
    assert last() == first
    service.later(minutes=60)
    assert last() == first
    later = service.later(seconds=1)
    assert last() == later


def test_refused_use_is_not_written_down(service: Service) -> None:
    _, secret = make(service)
    with pytest.raises(ScopeMissing):
        admit(service.sessions, secret, Scope.FARMS_READ, service.clock())
    assert service.rows(ApiToken)[0].last_used_at is None


def test_caller_sees_the_farms_of_the_person_and_a_laboratory_none(
    service: Service, home: Home, person: int
) -> None:
    with service.sessions.write() as session:
        session.get_one(Farm, home.farm_id).consultant_id = person
    seen = {}
    for role in TokenRole:
        _, secret = make(service, role, person_id=person, scopes=["farms:read"])
        caller = ask(service, secret, Scope.FARMS_READ)
        with service.sessions.read() as session:
            seen[role] = scope.farm_ids(session, caller.visitor)
    assert seen == {
        TokenRole.LAB: frozenset(),
        TokenRole.CONSULTANT: frozenset({home.farm_id}),
        TokenRole.SAMPLER: frozenset(),
    }


def test_caller_without_a_person_sees_nothing_rather_than_everything() -> None:
    for role in TokenRole:
        caller = Caller(1, "x", role, None, "", frozenset())
        assert (caller.visitor.role, caller.visitor.farm_id) == (Role.FARM, None)

"""Signed links: what opens, for whom, and what no longer does."""

from __future__ import annotations

from datetime import timedelta

import pytest
from factories import NOON, Service

from alerts.services.access.links import (
    LinkGone,
    LinkRules,
    Role,
    link_path,
    link_url,
    open_link,
    revoke,
    revoke_of_person,
)
from alerts.store.tables import AccessLink, Farm, Person

RULES = LinkRules(
    public_url="https://cutcall.example.org/",
    secrets=("the secret of the tests",),
    lasts=timedelta(days=200),
    operator_lasts=timedelta(days=30),
)


@pytest.fixture
def farm(service: Service) -> Farm:
    service.enrol({})
    with service.sessions.read() as session:
        return session.get_one(Farm, 1)


def make(service: Service, farm: Farm, role: Role = Role.FARM, rules: LinkRules = RULES) -> str:
    """The token of a link for the farm's farmer."""
    with service.sessions.write() as session:
        path = link_path(
            session, rules, role, person_id=farm.farmer_id, farm_id=farm.id, now=service.clock()
        )
    return path.rpartition("/")[2]


def opened(
    service: Service, token: str, role: Role = Role.FARM, rules: LinkRules = RULES
) -> object:
    with service.sessions.read() as session:
        return open_link(session, rules, role, token, service.clock())


def test_link_opens_for_whom_it_was_made(service: Service, farm: Farm) -> None:
    visitor = opened(service, make(service, farm))
    assert (visitor.role, visitor.person_id, visitor.farm_id) == (  # type: ignore[attr-defined]
        Role.FARM,
        farm.farmer_id,
        farm.id,
    )


def test_link_url_begins_with_the_public_address(service: Service, farm: Farm) -> None:
    with service.sessions.write() as session:
        url = link_url(session, RULES, Role.FARM, farm_id=farm.id, now=NOON)
    assert url.startswith("https://cutcall.example.org/farm/1.")


def test_link_url_is_empty_without_a_public_address(service: Service, farm: Farm) -> None:
    rules = LinkRules("", RULES.secrets, RULES.lasts, RULES.operator_lasts)
    with service.sessions.write() as session:
        assert link_url(session, rules, Role.FARM, farm_id=farm.id, now=NOON) == ""
        assert session.get(AccessLink, 1) is None


def test_link_is_handed_out_again_until_half_its_life_is_gone(service: Service, farm: Farm) -> None:
    first = make(service, farm)
    service.clock.now += timedelta(days=99)
    assert make(service, farm) == first
    service.clock.now += timedelta(days=2)
    assert make(service, farm) != first
    opened(service, first)


@pytest.mark.parametrize(
    "change",
    [
        lambda token: token[:-1],
        lambda token: token + "A",
        lambda token: "2" + token[1:],
        lambda token: token.partition(".")[2],
        lambda token: "1",
        lambda token: "",
        lambda token: "é.ü",
    ],
)
def test_changed_link_opens_nothing(service: Service, farm: Farm, change: object) -> None:
    token = make(service, farm)
    make(service, farm, Role.SAMPLER)  # so that number 2 exists
    with pytest.raises(LinkGone, match="not complete"):
        opened(service, change(token))  # type: ignore[operator]


def test_link_of_one_role_opens_no_page_of_another(service: Service, farm: Farm) -> None:
    token = make(service, farm)
    for role in (Role.CONSULTANT, Role.SAMPLER, Role.OPERATOR):
        with pytest.raises(LinkGone):
            opened(service, token, role)


def test_link_expires(service: Service, farm: Farm) -> None:
    token = make(service, farm)
    service.clock.now += RULES.lasts - timedelta(seconds=1)
    opened(service, token)
    service.clock.now += timedelta(seconds=1)
    with pytest.raises(LinkGone, match="expired"):
        opened(service, token)


def test_operator_link_expires_sooner(service: Service, farm: Farm) -> None:
    token = make(service, farm, Role.OPERATOR)
    service.clock.now += RULES.operator_lasts
    with pytest.raises(LinkGone, match="expired"):
        opened(service, token, Role.OPERATOR)


def test_revoked_link_opens_nothing_and_another_is_made(service: Service, farm: Farm) -> None:
    token = make(service, farm)
    with service.sessions.write() as session:
        revoke(session, 1, NOON)
    with pytest.raises(LinkGone, match="taken back"):
        opened(service, token)
    assert make(service, farm) != token


def test_all_links_of_a_person_are_revoked_at_once(service: Service, farm: Farm) -> None:
    tokens = [(role, make(service, farm, role)) for role in (Role.FARM, Role.SAMPLER)]
    with service.sessions.write() as session:
        assert revoke_of_person(session, farm.farmer_id, NOON) == 2
    for role, token in tokens:
        with pytest.raises(LinkGone, match="taken back"):
            opened(service, token, role)


def test_link_made_under_the_secret_before_still_opens(service: Service, farm: Farm) -> None:
    token = make(service, farm)
    turned = LinkRules(
        RULES.public_url, (*RULES.secrets, "a new secret"), RULES.lasts, RULES.operator_lasts
    )
    opened(service, token, rules=turned)
    assert make(service, farm, rules=turned) != token
    newest = LinkRules(RULES.public_url, ("a new secret",), RULES.lasts, RULES.operator_lasts)
    with pytest.raises(LinkGone):
        opened(service, token, rules=newest)


def test_link_of_who_farmed_here_before_opens_nothing(service: Service, farm: Farm) -> None:
    token = make(service, farm)
    with service.sessions.write() as session:
        person = Person(name="Ivo Brandt", phone="+12025550144")
        session.add(person)
        session.flush()
        session.get_one(Farm, farm.id).farmer_id = person.id
    with pytest.raises(LinkGone, match="taken back"):
        opened(service, token)


def test_farm_that_changes_hands_takes_back_the_links_to_its_page(
    service: Service, farm: Farm
) -> None:
    """A link made for the farm as such, by the operator, too: it went to the farmer before."""
    token = made_for_the_farm(service, farm)
    service.enrol({})
    opened(service, token)
    service.enrol({"farmer": "Ivo Brandt", "phone": "+12025550144"})
    with pytest.raises(LinkGone, match="taken back"):
        opened(service, token)
    opened(service, made_for_the_farm(service, farm))


def made_for_the_farm(service: Service, farm: Farm) -> str:
    with service.sessions.write() as session:
        path = link_path(session, RULES, Role.FARM, farm_id=farm.id, now=service.clock())
    return path.rpartition("/")[2]


def test_roster_with_another_phone_takes_back_what_went_to_the_old_one(
    service: Service, farm: Farm
) -> None:
    token = make(service, farm)
    service.enrol({"email": "ada@example.org"})  # one more address takes nobody's place
    opened(service, token)
    service.enrol({"phone": "+12025550144"})
    with pytest.raises(LinkGone, match="taken back"):
        opened(service, token)

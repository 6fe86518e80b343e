"""Another phone or email of somebody who is enrolled, asked from their own page."""

from __future__ import annotations

from datetime import datetime

from alerts.intake import roster_values as values
from alerts.services.farms.farm_form import FormError
from alerts.services.people.sign_up import Asked, SignUpForm, wording_shown
from alerts.services.people.sign_up_checks import NOT_AGREED, STOPPED_PHONE, not_texted
from alerts.services.people.sign_up_rules import SignUpRules, bound_reached, keep, queue_question
from alerts.store import opt_outs
from alerts.store.session import Sessions
from alerts.store.tables import Area, Farm, Person


def ask_address(
    sessions: Sessions,
    rules: SignUpRules,
    farm_id: int,
    form: SignUpForm,
    ip: str,
    now: datetime,
) -> Asked:
    """Ask a new phone or email of a farmer, typed as 'address', whether it shall be written to.

    For the farm's own page, whose link the farmer holds. The new address takes the place of the
    old one of its kind once it has said yes itself; until then nothing changes. With
    'email_if_unreached' an email is for texts that do not arrive only.
    """
    try:
        channel, address = read_address(form.typed.get("address", ""))
    except ValueError as error:
        return Asked(errors=(FormError("address", "address", str(error)),))
    errors = [] if form.agreed else [NOT_AGREED]
    if channel == "sms" and not address.startswith(rules.texts_to):
        errors.append(FormError("address", "address", not_texted(rules)))
    if channel == "email" and not rules.links.public_url:
        errors.append(FormError("address", "address", "emails cannot be confirmed here"))
    if errors:
        return Asked(errors=tuple(errors))
    with sessions.write() as session:
        if channel == "sms" and opt_outs.stopped(session, "sms", [address]):
            return Asked(errors=(FormError("address", "address", STOPPED_PHONE),))
        if reached := bound_reached(session, rules.bounds, channel, address, ip, now):
            return Asked(too_many=reached)
        farm = session.get_one(Farm, farm_id)
        person = session.get_one(Person, farm.farmer_id)
        area = session.get_one(Area, farm.area_id)
        wording = wording_shown(rules, form.language)
        typed = {"farm": farm.name, "language": person.language}
        if form.typed.get("email_if_unreached") == "yes":
            typed["email_if_unreached"] = "yes"
        asked = keep(
            session,
            rules,
            typed,
            channel,
            address,
            wording,
            ip,
            now,
            farm_id=farm_id,
            person_id=person.id,
        )
        queue_question(session, rules, asked, person, farm.name, area, now)
        return Asked(channel=channel, address=address, expires_at=asked.expires_at)


def read_address(typed: str) -> tuple[str, str]:
    """Channel and address of what was typed; ValueError with a sentence when it is neither."""
    text = values.refuse_formula(typed.strip())
    return ("email", values.email(text)) if "@" in text else ("sms", values.phone(text))

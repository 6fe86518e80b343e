"""Typing results in: one a laboratory told by phone, and stem readings spot by spot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from http import HTTPStatus

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse

from alerts.bootstrap import Parts
from alerts.services.access.links import Role, Visitor
from alerts.services.access.local_days import today_of
from alerts.services.results.reference_fields import ReferenceField, fields_of
from alerts.services.samplers.sample_entry import Entry, enter_clip, enter_stems
from alerts.web import sampling_protocol
from alerts.web.access import visitor
from alerts.web.forms import read_form, text_of
from alerts.web.language import ENGLISH
from alerts.web.pages import Pages

CLIP_COLUMNS = (
    *("sampled_on", "sampled_at", "lab", "lab_number", "method", "cutting"),
    *("rfv", "rfq", "ndf_pct_dm", "adf_pct_dm", "cp_pct_dm", "ndfd48_pct_ndf"),
    *("ee_pct_dm", "ash_pct_dm", "dm_pct", "remark"),
)
"""Controls of a clip, named like the columns of the plain format."""

KEPT = ("sampled_on", "lab", "method")
"""What stays for the next clip after one was saved: a call from the laboratory holds several."""

FEWEST_SPOTS, MORE_SPOTS, MOST_SPOTS = 5, 5, 60


@dataclass(frozen=True, slots=True)
class Shown:
    """A form as it is shown: what was typed, what is wrong with it, and what became of it."""

    chosen: str = ""  # id of the field
    cells: Mapping[str, str] = field(default_factory=dict)
    spots: Sequence[tuple[str, str]] = ()
    unit: str = "in"
    faults: Mapping[str, str] = field(default_factory=dict)
    entry: Entry | None = None

    @property
    def status(self) -> int:
        asks = self.faults or (self.entry is not None and self.entry.doubt)
        return HTTPStatus.UNPROCESSABLE_ENTITY if asks else HTTPStatus.OK


def add_routes(app: FastAPI, parts: Parts) -> None:
    forms = _Forms(parts)

    @app.get("/sampler/{token}/clip")
    def new_clip(token: str, field: str = "") -> HTMLResponse:
        who = visitor(parts, Role.SAMPLER, token)
        return forms.clip_page(token, who, Shown(field, {"sampled_on": forms.today(who, field)}))

    @app.post("/sampler/{token}/clip")
    async def save_clip(request: Request, token: str) -> HTMLResponse:
        who = await run_in_threadpool(visitor, parts, Role.SAMPLER, token)
        form = await read_form(request)
        return await run_in_threadpool(forms.take_clip, token, who, form)

    @app.get("/sampler/{token}/reading")
    def new_reading(token: str, field: str = "") -> HTMLResponse:
        who = visitor(parts, Role.SAMPLER, token)
        shown = Shown(field, {"sampled_on": forms.today(who, field)}, [("", "")] * FEWEST_SPOTS)
        return forms.reading_page(token, who, shown)

    @app.post("/sampler/{token}/reading")
    async def take_reading(request: Request, token: str) -> HTMLResponse:
        who = await run_in_threadpool(visitor, parts, Role.SAMPLER, token)
        form = await read_form(request)
        return await run_in_threadpool(forms.take_reading, token, who, form)


class _Forms:
    """What the routes share."""

    def __init__(self, parts: Parts) -> None:
        self.parts = parts
        self.pages = Pages(parts.templates)

    def today(self, who: Visitor, chosen: str) -> str:
        """The day it is on the chosen field, else on the sampler's farms."""
        field_id = int(chosen) if _is_id(chosen) else None
        zone, now = self.parts.settings.time_zone, self.parts.clock()
        with self.parts.sessions.read() as session:
            return str(today_of(session, who, now, zone, field_id))

    # ------------------------------------------------------------------ a clip

    def clip_page(self, token: str, who: Visitor, shown: Shown) -> HTMLResponse:
        return self._show("sampler_clip.html", token, who, shown)

    def take_clip(self, token: str, who: Visitor, form: FormData) -> HTMLResponse:
        chosen = text_of(form, "field")
        cells = {column: text_of(form, column) for column in CLIP_COLUMNS}
        if not _is_id(chosen):
            fault = {"field": "Choose the field that was clipped."}
            return self.clip_page(token, who, Shown(chosen, cells, faults=fault))
        entry = enter_clip(
            self.parts.sessions,
            who,
            int(chosen),
            cells,
            self.parts.intake_rules(),
            self.parts.clock(),
            anyway=text_of(form, "do") == "anyway",
        )
        faults = _faults(entry, CLIP_COLUMNS)
        kept = cells if faults or entry.doubt else {name: cells[name] for name in KEPT}
        return self.clip_page(token, who, Shown(chosen, kept, faults=faults, entry=entry))

    # ------------------------------------------------------------------ stems

    def reading_page(self, token: str, who: Visitor, shown: Shown) -> HTMLResponse:
        before = self.parts.templates.wording(ENGLISH).clock(self.parts.schedule.sampling.before)
        steps = sampling_protocol.said(sampling_protocol.STEMS, before)
        return self._show("sampler_reading.html", token, who, shown, steps=steps)

    def take_reading(self, token: str, who: Visitor, form: FormData) -> HTMLResponse:
        spots, act = _spots(form), text_of(form, "do")
        cells = {"sampled_on": text_of(form, "sampled_on")}
        typed = Shown(text_of(form, "field"), cells, spots, text_of(form, "unit"))
        if act == "more":
            more = [*spots, *[("", "")] * MORE_SPOTS][:MOST_SPOTS]
            return self.reading_page(token, who, replace(typed, spots=more))
        if not _is_id(typed.chosen):
            faults = {"field": "Choose the field that was measured."}
            return self.reading_page(token, who, replace(typed, faults=faults))
        entry = enter_stems(
            self.parts.sessions,
            who,
            int(typed.chosen),
            cells["sampled_on"],
            spots,
            typed.unit,
            self.parts.intake_rules(),
            self.parts.clock(),
            save=act == "save",
        )
        return self.reading_page(
            token, who, replace(typed, faults=_spot_faults(entry), entry=entry)
        )

    # ------------------------------------------------------------------ both

    def _show(
        self, template: str, token: str, who: Visitor, shown: Shown, steps: Sequence[str] = ()
    ) -> HTMLResponse:
        return self.pages.show(
            template,
            status=shown.status,
            base=f"/sampler/{token}",
            fields=self._fields(who),
            shown=shown,
            report=shown.entry.report if shown.entry else None,
            mean=shown.entry.mean if shown.entry else None,
            doubt=shown.entry.doubt if shown.entry else "",
            steps=steps,
        )

    def _fields(self, who: Visitor) -> list[ReferenceField]:
        with self.parts.sessions.read() as session:
            return fields_of(session, who)


def _is_id(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 10


def _spots(form: FormData) -> list[tuple[str, str]]:
    """Height and stage of each row of the form, empty ones too."""
    spots = []
    for place in range(MOST_SPOTS):
        if f"height_{place}" not in form and f"stage_{place}" not in form:
            break
        spots.append((text_of(form, f"height_{place}"), text_of(form, f"stage_{place}")))
    return spots or [("", "")] * FEWEST_SPOTS


def _faults(entry: Entry, columns: Sequence[str]) -> dict[str, str]:
    """Sentences by control; "" is the form as a whole."""
    faults: dict[str, str] = {}
    for fault in entry.faults:
        control = fault.column if fault.column in columns else ""
        faults[control] = " ".join(filter(None, (faults.get(control), fault.sentence)))
    if entry.report is not None:
        for rejection in entry.report.rejected:
            control = rejection.column if rejection.column in (*columns, "field") else ""
            faults[control] = rejection.reason
    return faults


def _spot_faults(entry: Entry) -> dict[str, str]:
    """The same of spots, whose controls bear their row."""
    faults = _faults(Entry(report=entry.report), ("sampled_on",))
    for fault in entry.faults:
        name = fault.column.partition("_")[0] if fault.column.startswith("height") else fault.column
        control = f"{name}_{fault.row}" if name in ("height", "stage") else name
        faults.setdefault(control, fault.sentence)
    return faults

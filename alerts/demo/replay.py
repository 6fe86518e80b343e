"""`cutcall demo`: a whole spring on a fast clock, over real HTTP and SMTP on this machine.

Only the crop and the clock are simulated. Lab files fall into a watched folder and go through the
same intake, evaluation, outbox and transports as in `cutcall serve`; the gateway and the mail
server are real servers on 127.0.0.1 that keep what they are sent.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, time, timedelta
from pathlib import Path

from rich.console import Console

from alerts.bootstrap import Parts, build_parts
from alerts.demo import lab_files
from alerts.demo.show import Show
from alerts.demo.stage import FastClock, demo_settings, empty_home, one_by_one
from alerts.demo.world import (
    FIELDS,
    LAST_DAY,
    SWITCHED_OFF,
    DemoFarm,
    DemoField,
    World,
    farm_of,
)
from alerts.domain.delivery import FINAL
from alerts.domain.records import HarvestMethod
from alerts.intake.roster import read_roster
from alerts.loopback.gateway import Fault, LoopbackGateway, Reply
from alerts.loopback.mailbox import LoopbackMailbox
from alerts.scheduler import run_round
from alerts.services.farms.record_cuts import record_cut
from alerts.services.outlooks.read_outlooks import FieldLine, field_lines
from alerts.services.people.enrol import enrol
from alerts.services.results.match_results import name_field
from alerts.store.outbox import recent

HOURS = (time(6, 5), time(7, 5), time(7, 35), time(12, 10), time(12, 12), time(17, 20))
"""Local times of day at which the demo's service takes its rounds."""

FIRST_CLIPS = date(2027, 5, 6)
CLIP_WEEKDAYS = (0, 3)
NAMED_ON = date(2027, 5, 12)  # somebody says which field the unknown name means
CORRECTED = date(2027, 5, 14)  # a laboratory corrects a result of the day before


@dataclass(slots=True)
class Outcome:
    """What the demo watched for one field; dates told are those of its farm."""

    field: DemoField
    first_text: date | None = None
    told: date | None = None
    cut_on: date | None = None


def run_demo(folder: Path | None) -> int:
    """Run the demo; returns the exit code."""
    console = Console(highlight=False, width=None if Console().is_terminal else 120)
    home = empty_home(folder)
    if home is None:
        console.print(f"{folder} is not empty; give the demo an empty or a new folder")
        return 1
    # The demo scripts a gateway fault of its own; a log of it would only puzzle.
    logging.getLogger("alerts").setLevel(logging.ERROR)
    logging.getLogger("httpx").setLevel(logging.WARNING)
    clock = FastClock()
    show = Show(console, clock)
    with (
        LoopbackGateway(clock=clock, on_message=show.text, unreachable=[SWITCHED_OFF]) as gateway,
        LoopbackMailbox(folder=home / "mail") as mailbox,
    ):
        settings = demo_settings(home, gateway, mailbox)
        parts = one_by_one(
            build_parts(settings, clock=clock, jitter=random.Random(7).random)  # noqa: S311
        )
        replay = Replay(parts, clock, gateway, home)
        show.opening()
        with asyncio.Runner() as runner:
            replay.enrol()
            for day in replay.days():
                runner.run(replay.live(day))
                show.day(day)
            show.closing(replay, mailbox, home)
            runner.run(parts.aclose())
    return 0 if replay.all_settled else 1


class Replay:
    """Plays everybody outside the service: samplers, laboratories, operator, farmers."""

    def __init__(
        self, parts: Parts, clock: FastClock, gateway: LoopbackGateway, home: Path
    ) -> None:
        self.parts = parts
        self.world = World()
        self.outcomes = {(field.farm, field.name): Outcome(field) for field in FIELDS}
        self.all_settled = False
        self._clock = clock
        self._gateway = gateway
        self._inbox = home / "inbox"
        self._numbers = 4100
        self._started: dict[str, date] = {}

    def enrol(self) -> None:
        content = lab_files.roster().encode()
        roster = read_roster(
            content,
            "roster.csv",
            animal_classes=self.parts.guidelines.animal_classes(),
            defaults=self.parts.roster_defaults(),
        )
        report = enrol(
            self.parts.sessions, roster, self.parts.guidelines, "roster.csv", self._clock()
        )
        if report.rejected:
            raise RuntimeError(f"the demo's roster is not accepted: {report.rejected[0].reason}")

    def days(self) -> Iterator[date]:
        day = FIRST_CLIPS - timedelta(days=3)
        while day <= LAST_DAY and not self.all_cut:
            yield day
            day += timedelta(days=1)

    @property
    def all_cut(self) -> bool:
        return all(outcome.cut_on is not None for outcome in self.outcomes.values())

    async def live(self, day: date) -> None:
        """One day: mornings are for looking and telling, noon for laboratories."""
        await self.rounds(day, time.max)
        self._watch(day)
        self._cut(day)
        self.all_settled = self._is_settled()

    async def rounds(self, day: date, until: time) -> None:
        """What the service does on a day up to a local time, and what comes in meanwhile."""
        for at in (at for at in HOURS if at <= until):
            self._clock.set_local(day, at)
            if at == time(12, 10):
                self._laboratories(day)
            if at == time(12, 12) and day == NAMED_ON:
                self._name_unknown_field()
            await run_round(self.parts)

    # ------------------------------------------------------------ laboratories

    def _laboratories(self, day: date) -> None:
        """Results of yesterday's clips arrive at noon."""
        clipped = day - timedelta(days=1)
        if clipped >= FIRST_CLIPS and clipped.weekday() in CLIP_WEEKDAYS:
            self._results(clipped)
        if day == CORRECTED + timedelta(days=1):
            self._correction(CORRECTED - timedelta(days=1))
        if day == NAMED_ON + timedelta(days=2):
            # The gateway takes the next text but the answer is lost on the way: Cutcall has to
            # look there before it may send again. The text after that meets a busy gateway.
            self._gateway.script(Fault(Reply.DROP, keeps=True), Fault(Reply.BUSY))

    def _results(self, clipped: date) -> None:
        standing = [o.field for o in self.outcomes.values() if o.cut_on is None]
        for lab, write in lab_files.WRITERS.items():
            samples = [
                (self._number(lab), field, self.world.clip(field, clipped))
                for field in standing
                if field.lab == lab
            ]
            if samples:
                content = write(clipped, samples)
                if lab == "kestrel" and clipped == FIRST_CLIPS:
                    content = _with_slip(content)
                lab_files.put(self._inbox, f"{lab}-{clipped}.csv", content)
        read = [(f, self.world.stems(f, clipped)) for f in standing if f.lab == "stems"]
        if read:
            lab_files.put(self._inbox, f"stems-{clipped}.csv", lab_files.stems(clipped, read))

    def _number(self, lab: str) -> str:
        self._numbers += 1
        return f"{lab[:2].upper()}-{self._numbers}"

    def _correction(self, clipped: date) -> None:
        """A laboratory repeats a file with one value put right."""
        sent = self._inbox / "done" / f"kestrel-{clipped}.csv"
        if not sent.exists():
            return
        lines = sent.read_text(encoding="utf-8").splitlines(keepends=True)
        cells = lines[1].split(",")
        cells[9] = f"{float(cells[9]) + 0.4:.1f}"
        lines[1] = ",".join(cells)
        lab_files.put(self._inbox, f"kestrel-{clipped}-corrected.csv", "".join(lines))

    def _name_unknown_field(self) -> None:
        field = next(field for field in FIELDS if field.written_as)
        name_field(
            self.parts.sessions,
            label=field.written_as,
            farm_label=field.farm,
            farm=field.farm,
            field=field.name,
            guidelines=self.parts.guidelines,
            now=self._clock(),
        )

    # ----------------------------------------------------------------- farmers

    def _cut(self, day: date) -> None:
        """Farmers start on the day they were told and take their fields in the order told."""
        for farm, lines in _by_farm(field_lines(self.parts.sessions)).items():
            told = [line.told for line in lines if line.told_kind in ("start", "past")]
            if farm not in self._started and told and told[0] is not None and told[0] <= day:
                self._started[farm] = day
            if farm in self._started:
                self._take_fields(farm, lines, day)

    def _take_fields(self, farm: str, lines: list[FieldLine], day: date) -> None:
        """Cut the fields whose turn has come: those before them take their share of the days."""
        began, before = self._started[farm], 0.0
        for line in sorted(lines, key=lambda line: line.told_position):
            outcome = self.outcomes[line.farm, line.field]
            if outcome.cut_on is None and began + timedelta(days=int(before)) <= day:
                record_cut(
                    self.parts.sessions,
                    farm=line.farm,
                    field=line.field,
                    cut_on=day,
                    now=self._clock(),
                )
                outcome.cut_on = day
            before += self.own_days(outcome.field)

    def _watch(self, day: date) -> None:
        for line in field_lines(self.parts.sessions):
            outcome = self.outcomes[line.farm, line.field]
            if outcome.cut_on is None and line.told is not None:
                outcome.first_text = outcome.first_text or line.told_on
                outcome.told = line.told

    def _is_settled(self) -> bool:
        with self.parts.sessions.read() as session:
            rows = recent(session, 10_000)
        taken = {"accepted", "sent"} | {status.value for status in FINAL}
        return all(row.status in taken for row in rows)

    # ----------------------------------------------------------------- results

    @staticmethod
    def own_days(field: DemoField) -> float:
        """Days of its farm's harvest that a field takes."""
        acres = sum(other.acres for other in FIELDS if other.farm == field.farm)
        return farm_of(field).harvest_days * field.acres / acres

    def truth(self, field: DemoField) -> tuple[date | None, date | None]:
        """True crossing of a field, and the true latest start of its farm."""
        farm, guidelines = farm_of(field), self.parts.guidelines
        target = farm.feed_target or guidelines.feed_target(farm.animal_class, farm.index) or 0.0
        loss = farm.handling_loss
        if loss is None:
            method = HarvestMethod(farm.harvest_method)
            loss = guidelines.value(f"handling_loss.{method}.{farm.index}")
        standing = target + loss if farm.index.falls else target - loss
        latest = self._latest_start(farm, standing)
        return self.world.crossing(field, standing, farm.index), latest

    def _latest_start(self, farm: DemoFarm, standing: float) -> date | None:
        """The farm's true latest start, its fields taken in the order in which they fall due."""
        fields = [field for field in FIELDS if field.farm == farm.name]
        fields.sort(key=lambda f: self.world.crossing(f, standing, farm.index) or date.max)
        done, turns = 0.0, []
        for field in fields:
            own = self.own_days(field)
            done += own
            turns.append((field, done - own / 2, own / farm.harvest_days, done))
        if farm.which_load == "average":
            return self.world.latest_start([t[:3] for t in turns], standing, farm.index)
        starts = [
            self.world.latest_start([(field, after, 1.0)], standing, farm.index)
            for field, _, _, after in turns
        ]
        return min((start for start in starts if start is not None), default=None)


def _by_farm(lines: list[FieldLine]) -> dict[str, list[FieldLine]]:
    farms: dict[str, list[FieldLine]] = defaultdict(list)
    for line in lines:
        farms[line.farm].append(line)
    return farms


def _with_slip(content: str) -> str:
    """A typing slip in the last row: NDF of 400."""
    lines = content.splitlines(keepends=True)
    cells = lines[-1].split(",")
    cells[9] = "400"
    return "".join([*lines[:-1], ",".join(cells)])

"""The figures of the service in the open format of Prometheus."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from prometheus_client import CollectorRegistry, Histogram
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from alerts.services.operating.figures import Backlog, Figures

PAGE_SECONDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 10)


def request_seconds(registry: CollectorRegistry) -> Histogram:
    """How long this process took to answer."""
    return Histogram(
        "cutcall_request_seconds",
        "Time to answer a request, of this web process alone",
        ["method", "route", "status"],
        registry=registry,
        buckets=PAGE_SECONDS,
    )


class ServiceCollector(Collector):
    """Takes the figures anew each time it is asked; they are those of all processes together."""

    def __init__(self, take: Callable[[], Figures]) -> None:
        self._take = take

    def describe(self) -> list[Metric]:
        return []  # so that registering it asks the database nothing

    def collect(self) -> Iterator[Metric]:
        figures = self._take()
        yield from _messages(figures)
        yield from _work(figures)
        yield from _jobs(figures)
        yield from _gateways(figures)
        yield _plain("cutcall_clock_held", "1 while the clock is doubted", figures.clock_held)


def _messages(figures: Figures) -> Iterator[Metric]:
    family = GaugeMetricFamily(
        "cutcall_messages", "Messages kept, by what became of them", labels=["channel", "state"]
    )
    for (channel, state), number in sorted(figures.messages.items()):
        family.add_metric([channel, state], number)
    yield family
    yield from _backlogs("queue", "messages that might leave by now", figures.queue)
    yield _plain(
        "cutcall_dead_letters",
        "Messages that did not arrive and that nobody has dealt with",
        figures.dead_letters,
    )


def _backlogs(name: str, what: str, backlogs: Mapping[str, Backlog]) -> Iterator[Metric]:
    number = GaugeMetricFamily(f"cutcall_{name}_messages", f"Number of {what}", labels=["channel"])
    age = GaugeMetricFamily(
        f"cutcall_{name}_age_seconds", f"Age of the oldest of the {what}", labels=["channel"]
    )
    for channel, backlog in sorted(backlogs.items()):
        number.add_metric([channel], backlog.number)
        age.add_metric([channel], backlog.longest.total_seconds())
    yield from (number, age)


def _work(figures: Figures) -> Iterator[Metric]:
    yield _plain("cutcall_areas_due", "Areas to be looked at", figures.evaluation.number)
    yield _plain(
        "cutcall_evaluation_lag_seconds",
        "How long the longest waiting area has been due",
        figures.evaluation.longest.total_seconds(),
    )
    yield _plain("cutcall_unmatched_results", "Results of no known field", figures.unmatched)
    yield _plain("cutcall_rejected_rows", "Rows that could not be used", figures.rejected)
    yield _plain("cutcall_unread_documents", "Documents not read to their end", figures.unread)
    yield _plain("cutcall_texts_waiting", "Texts in, not handled", figures.texts_in.number)
    yield _plain(
        "cutcall_texts_waiting_age_seconds",
        "Age of the oldest text not handled",
        figures.texts_in.longest.total_seconds(),
    )


def _jobs(figures: Figures) -> Iterator[Metric]:
    ended = GaugeMetricFamily(
        "cutcall_job_ended_timestamp_seconds", "When a job last ended", labels=["job"]
    )
    fine = GaugeMetricFamily("cutcall_job_ok", "1 where its last run went well", labels=["job"])
    ticks = GaugeMetricFamily("cutcall_job_ticks", "Ticks taken in all", labels=["job"])
    for job in figures.jobs:
        if job.ended_at is not None:
            ended.add_metric([job.name], job.ended_at.timestamp())
        fine.add_metric([job.name], job.ok)
        ticks.add_metric([job.name], job.ticks)
    yield from (ended, fine, ticks)


def _gateways(figures: Figures) -> Iterator[Metric]:
    rests = GaugeMetricFamily(
        "cutcall_gateway_rests", "1 while nothing is sent since it fails", labels=["channel"]
    )
    failures = GaugeMetricFamily(
        "cutcall_gateway_failures", "Failures of the gateway in a row", labels=["channel"]
    )
    for gateway in figures.gateways:
        rests.add_metric([gateway.channel], gateway.rests)
        failures.add_metric([gateway.channel], gateway.failures)
    yield from (rests, failures)


def _plain(name: str, what: str, value: float) -> Metric:
    return GaugeMetricFamily(name, what, value=value)

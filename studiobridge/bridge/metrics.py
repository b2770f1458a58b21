"""Figures of the running sets for Prometheus, counted where they happen, served on request.

Nothing here is on the path of a command: the collector reads what the sets already know when
somebody asks. Labels are names of sets, states and notes, never what a person wrote.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from studiobridge.bridge.settings import MetricsSettings
from studiobridge.control.states import STATES
from studiobridge.profile.model import SetProfile, figure

if TYPE_CHECKING:
    from studiobridge.bridge.core import Core
    from studiobridge.bridge.link import Link


class Counted:
    """What one set has done since this bridge started."""

    def __init__(self) -> None:
        self.messages_heard = 0
        self.messages_sent = 0
        self.notes: Counter[str] = Counter()


class Measured(Protocol):
    """What is asked of a running set; `core` and `link` are there once it runs."""

    profile: SetProfile
    core: Core
    link: Link
    record_fault: str | None
    counted: Counted


class Collector:
    """Hands the figures of these sets to prometheus-client, freshly read."""

    def __init__(self, runners: Sequence[Measured]) -> None:
        self.runners = runners

    def collect(self) -> Iterator[Any]:
        from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily

        state = GaugeMetricFamily(
            "studiobridge_state", "1 for the state the set is in", labels=["set", "state"]
        )
        link = GaugeMetricFamily(
            "studiobridge_link_up", "1 while the link to the broker is up", labels=["set"]
        )
        drift = GaugeMetricFamily("studiobridge_drift_open", "Open drift entries", labels=["set"])
        fault = GaugeMetricFamily(
            "studiobridge_record_fault", "1 while the record cannot be written", labels=["set"]
        )
        watts = GaugeMetricFamily(
            "studiobridge_metered_watts", "Draw that the plugs report", labels=["set", "device"]
        )
        heard = CounterMetricFamily(
            "studiobridge_messages_heard", "MQTT messages received", labels=["set"]
        )
        sent = CounterMetricFamily(
            "studiobridge_messages_sent", "MQTT messages published", labels=["set"]
        )
        notes = CounterMetricFamily(
            "studiobridge_notes", "Notes written, by kind", labels=["set", "kind"]
        )
        for runner in self.runners:
            if not hasattr(runner, "core"):
                continue
            name, controller = runner.profile.name, runner.core.controller
            for known in STATES:
                state.add_metric([name, known], float(controller.state == known))
            link.add_metric([name], float(runner.link.connected))
            drift.add_metric([name], float(len(controller.watcher.drifts)))
            fault.add_metric([name], float(runner.record_fault is not None))
            for device, belief in controller.beliefs.of.items():
                said = belief.said("was it so", "watts")
                if said is not None:
                    watts.add_metric([name, device], figure(said))
            heard.add_metric([name], runner.counted.messages_heard)
            sent.add_metric([name], runner.counted.messages_sent)
            for kind, count in sorted(runner.counted.notes.items()):
                notes.add_metric([name, kind], count)
        yield from (state, link, drift, fault, watts, heard, sent, notes)


class CannotMeasure(Exception):
    """The figures cannot be served as asked; the text says why."""


def serve_metrics(settings: MetricsSettings, runners: Sequence[Measured]) -> Any:
    """Serve the figures of these sets; returns what to call to stop. Raises CannotMeasure."""
    from prometheus_client import CollectorRegistry, start_http_server

    registry = CollectorRegistry(auto_describe=False)
    registry.register(Collector(runners))
    try:
        server, _ = start_http_server(settings.port, settings.listen, registry)
    except OSError as error:
        raise CannotMeasure(
            f"metrics: cannot listen on {settings.listen}:{settings.port}: {error.strerror}"
        ) from None

    def stop() -> None:
        server.shutdown()
        server.server_close()

    return stop

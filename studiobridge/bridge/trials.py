"""What was sent and heard while one device is tried, without I/O: its answer shows the topics.

Only of the device itself and of the plugs that feed it, and never more than fits an answer: who
floods its topics is counted, not repeated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from studiobridge.craft.chroma import Colour
from studiobridge.profile.colours import colour_json
from studiobridge.profile.model import Point, Value
from studiobridge.profile.plain import plain
from studiobridge.profile.said import Answer, Report, Said, Unreadable
from studiobridge.speech.lacking import Lacking
from studiobridge.speech.message import Message

# How many messages of each kind an answer shows, and how much of each payload (characters).
MOST = 20
LONGEST = 200


@dataclass(slots=True)
class Trial:
    """One device, from when its try begins to its answer."""

    device: str
    names: frozenset[str]
    began: float
    sent: list[dict[str, object]] = field(default_factory=list)
    heard: list[dict[str, object]] = field(default_factory=list)
    more: int = 0  # messages beyond what is shown


class Trials:
    """The trial under way, if any: a set tries one device at a time."""

    def __init__(self) -> None:
        self._now: Trial | None = None

    def begins(self, device: str, line: Mapping[str, Sequence[str]], at: float) -> None:
        self._now = Trial(device, frozenset({device, *line[device]}), at)

    def told(
        self,
        device: str,
        values: Sequence[tuple[Point, Value]],
        messages: Sequence[Message],
        expiry: float,
        at: float,
    ) -> None:
        trial = self._now
        if trial is None or device not in trial.names:
            return
        said = {point: as_json(value) for point, value in values}
        if not messages:  # of a fixture on slots: it goes into the next frames of its universe
            self._add(trial.sent, {"device": device, "after_s": _since(trial, at), "values": said})
        on = any(value is True for _, value in values) or any(
            point == "level" and not isinstance(value, Colour) and value > 0
            for point, value in values
        )
        for message in messages:
            # what energises goes at QoS 0, as the core sends it
            qos = 0 if on else message.qos
            self._add(
                trial.sent, {**_sent(trial, device, message, qos, expiry, at), "values": said}
            )

    def asked(self, device: str, messages: Sequence[Message], expiry: float, at: float) -> None:
        trial = self._now
        for message in messages if trial is not None and device in trial.names else ():
            assert trial is not None
            self._add(trial.sent, _sent(trial, device, message, message.qos, expiry, at))

    def heard(self, message: Message, found: Sequence[Said], at: float) -> None:
        """A message and what the speech made of it."""
        trial = self._now
        if trial is None:
            return
        for name in dict.fromkeys(said.device for said in found):
            if name not in trial.names:
                continue
            reports = [s for s in found if s.device == name and isinstance(s, Report)]
            unread = [s for s in found if s.device == name and isinstance(s, Unreadable)]
            if not reports and not unread:
                continue  # it describes itself
            entry: dict[str, object] = {
                "device": name,
                "topic": plain(message.topic),
                "payload": short(message.payload),
                "kept": message.retain,
                "after_s": _since(trial, at),
                "understood": {said.point: as_json(said.value) for said in reports},
            }
            if unread:
                entry["why"] = plain(unread[0].why)[:LONGEST]
            self._add(trial.heard, entry)

    def _add(self, entries: list[dict[str, object]], entry: dict[str, object]) -> None:
        assert self._now is not None
        if len(entries) < MOST:
            entries.append(entry)
        else:
            self._now.more += 1

    def shown_in(self, answer: Answer, lacking: Lacking) -> Answer:
        """The answer to this try, with what was sent and heard of it."""
        trial = self._now
        if trial is None or answer.detail.get("device") != trial.device:
            return answer
        return replace(answer, detail={**answer.detail, **self.taken(lacking)})

    def taken(self, lacking: Lacking) -> dict[str, object]:
        """All of the trial under way, which is over with that."""
        trial, self._now = self._now, None
        assert trial is not None
        return {
            "sent": trial.sent,
            "heard": trial.heard,
            "more": trial.more,
            "lacks": lacking.of(trial.device),
        }


def as_json(value: Value) -> object:
    return colour_json(value) if isinstance(value, Colour) else value


def short(payload: bytes) -> str:
    """A payload, safe to print and cut short."""
    text = plain(payload[: 4 * LONGEST].decode("utf-8", "replace"))
    return text if len(text) <= LONGEST else text[: LONGEST - 1] + "…"


def _since(trial: Trial, at: float) -> float:
    return round(at - trial.began, 3)


def _sent(
    trial: Trial, device: str, message: Message, qos: int, expiry: float, at: float
) -> dict[str, object]:
    return {
        "device": device,
        "topic": plain(message.topic),
        "payload": short(message.payload),
        "qos": qos,
        "retain": message.retain,
        "expiry_s": expiry,
        "after_s": _since(trial, at),
    }

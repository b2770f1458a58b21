"""A session that is over, told to people: sentences, in their language and in the set's own time."""

from __future__ import annotations

import re

import pytest

from studiobridge.bridge.tables import record_path
from studiobridge.control.effects import DriftNote, HandNote, RunNote, StepNote
from studiobridge.panel.plots import drift_plot
from studiobridge.panel.texts import tongues
from studiobridge.shown import happened
from studiobridge.shown.tongue import speaking
from tests.bridge.test_record import NOTES, write
from tests.panel.indoors import Indoors, called

MORE = [
    StepNote(8.1, 2, 1, "key", "fade out", "", "failed", "no answer in 3 s"),
    StepNote(8.2, 2, 2, "pc", "cool down", "", "waited out", ""),
    RunNote(9.0, 2, "down", None, "stalled", "key: no answer"),
    HandNote(9.5, "rim", None, None, "its watts"),
    DriftNote(9.6, 2, "opened", "cloth", "cct", 4300.0, 4100.0, None, 11.0, None, ""),
]
# the session begins at 1970-01-01 00:16:41 UTC
ZONE = "Asia/Kolkata"


@pytest.fixture(scope="module")
def guest(tmp_path_factory: pytest.TempPathFactory) -> Indoors:
    folder = tmp_path_factory.mktemp("past")
    write(record_path(folder, "corner"), [*NOTES, *MORE])
    return Indoors(folder, [called("corner", "Wheel corner", ZONE)]).come_in()


def events(page: str) -> list[str]:
    (listed,) = re.findall(r'<ol class="plain events">(.*?)</ol>', page, re.S)
    return [re.sub("<[^>]*>", "", item).strip() for item in listed.split("</li>") if item.strip()]


def test_what_happened_is_told_in_sentences(guest: Indoors) -> None:
    told = events(guest.get("/s/corner/record/1").text)
    for sentence in (
        "Ana: bring the set up (key), look day",
        "The set is brought up, look day",
        "plug: on",
        "The set is ready",
        "key has moved: +0.32 stop",
        "key was put back",
        "Ana locked out fill: a cable",
        "camera rolls",
        "Ana set rim by hand to 30 %, 4300 K",
        "Something is wrong with key: &#39;x&#39; is not a number",
        "key failed: no answer in 3 s",
        "pc: waited: nothing can confirm it",
        "Taking the set down stopped half way: key: no answer",
        "rim is no longer as set by hand: its watts",
        "cloth has moved: 11 mired warmer",
    ):
        assert any(line.endswith(sentence) for line in told), (sentence, told)
    # none begins like a line of a log, and nothing is told twice
    assert not [
        line for line in told if re.search(r"\d (request|run|step|drift|state|fault):", line)
    ]
    assert len([line for line in told if "ready" in line]) == 1


def test_its_times_are_those_of_the_set(guest: Indoors) -> None:
    page = guest.get("/s/corner/record/1").text
    assert events(page)[0].startswith("05:46:41 ")
    assert "How it stood at 1970-01-01 05:46:42" in page
    assert f"All times in {ZONE}." in page
    record = guest.get("/s/corner/record").text
    assert "1970-01-01 05:46:41" in record and "00:16:4" not in record


def test_in_german_all_but_the_words_of_the_bridge_is_german(guest: Indoors) -> None:
    page = guest.get("/s/corner/record/1", "de").text
    told = events(page)
    for sentence in ("Das Set ist bereit", "key ist verstellt: +0,32 Blenden", "camera läuft"):
        assert any(line.endswith(sentence) for line in told), (sentence, told)
    assert 'key ist gescheitert: <span lang="en">no answer in 3 s</span>' in page
    assert f"Alle Zeiten in der Zeitzone {ZONE}." in page


@pytest.mark.parametrize(
    "kind", ["request", "run", "step", "drift", "fault", "lockout", "state", "tick", "before"]
)
@pytest.mark.parametrize("value", [None, "x", 7, float("nan"), "[", "7", "\x0e<b>"])
def test_nonsense_in_a_record_ends_no_page(kind: str, value: object) -> None:
    keys = ("what", "phase", "by", "device", "action", "value", "point", "wanted", "reported")
    entry = {
        "kind": kind,
        **dict.fromkeys((*keys, "how", "text", "targets", "state", "item", "missing"), value),
    }
    with speaking(tongues()["de"]):
        assert isinstance(happened.sentence(entry), str)


def test_a_plot_is_labelled_in_the_language_of_its_page() -> None:
    rows = [{"opened": 1.0, "stops": 0.5, "mired": None}]
    assert "1 time, at most 0.50 stop" in drift_plot("key", rows)
    with speaking(tongues()["de"]):
        assert "+0,50 Blenden" in drift_plot("key", rows)

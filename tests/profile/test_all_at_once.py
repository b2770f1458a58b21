"""However many mistakes a file has, one look at it finds them all, and no others."""

from __future__ import annotations

import random
import re
import time
from pathlib import Path

import pytest

from studiobridge.profile import ProfileError, read_profile_text

CONFIG = Path(__file__).parents[2] / "config"

# (section, what stands there, what is written instead): each is one mistake in one line
CORNER = [
    ("top", "format: 1\n", "format: 2\n"),
    ("set", "set: wheel-corner", "set: Wheel corner!"),
    ("zone", "Europe/Lisbon", "Lisbon"),
    ("mains", "  voltage: 230 V", "  voltage: 230"),
    ("mains", "  frequency: 50 Hz", "  freqency: 50 Hz"),
    ("mains", "price: 0.22 EUR/kWh", "price: 22 cents"),
    ("circuit", "wall:  {breaker: 10 A, curve: B}", "wall:  {breaker: 10 A, curve: H}"),
    ("circuit", "bench: {breaker: 16 A, curve: C}", "bench: {braeker: 16 A, curve: C}"),
    ("circuit", "bench: {breaker: 16 A, curve: C}", "bench: 16 A"),
    ("dialect", "json: {warmth: \"{value}\"}, unit: mired", "json: {warmth: \"{value}\"}, unit: mird"),
    ("dialect", "span: 0..255, fade_unit: ms", "span: 0-255, fade_unit: ms"),
    ("tally", "rolling: {hear: {topic: \"{at}/lamp\"", "roling: {hear: {topic: \"{at}/lamp\""),
    ("helper", "shut_down: {tell: {topic: \"{at}/please\"", "shut_down: {tell: {topic: \"{at}/+\""),
    ("plugs", "bench-plug: {kind: plug,", "bench-plug: {kind: plugg,"),
    ("plugs", "fed_by: wall, speaks: relay-box, at: corner/plug-2", "fed_by: wal, speaks: relay-box, at: corner/plug-2"),
    ("plugs", "fed_by: wall, speaks: relay-box, at: corner/plug-3", "fed_by: wall, speaks: relaybox, at: corner/plug-3"),
    ("plugs", "corner/plug-7, comes_back: off, meters: yes", "corner/plug-7, comes_back: off, meters: maybe"),
    ("plugs", "desk-strip: {kind: plug, title: Strip under the desk, fed_by: desk-plug, rated: 10 A}", "desk-strip: desk-plug"),
    ("key", "    output: 1900 lx at 1 m", "    output: 1900 lux"),
    ("key", "    beam: 95 deg", "    beem: 95 deg"),
    ("key", "    boots_in: 4 s", "    boots_in: 4"),
    ("key", "    level: 1..100 %", "    level: 1-100 %"),
    ("fill", "    speaks: dimmer-json\n    at: corner/fill", "    speaks: dimer-jsn\n    at: corner/fill"),
    ("fill", "    cools_in: 12 s", "    cools_in: long"),
    ("cloth", "    kind: backdrop", "    kind: backdorp"),
    ("cloth", "    restores: 2", "    restores: often"),
    ("cloth", "    glow: 48 cd/m²", "    glow: 48 nits"),
    ("rim", "    tolerance: {level: 0.4 stop}", "    tolerance: {level: 0.4}"),
    ("rim", "    fed_by: rim-plug\n", "    fedby: rim-plug\n"),
    ("rim", "    proof: watts\n", "    proof: watt\n"),
    ("pc", "    lead: {length: 6 m, section: 1.5 mm²}", "    lead: {length: 6 m, section: 1.5}"),
    ("pc", "    idle_for: 3 s", "    idle_for: [3 s]"),
    ("camera", "    closes_in: 3 s", "    closes_in:"),
    ("prompter", "after: [lesson-pc], essential", "after: [lessonpc], essential"),
    ("monitors", "inrush: 18 A, after: [mixer]", "inrush: 18 A, after: mixer"),
    ("mixer", "mixer:    {kind: audio, title: Mixer, fed_by: desk-strip,", "mixer:    {kind: audio, title: Mixer, fed_by: desk-stirp,"),
    ("charger", "charger:  {kind: charger, title: Battery charger, fed_by: bench,", "charger:  {kind: charger, title: Battery charger,"),
    ("clip", "draws: 0.6 W, holds: 3.7 Wh", "draws: 0.6 W, hodls: 3.7 Wh"),
    ("room", "  width: 2.9 m", "  width: wide"),
    ("room", "  mark: {from_back: 88 cm, across: 0 m, height: 1.28 m}", "  mark: {from_back: 88 cm, across: 0 m, heigth: 1.28 m}"),
    ("chain", "    wheel: 62 cm", "    wheel: 62"),
    ("variations", "A wider lens, to-the-lens: 15 cm", "A wider lens, to-the-lense: 15 cm"),
    ("picture", "  camera: camera", "  camera: camrea"),
    ("picture", "  focal: 24 mm", "  focal: wide"),
    ("picture", "  iso: 250", "  iso: many"),
    ("hold", "hold: {face: 0.25 stop", "hold: {face: 0.25 stopp"),
    ("looks", "    key:   {level: 64 %, cct: 4300 K}", "    kye:   {level: 64 %, cct: 4300 K}"),
    ("looks", "    fill:  {level: 32 %, cct: 4300 K}", "    fill:  {level: 32 %, cct: 9300 K}"),
    ("looks", "    cloth: {level: 45 %, cct: 4000 K}", "    cloth: {levle: 45 %, cct: 4000 K}"),
    ("glaze", "    from: lesson\n", "    from: lessn\n"),
    ("tolerance", "tolerance: {level: 0.1 stop, cct: 8 mired, settle: 1.5 s}", "tolerance: {level: 0.1 stop, cct: 8 K, settle: 1.5 s}"),
    ("switches", "    debounce: 0.4 s", "    debounce: 0.4"),
    ("switches", "long: down, twice: restore}", "long: doun, twice: restore}"),
    ("calls", "days: weekdays, look: lesson, grace", "days: Mon-Fri, look: lesson, grace"),
    ("calls", 'ready_by: "09:00"', 'ready_by: "9 am"'),
    ("left_on", "left_on: {after: 3 h, then: down}", "left_on: {after: 3 h, then: off}"),
    ("patience", "tries: 3, listen: 3 s}", "tries: three, listen: 3 s}"),
]  # fmt: skip


def planted(text: str, mistakes: list[tuple[str, str, str]]) -> tuple[str, set[int]]:
    """The file with these mistakes in it, and their lines."""
    lines = set()
    for _, old, new in mistakes:
        assert text.count(old) == 1, old
        at = text.index(old)
        # the line in which the two begin to differ
        same = next(
            i for i, (a, b) in enumerate(zip(old + "\0", new + "\1", strict=False)) if a != b
        )
        lines.add(text.count("\n", 0, at + same) + 1)
        assert old.count("\n") == new.count("\n")
        text = text.replace(old, new)
    return text, lines


def found(text: str) -> list[tuple[int, str]]:
    with pytest.raises(ProfileError) as caught:
        read_profile_text(text, "corner.yaml")
    return [(p.line, str(p)) for p in caught.value.problems]


@pytest.mark.parametrize("mistake", CORNER, ids=lambda m: m[2].strip()[:30])
def test_each_alone_is_one_line_and_no_more(mistake: tuple[str, str, str]) -> None:
    text, lines = planted((CONFIG / "wheel-corner.yaml").read_text(), [mistake])
    said = found(text)
    assert {line for line, _ in said} == lines, said
    assert len(said) <= 2, said


def test_ten_in_ten_sections_are_all_found_and_nothing_else() -> None:
    text = (CONFIG / "wheel-corner.yaml").read_text()
    for seed in range(12):
        chance = random.Random(seed)
        sections = chance.sample(sorted({m[0] for m in CORNER}), 10)
        mistakes = [chance.choice([m for m in CORNER if m[0] == s]) for s in sections]
        bad, lines = planted(text, mistakes)
        said = found(bad)
        missed = lines - {line for line, _ in said}
        assert not missed, (seed, missed, said)
        more = [words for line, words in said if line not in lines]
        assert len(more) <= 1, (seed, more)
        assert len(said) <= len(lines) + 3, (seed, said)


@pytest.mark.parametrize("example", ["two-person-table", "spare-room", "green-cloth"])
def test_a_section_spelt_wrong_hides_nothing_below_it(example: str) -> None:
    text = (CONFIG / f"{example}.yaml").read_text()
    text = text.replace("\ndevices:\n", "\ndevcies:\n").replace("\nlooks:\n", "\nlook:\n")
    text = text.replace("kind: light", "kind: ligth", 1)
    said = found(text)
    wrong = {text[: text.index(word)].count("\n") + 1 for word in ("devcies:", "look:", "ligth")}
    assert {line for line, _ in said} == wrong, said


def test_a_file_with_thousands_of_mistakes_is_answered_soon() -> None:
    head = "format: 1\nset: a\nmains: {circuits: {wall: {breaker: 10 A}}}\ndevices:\n"
    for device in ("kind: lamp, fed_by: wall", "kind: plug, fed_by: wll", "kind: light, draws: 5"):
        text = head + "".join(f"  d{i}: {{{device}}}\n" for i in range(3000))
        began = time.process_time()
        said = found(text)
        assert len(said) == 3000
        assert time.process_time() - began < 10.0


# What may be wrong in any line of any profile: each is one mistake, wherever it is put.
SLIPS = [
    (re.compile(r"((?:draws|inrush|boots_in|fade|breaker|depth|width): [0-9.]+) (?:W|A|s|m)\b"), r"\1"),
    (re.compile(r"\b(kind|title|fed_by|speaks|draws|level|place|hear|topic): "), r"\1z: "),
    (re.compile(r"(fed_by: [a-z-]+)"), r"\1-nowhere"),
    (re.compile(r"(speaks: [a-z-]+[a-z])\b(?!\d)"), r"\1-nowhere"),
    (re.compile(r"kind: (plug|light|camera|computer|audio)\b"), r"kind: \1s"),
    (re.compile(r"(level|cct): ([0-9.]+) (?:%|K)"), r"\1: \2 X"),
]  # fmt: skip


@pytest.mark.parametrize(
    "example",
    [
        "green-cloth",
        "market-stall",
        "one-plug-one-light",
        "spare-room",
        "two-person-table",
        "wheel-corner",
    ],
)
def test_slips_anywhere_in_any_example_are_all_found(example: str) -> None:
    lines = (CONFIG / f"{example}.yaml").read_text().split("\n")
    for seed in range(5):
        chance = random.Random(f"{example} {seed}")
        bad, wrong = list(lines), set()
        for i in chance.sample(range(len(lines)), len(lines)):
            slips = [slip for slip in SLIPS if slip[0].search(lines[i])] or SLIPS
            pattern, slip = chance.choice(slips)
            if (
                len(wrong) < 10
                and not lines[i].lstrip().startswith("#")
                and pattern.search(lines[i])
            ):
                bad[i] = pattern.sub(slip, lines[i], count=1)
                wrong.add(i + 1)
        assert wrong
        said = found("\n".join(bad))
        named = {line for line, _ in said}
        assert wrong <= named, (seed, wrong - named, said)
        more = [text for line, text in said if line not in wrong]
        assert len(more) <= 2, (seed, wrong, more)
        assert len(said) <= len(wrong) + 6, (seed, said)

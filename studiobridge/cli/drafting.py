"""The command that drafts a profile from the book of what was met, or adds one device to one."""

from __future__ import annotations

import asyncio
import os
import sys
import textwrap
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    NO_BRIDGE,
    NOT_THERE,
    JsonOption,
    SettingsOption,
    Stop,
    app,
    read_or_stop,
    settings_or_stop,
)
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.meeting.drafting import Given, Question
    from studiobridge.meeting.met import Acquaintance
    from studiobridge.profile.model import Preset, SetProfile

BOOK = Path("met.yaml")
# How long (s) the lights are listened to: what a broker keeps comes at once.
LISTENS = 3.0


@app.command()
def draft(
    name: Annotated[str, typer.Argument(help="The set's name; or, with --into, a met device's.")],
    book: Annotated[
        Path | None, typer.Option("--book", help="What was met; met.yaml where it is there.")
    ] = None,
    into: Annotated[
        Path | None, typer.Option("--into", help="Add one device to this profile instead.")
    ] = None,
    answers: Annotated[
        Path | None, typer.Option("--answers", help="Answers in a file (YAML).")
    ] = None,
    answer: Annotated[
        list[str] | None,
        typer.Option("--answer", help="KEY=TEXT, as in that file; may be said again."),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Take what is offered, and mark it.")] = False,
    now: Annotated[
        bool, typer.Option("--now", help="First look as the lights report it; only listens.")
    ] = False,
    called: Annotated[str, typer.Option("--as", help="--into: another name for it.")] = "",
    fed_by: Annotated[str, typer.Option("--fed-by", help="--into: what it hangs on.")] = "",
    dialect: Annotated[
        str, typer.Option("--dialect", help="--into: another name for its dialect.")
    ] = "",
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Draft NAME.yaml: a profile from what was met and a few questions. Overwrites nothing."""
    said = _said(answers, answer or [])
    if into is not None:
        if fed_by:
            said["fed_by"] = fed_by
        _add(into, _met(book, needed=True), name, called, dialect, said, yes, as_json)
        return
    _draft(name, book, said, yes, now, settings, as_json)


# ---- a profile -------------------------------------------------------------------------------


def _draft(
    name: str,
    book: Path | None,
    said: dict[str, str],
    yes: bool,
    now: bool,
    settings: Path | None,
    as_json: bool,
) -> None:
    from studiobridge.meeting.composing import compose
    from studiobridge.meeting.drafting import Given
    from studiobridge.profile import read_profile_text
    from studiobridge.profile.keep import CannotKeep, write_new
    from studiobridge.profile.names import NAME

    if not NAME.match(name):
        shown = words.clean(name, 60)
        raise Stop(BAD_INPUT, f"'{shown}' is not a name of a set; use a-z, 0-9 and hyphens")
    shelf = _shelf(settings)
    path = (shelf or Path()) / f"{name}.yaml"
    if path.exists() or path.is_symlink():
        raise Stop(BAD_INPUT, f"{path} is there already: nothing is written over it")
    met = _met(book, needed=False)
    zone, country = _where()
    given, offered = _asked(Given(name, met, zone, country), said, yes)
    source = str(book or BOOK) if met else ""
    try:
        made = compose(given, offered, None, source)
        if now:
            profile = read_profile_text(made.text).profile
            made = compose(given, offered, _reported(profile, settings), source)
    except ValueError as error:
        raise Stop(BAD_INPUT, words.clean(str(error), 2000)) from None
    try:
        write_new(path, made.text.encode("utf-8"))
        if shelf is not None:
            _belongs_to_the_shelf(path)
    except CannotKeep as cannot:
        raise Stop(BAD_INPUT, str(cannot)) from None
    except OSError as error:
        text = f"{path} is written and not given to the bridge: {error.strerror or error}"
        raise Stop(NOT_THERE, text) from None
    wrong, doubts = _checked(path)
    if as_json:
        show.print_json(
            {
                "file": str(path),
                "set": name,
                "answers": dict(given.answers),
                "offered": sorted(offered),
                "left_out": list(made.left_out),
                "good": not wrong,
                "problems": wrong,
                "warnings": doubts,
            }
        )
    else:
        show.out(f"written: {path}")
        for text in made.left_out:
            show.out(words.clean(text, 1000))
        for text in wrong:
            show.fail(text)
        for text in doubts:
            show.out(f"{text} (a doubt, not an error)")
        show.out(f"Next: `studiobridge check {path}`, `studiobridge rehearse {path}`.")
        if shelf is not None:
            show.out("The bridge on this machine takes it up by itself, and switches nothing on.")
            show.out(f"Then `studiobridge up --set {name}`.")
        else:
            show.out(
                f"Then `studiobridge run {path}`, which switches nothing on, and in another"
                f" terminal `studiobridge up --set {name}`."
            )
    if wrong:
        raise typer.Exit(NOT_THERE)


def _shelf(settings: Path | None) -> Path | None:
    """The folder of which this machine's bridge takes up every profile, where there is one."""
    return next((p for p in settings_or_stop(settings).profiles if p.is_dir()), None)


def _belongs_to_the_shelf(path: Path) -> None:
    """Made by root, it is for the bridge to read and to keep in, as the folder itself is."""
    from studiobridge.bridge.rights import give_to_who_owns

    if os.geteuid() != 0:
        return
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        give_to_who_owns(path.parent, handle, 0o660)
    finally:
        os.close(handle)


def _checked(path: Path) -> tuple[list[str], list[str]]:
    """What `check` says of it: an amp on its source's plug, too much for a breaker."""
    from studiobridge.cli.doubts import about_gear, about_mains
    from studiobridge.control.plan import order_problems
    from studiobridge.profile import read_profile

    reading = read_profile(path)
    too_much, near = about_mains(reading)
    orders = [f"{path}: {problem}" for problem in order_problems(reading.profile)]
    doubts = [*reading.warnings, *near, *about_gear(reading)]
    return [*orders, *map(str, too_much)], [str(doubt) for doubt in doubts]


def _met(book: Path | None, needed: bool) -> list[Acquaintance]:
    from studiobridge.meeting.book import read
    from studiobridge.profile.text import ProfileError, bytes_of

    path = book or BOOK
    if book is None and not needed and not path.exists():
        return []
    try:
        return read(bytes_of(path), str(path))
    except OSError as error:
        why = f"{path} cannot be read: {error.strerror or error}"
        raise Stop(BAD_INPUT, f"{why}; `studiobridge meet` makes the book") from None
    except ProfileError as error:
        raise Stop(BAD_INPUT, str(error)) from None


def _where() -> tuple[str | None, str | None]:
    """The time zone and the country of this machine, as far as it says."""
    zone = os.environ.get("TZ", "").lstrip(":")
    if not zone:
        place = os.path.realpath("/etc/localtime")
        zone = place.split("zoneinfo/", 1)[1] if "zoneinfo/" in place else ""
    spoken = next(filter(None, map(os.environ.get, ("LC_ALL", "LC_MESSAGES", "LANG"))), "")
    country = spoken.split(".")[0].partition("_")[2][:2]
    return (zone if zone.isprintable() else "") or None, country or None


# ---- questions -------------------------------------------------------------------------------


def _said(file: Path | None, options: Sequence[str]) -> dict[str, str]:
    """The answers given beforehand, by key. An option goes before the file."""
    from studiobridge.cli.question import answers_in
    from studiobridge.meeting.drafting import flat

    said: dict[str, str] = {}
    if file is not None:
        document = answers_in(file)
        tree = document.root.value()
        said = flat(tree) if isinstance(tree, dict) else {}
    for option in options:
        key, equals, text = option.partition("=")
        if not equals:
            raise Stop(BAD_INPUT, f"--answer {words.clean(option, 60)}: write KEY=TEXT")
        said[key.strip()] = text
    return said


def _asked(given: Given, said: Mapping[str, str], yes: bool) -> tuple[Given, frozenset[str]]:
    """Every question answered, and which of them as they were offered."""
    from dataclasses import replace

    from studiobridge.meeting.drafting import next_question

    answers: dict[str, str] = {}
    offered: set[str] = set()
    while True:
        given = replace(given, answers=dict(answers))
        question = next_question(given)
        if question is None:
            break
        answers[question.key], taken = _one(question, given, said, yes)
        if taken:
            offered.add(question.key)
    unknown = [key for key in said if key not in answers]
    if unknown:
        known = words.listed(list(answers), 40)
        what = words.clean(unknown[0], 60)
        raise Stop(BAD_INPUT, f"nothing is asked under '{what}'; the keys are: {known}")
    return given, frozenset(offered)


def _one(question: Question, given: Given, said: Mapping[str, str], yes: bool) -> tuple[str, bool]:
    """One answer, and whether nobody said it: it was offered, and `--yes` took it."""
    from studiobridge.meeting.drafting import check

    def checked(text: str) -> str:
        return check(question, text, given)

    try:
        if question.key in said:
            return checked(said[question.key]), False
        if yes and question.offered is not None:
            return checked(question.offered), True
    except ValueError as error:
        raise Stop(BAD_INPUT, f"{question.key}: {words.clean(str(error), 300)}") from None
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        like = question.example or (question.choices or (question.offered or "TEXT",))[0]
        raise Stop(
            BAD_INPUT,
            f"{question.text} Say --answer '{question.key}={like}'"
            + (f" (one of {', '.join(question.choices)})" if question.choices else "")
            + (", or take what is offered with --yes" if question.offered is not None else ""),
        )
    while True:
        try:
            return checked(_from_a_person(question)), False
        except ValueError as error:
            show.fail(f"  {words.clean(str(error), 300)}")


def _from_a_person(question: Question) -> str:
    """Ask in the terminal, on its error stream: what is printed may be read by a program."""
    columns = min(show.width(), 100) - 1
    show.fail("\n" + textwrap.fill(question.text, columns))
    show.fail(_set_in(question.why, columns))
    if question.choices:
        show.fail(_set_in(f"one of: {', '.join(question.choices)}", columns))
    elif question.example and question.offered is None:
        show.fail(f"  like: {question.example}")
    hint = f" [{question.offered}]" if question.offered is not None else ""
    sys.stderr.write(f"  {question.key}{hint}: ")
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not line:
        raise Stop(BAD_INPUT, "\nthe answers ended before the questions: nothing is written")
    return line.rstrip("\n")


def _set_in(text: str, columns: int) -> str:
    """Lines below a question, with no word and no name broken."""
    return textwrap.fill(
        text, columns, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False
    )


# ---- what the lights report ------------------------------------------------------------------


def _reported(profile: SetProfile, settings_file: Path | None) -> dict[str, Preset]:
    """How the lights stand by what they report, listened to for a while. Publishes nothing."""
    from studiobridge.bridge.asking import NoBroker
    from studiobridge.bridge.once import once
    from studiobridge.craft.chroma import Colour
    from studiobridge.profile.model import Preset, figure
    from studiobridge.profile.said import Report
    from studiobridge.speech import Speech
    from studiobridge.speech.message import Message

    settings = settings_or_stop(settings_file)
    speech = Speech(profile)
    heard: dict[tuple[str, str], Any] = {}

    def message(came: Message) -> None:
        try:
            for said in speech.hear(came, time.monotonic()):
                if isinstance(said, Report):
                    heard[(said.device, said.point)] = said.value
        except Exception:  # what a stranger publishes must not end this
            return

    async def listen() -> None:
        async with once(settings.broker, "draft", speech.subscriptions, message):
            await asyncio.sleep(LISTENS)

    try:
        asyncio.run(listen())
    except NoBroker as error:
        raise Stop(NO_BRIDGE, str(error)) from None
    found = {}
    for name in profile.devices:
        level, cct = heard.get((name, "level")), heard.get((name, "cct"))
        if level is not None and figure(level) > 0:
            white = None if cct is None or isinstance(cct, Colour) else float(figure(cct))
            found[name] = Preset(round(figure(level), 1), white)
    return found


# ---- one device into a profile ---------------------------------------------------------------


def _add(
    path: Path,
    met: Sequence[Acquaintance],
    name: str,
    called: str,
    dialect: str,
    said: dict[str, str],
    yes: bool,
    as_json: bool,
) -> None:
    from studiobridge.meeting.newcomer import newcomer, questions_of
    from studiobridge.profile.adding import add_device
    from studiobridge.profile.keep import CannotKeep

    one = next((one for one in met if one.name == name), None)
    if one is None:
        known = words.listed([one.name for one in met], 20) or "nothing"
        raise Stop(BAD_INPUT, f"nothing called '{words.clean(name, 60)}' was met: {known}")
    profile = read_or_stop(path).profile
    from studiobridge.meeting.drafting import Given

    answers = {}
    for question in questions_of(one, profile):
        answers[question.key], _ = _one(question, Given(profile.name), said, yes)
    unknown = [key for key in said if key not in answers and key != "kind"]
    if unknown:
        raise Stop(BAD_INPUT, f"nothing is asked under '{words.clean(unknown[0], 60)}' here")
    made = newcomer(one, answers, called, dialect)
    new_dialect = made.dialect is not None and made.device["speaks"] not in profile.dialects
    try:
        add_device(path, made)
    except CannotKeep as cannot:
        hint = " (--as NAME)" if "something is called" in str(cannot) else ""
        hint = " (--dialect NAME)" if "says something else there" in str(cannot) else hint
        raise Stop(BAD_INPUT, f"{cannot}{hint}") from None
    if as_json:
        show.print_json(
            {
                "file": str(path),
                "device": made.name,
                "dialect": made.device["speaks"] if new_dialect else None,
                "before": f"{path}.before",
            }
        )
        return
    too = f" and its dialect '{made.device['speaks']}'" if new_dialect else ""
    show.out(f"added to {path}: '{made.name}'{too}; as it was: {path}.before")
    if made.device["kind"] in ("light", "backdrop"):
        show.out("no look says anything of it yet: set it, then `studiobridge look save NAME`")
    show.out("a bridge that runs this set reads it at its next start")

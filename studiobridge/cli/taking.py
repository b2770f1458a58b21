"""The command `takes`: each stretch of rolling, how the set stood in it, what was said of it."""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable, Mapping
from contextlib import closing
from datetime import UTC, date, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    NOT_THERE,
    JsonOption,
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    app,
    ask_simply,
    profile_of,
    read_or_stop,
    settings_or_stop,
    which_set,
)
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.settings import Settings
    from studiobridge.control.taken import Taken
    from studiobridge.profile.model import SetProfile

MOST = 99_999_999
# A note in a list is cut here (characters), so that a list fits a page: `takes N` has it whole.
NOTE = 34
NOTE_BESIDE = 24


@app.command()
def takes(
    which: Annotated[
        list[str] | None,
        typer.Argument(help="A take by its number, or: match NUMBER.", metavar="[NUMBER]"),
    ] = None,
    good: Annotated[bool, typer.Option("--good", help="Mark it good.")] = False,
    again: Annotated[bool, typer.Option("--again", help="Mark it to be done again.")] = False,
    no_mark: Annotated[bool, typer.Option("--no-mark", help="Take its mark back.")] = False,
    note: Annotated[str | None, typer.Option(help="A note on it; - takes it back.")] = None,
    differs: Annotated[
        bool, typer.Option("--differs", help="What differs from the last good one.")
    ] = False,
    every: Annotated[bool, typer.Option("--all", help="Of every session.")] = False,
    day: Annotated[str | None, typer.Option(help="Of this day: 2026-03-01.")] = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print CSV.")] = False,
) -> None:
    """Each stretch of rolling: when, how long, how the set stood; mark it, or go back to it."""
    numbered = list(which or ())
    match = bool(numbered) and numbered[0] == "match"
    if match:
        numbered = numbered[1:]
    marks = [mark for mark, said in (("good", good), ("again", again), ("", no_mark)) if said]
    if len(numbered) > 1 or (match and not numbered):
        raise Stop(BAD_INPUT, "name one take: `takes 12`, or `takes match 12`")
    number = _number(numbered[0]) if numbered else None
    if len(marks) > 1:
        raise Stop(BAD_INPUT, "a take is good, or to be done again, or neither: say one of them")
    if number is None and (marks or note is not None or differs):
        raise Stop(BAD_INPUT, "which take? `takes 12 --good`")
    if number is not None and (every or day is not None):
        raise Stop(BAD_INPUT, "--all and --day are of the list: leave out the number")
    if match and (marks or note is not None or differs or as_csv):
        raise Stop(BAD_INPUT, "`takes match 12` takes no other option but --json")
    if differs and (marks or note is not None or as_csv):
        raise Stop(BAD_INPUT, "--differs is asked by itself")
    if as_csv and as_json:
        raise Stop(BAD_INPUT, "CSV or JSON: say one of them")
    if match:
        from studiobridge.cli.running import _request

        _request("match", settings, set_name, profile, as_json, take=number)
        return
    if marks or note is not None:
        said = (note or "").strip()
        if note is not None and not said:
            raise Stop(BAD_INPUT, "the note says nothing; `--note -` takes one back")
        if len(said) > 300:
            raise Stop(BAD_INPUT, f"a note has 300 characters at most, not {len(said)}")
        more = {"take": number, "why": said, "mark": marks[0] if marks else ""}
        ask_simply("mark", settings, set_name, profile, as_json=as_json, **more)
        return
    # ten thousand takes are half a million things that all live to the end of this command: looking
    # again and again for what is dead among them takes a third of its time
    gc.disable()
    try:
        _show(number, differs, every, day, set_name, profile, settings, as_json, as_csv)
    finally:
        gc.enable()


def _number(text: str) -> int:
    found = int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0
    if not 1 <= found <= MOST:
        shown = words.clean(text, 40)
        raise Stop(BAD_INPUT, f"'{shown}' is no number of a take; they begin at 1")
    return found


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        shown = words.clean(text, 40)
        raise Stop(BAD_INPUT, f"'{shown}' is no day: write it like 2026-03-01") from None


def _show(
    number: int | None,
    differs: bool,
    every: bool,
    day: str | None,
    set_name: str | None,
    profile: Path | None,
    settings_file: Path | None,
    as_json: bool,
    as_csv: bool,
) -> None:
    from studiobridge.shown.tongue import ENGLISH, speaking

    wanted = None if day is None else _day(day)
    settings = settings_or_stop(settings_file)
    name, path = which_set(settings, set_name, profile)
    found, session = _read(settings, name)
    made = _profile(settings, name, path)
    good = last_good_of(found)
    with speaking(ENGLISH, _zone(made)):
        if number is not None:
            _one(found, number, differs, made, as_json, as_csv)
            return
        if wanted is not None:
            found = [t for t in found if _local(t).date() == wanted]
        elif not every:
            found = _of_session(found, session)
        _list(found, every or wanted is not None, as_json, as_csv, made, good)


def _read(settings: Settings, name: str) -> tuple[list[Taken], tuple[int, float] | None]:
    """Every take of the record; and the last session: its number, and when it opened."""
    from studiobridge.bridge.reading import Reader
    from studiobridge.bridge.tables import RecordError, record_place

    try:
        with closing(Reader(record_place(settings, name))) as reader:
            sessions = reader.sessions()
            last = sessions[-1] if sessions else None
            session = None if last is None else (last["session"], float(last["opened"] or 0.0))
            return reader.takes(), session
    except RecordError as error:
        raise Stop(BAD_INPUT, str(error)) from None


def _profile(settings: Settings, name: str, path: Path | None) -> SetProfile | None:
    """The profile, where it is at hand: times are in its zone, and differences in its curves."""
    path = path or profile_of(settings, name)
    return None if path is None else read_or_stop(path).profile


def _zone(profile: SetProfile | None) -> tzinfo | None:
    import zoneinfo

    if profile is None or profile.time_zone is None:
        return None
    return zoneinfo.ZoneInfo(profile.time_zone)


def _local(take: Taken) -> datetime:
    from studiobridge.shown.tongue import zone

    return datetime.fromtimestamp(take.began, UTC).astimezone(zone())


def _of_session(found: list[Taken], session: tuple[int, float] | None) -> list[Taken]:
    """Of the last session, and what rolled since without one."""
    if session is None:
        return found
    number, opened = session
    return [t for t in found if t.session == number or (t.session is None and t.began >= opened)]


def last_good_of(found: list[Taken]) -> Callable[[Taken], Taken | None]:
    """The last good one of all takes of a record, but for itself, for each of them."""
    from studiobridge.control.taken import LastGood

    good = LastGood(found)
    return lambda take: good.of(take.look, take.number)


def _list(
    found: list[Taken],
    whole: bool,
    as_json: bool,
    as_csv: bool,
    profile: SetProfile | None,
    good: Callable[[Taken], Taken | None],
) -> None:
    from studiobridge.shown import takes as said
    from studiobridge.shown.seen_columns import compared

    if as_csv:
        from studiobridge.shown.cells import as_csv as cells

        text = [said.csv_row(take, compared(profile, good(take), take)) for take in found]
        sys.stdout.write(cells(text, "\n") if found else "")
        sys.stdout.flush()
        return
    seen = {take.number: compared(profile, good(take), take) for take in found}
    if as_json:
        show.print_json([said.as_json(take, as_good=seen[take.number]) for take in found])
        return
    if not found:
        show.out("no take yet" if whole else "no take in this session; --all has those before")
        return
    rows: list[list[str] | str] = []
    before = ""
    # a column of its own where anybody looks at the picture, out of the room for notes
    looked = any(take.picture is not None for take in found)
    note_width = NOTE_BESIDE if looked else NOTE
    for take in found:
        began = _local(take)
        today = began.strftime("%Y-%m-%d")
        if today != before:
            rows.append(f"{today}, times in {_zone_said(began)}")
            before = today
        marked = said.mark(take.mark)
        note = take.note if len(take.note) <= note_width else take.note[: note_width - 1] + "…"
        sure = take.by in ("report", "watts") and take.ended_by in ("report", "watts", "")
        rows.append(
            [
                str(take.number),
                began.strftime("%H:%M:%S"),
                said.length(take.seconds) if take.ended is not None else "open",
                take.look or "",
                str(take.changes or ""),
                *([_as_good(take, seen[take.number])] if looked else []),
                marked,
                note,
                "" if sure else "*",
            ]
        )
    picture = ("picture",) if looked else ()
    heads = ("take", "began", "length", "look", "changes", *picture, "mark", "note", "")
    show.print_table(heads, rows)
    if looked:
        show.out("picture: as it began, against the last good take, by the camera: `takes NUMBER`")
    if any(not isinstance(row, str) and row[-1] for row in rows):
        show.out("* by a person's word, or inferred: `takes NUMBER` says how far off it may be")


def _as_good(take: Taken, found: Mapping[str, object] | None) -> str:
    """Against the last good one, in a word: what nobody can tell is a dash, never "the same"."""
    from studiobridge.shown import seen_take

    if take.picture is None:
        return ""
    return seen_take.verdict(found) or "–"


def _zone_said(moment: datetime) -> str:
    from studiobridge.shown.tongue import zone

    return str(zone() or f"UTC{moment.isoformat()[-6:]}")


def _one(
    found: list[Taken],
    number: int,
    differs: bool,
    profile: SetProfile | None,
    as_json: bool,
    as_csv: bool,
) -> None:
    from studiobridge.control.taken import last_good
    from studiobridge.shown import seen_take
    from studiobridge.shown import takes as said
    from studiobridge.shown.seen_columns import compared

    take = next((t for t in found if t.number == number), None)
    if take is None:
        last = found[-1].number if found else None
        known = "there was none yet" if last is None else f"the last is {last}"
        raise Stop(BAD_INPUT, f"there is no take {number} in the record; {known}")
    if differs:
        good = last_good(found, take.look, without=number)
        if good is None:
            raise Stop(NOT_THERE, f"no other take than {number} is marked good")
        if profile is None:
            text = "what differs is in stops by the lights' curves: say --profile FILE"
            raise Stop(BAD_INPUT, text)
        against = said.against(profile, good, take)
        if as_json:
            show.print_json(against)
        else:
            for line in said.against_lines(against):
                show.out(line)
        return
    good = last_good(found, take.look, without=number)
    seen = compared(profile, good, take)
    if as_json:
        show.print_json(said.as_json(take, whole=True, as_good=seen))
        return
    if as_csv:
        from studiobridge.shown.cells import as_csv as cells

        sys.stdout.write(cells([said.csv_row(take, seen)], "\n"))
        sys.stdout.flush()
        return
    show.out(said.head(take))
    if take.note:
        show.out(f"note: {words.clean(take.note, 300)}")
    if take.marked_by and take.marked is not None:
        show.out(f"said by {words.clean(take.marked_by, 60)}, {said.when(take.marked)}")
    for line in said.times(take):
        show.out(line)
    stood = said.stood_lines(take)
    if stood:
        show.out()
        show.print_table(("how it stood", ""), stood)
    happened = said.changes(take)
    if happened:
        show.out()
        show.print_table(("at", "what changed in it"), happened)
    lines = seen_take.against_lines(
        seen, f"take {good.number}" if good is not None else "", f"take {number}"
    )
    if lines and good is not None:
        show.out()
        show.out(f"against take {good.number}, the last good one")
        for line in lines:
            show.out(line)

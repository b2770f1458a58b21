"""What `room` prints: the depth, the framing, and where everything stands."""

from __future__ import annotations

from studiobridge.cli import show
from studiobridge.cli.readings import bar, not_computed
from studiobridge.figures.depth import Budget
from studiobridge.figures.room import RoomReading
from studiobridge.profile.model import SetProfile
from studiobridge.shown import words
from studiobridge.shown.framing import framing_lines
from studiobridge.shown.lengths import Lengths

STANDS_CAUTION = (
    "Stands and arms over people: weigh them down, tie a safety line, leave a way out of the room."
)

# Columns from which there is room for the drawing and both ways of writing each length.
BESIDE = 106


def print_room(profile: SetProfile, reading: RoomReading) -> None:
    """The depth from the back wall, what variations save, framing, where everything stands."""
    lengths = Lengths(profile.feet)
    show.out(f"{profile.title or profile.name}: the room")
    made = reading.budget
    if made is not None:
        show.out()
        show.out("from the back wall:")
        room = profile.room.depth
        whole = float(room) if room is not None else float(made.total)
        # a chain of nothing in a room of no depth is drawn, too
        whole = max(whole, float(made.total)) or 1.0
        columns = max(12, min(44, show.width() - (94 if show.width() >= BESIDE else 66)))
        rows = []
        there: dict[str, list[str]] = {}
        for name, link in profile.room.stations.items():
            there.setdefault(link, []).append(name)
        for station in made.stations:
            first = round(float(station.total - station.depth) / whole * columns)
            last = max(first + 1, round(float(station.total) / whole * columns))
            drawn = " " * first + "▒" * (last - first)
            deep = lengths.both(station.depth) if show.width() >= BESIDE else ""
            rows.append(
                (
                    station.name,
                    deep or lengths.one(station.depth),
                    drawn,
                    lengths.both(station.total),
                    ", ".join(there.get(station.name, ())),
                )
            )
        show.print_table(("", "deep", "where", "up to", "there stands"), rows, spare=("where",))
        if made.left is not None:
            if made.left >= 0:
                show.out(f"left of the room: {lengths.both(made.left)}")
            else:
                show.out(f"TOO DEEP: {lengths.both(-made.left)} more than the room has")
        for two in reading.apart:
            show.out(
                f"TWO TRUTHS: {lengths.two_truths(two.name, two.by_chain, two.by_place)};"
                " change the one that is not so"
            )
        _print_variations(profile, reading, made, lengths, whole)
    if reading.framing is not None:
        show.out()
        lens, *others = framing_lines(profile, reading.framing)
        show.out(lens)
        for text in others:
            show.out(f"  {text}")
    for name, gap in reading.behind:
        show.out(f"from the mark back to {words.clean(name)}: {lengths.both(gap)}")
    if reading.standing:
        show.out()
        places: list[tuple[str, ...]] = []
        for item in reading.standing:
            side = "left" if item.place.across < 0 else "right"
            across = (
                "middle"
                if item.place.across == 0
                else f"{lengths.one(abs(item.place.across))} {side}"
            )
            bearing = ""
            if item.bearing is not None:
                turn = "left" if item.bearing < 0 else "right"
                bearing = f"{abs(item.bearing):.0f}° {turn} of the camera"
            away = (
                f"{lengths.one(item.distance)} from {item.aim}" if item.distance is not None else ""
            )
            places.append(
                (
                    item.device,
                    lengths.one(item.place.from_back),
                    across,
                    lengths.one(item.place.height),
                    away,
                    bearing,
                )
            )
        heads = ("device", "from the back wall", "across", "up", "away from its aim", "")
        show.print_table(heads, places)
        show.out(
            "Left and right are as the camera sees them; heights are to the middle of the lamp."
        )
    not_computed(reading.missing)
    show.out()
    show.out(STANDS_CAUTION)


def _print_variations(
    profile: SetProfile, reading: RoomReading, made: Budget, lengths: Lengths, whole: float
) -> None:
    """What each variation saves, and what can be had together, the shortest first."""
    for varied in made.variations:
        saves = f"saves {lengths.both(varied.saves)}"
        if varied.saves <= 0:
            more = lengths.both(-varied.saves)
            saves = f"takes {more} more" if varied.saves < 0 else "saves nothing"
        name = words.clean(varied.title or varied.name)
        show.out(f"{name}: {saves}, {lengths.both(varied.total)} in all")
    if made.possible < 2:
        return
    show.out()
    show.out("what goes together, the shortest first:")
    columns = max(8, min(24, show.width() - 66))
    framed = {shown.names: shown.judged for shown in reading.shown}
    rows = []
    for some in made.combined:
        left = ""
        if some.left is not None:
            left = lengths.one(some.left) if some.left >= 0 else "TOO DEEP"
        drawn = bar(float(some.total) / whole, columns)
        names = ", ".join(some.names)
        judged = framed.get(some.names, "")
        saves, deep = lengths.one(some.saves), lengths.one(some.total)
        rows.append((names, saves, deep, left, judged, drawn))
    lens = f"{profile.picture.focal:g} mm" if profile.picture.focal is not None else ""
    heads = ("with", "saves", "deep", "left", lens, "of the room")
    show.print_table(heads, rows)
    if framed:
        show.out(f"{lens}: what is asked for, {profile.picture.fits}, with the lens so much nearer")
    if made.possible > len(made.combined):
        show.out(
            f"and {made.possible - len(made.combined):,} more ways: these are the shortest."
            " Two that change the same link exclude each other."
        )

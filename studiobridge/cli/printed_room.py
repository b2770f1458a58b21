"""What `room` prints: the depth, the framing, and where everything stands."""

from __future__ import annotations

from studiobridge.cli import show
from studiobridge.cli.readings import not_computed
from studiobridge.figures.room import RoomReading
from studiobridge.profile.model import SetProfile
from studiobridge.shown import words
from studiobridge.shown.framing import framing_lines
from studiobridge.shown.lengths import Lengths

STANDS_CAUTION = (
    "Stands and arms over people: weigh them down, tie a safety line, leave a way out of the room."
)


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
        whole = max(whole, float(made.total))
        columns = max(12, min(44, show.width() - 66))
        rows = []
        for station in made.stations:
            first = round(float(station.total - station.depth) / whole * columns)
            last = max(first + 1, round(float(station.total) / whole * columns))
            drawn = " " * first + "▒" * (last - first)
            rows.append(
                (station.name, lengths.both(station.depth), drawn, lengths.both(station.total))
            )
        show.print_table(("", "deep", "where", "up to"), rows, spare=("where",))
        if made.left is not None:
            if made.left >= 0:
                show.out(f"left of the room: {lengths.both(made.left)}")
            else:
                show.out(f"TOO DEEP: {lengths.both(-made.left)} more than the room has")
        for varied in made.variations:
            show.out(
                f"{words.clean(varied.title or varied.name)}: saves {lengths.both(varied.saves)},"
                f" {lengths.both(varied.total)} in all"
            )
        if made.together is not None and len(made.variations) > 1:
            show.out(f"all of these together: {lengths.both(made.together)} in all")
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
        heads = ("device", "from the back wall", "across", "up", "aimed", "")
        show.print_table(heads, places)
        show.out(
            "Left and right are as the camera sees them; heights are to the middle of the lamp."
        )
    not_computed(reading.missing)
    show.out()
    show.out(STANDS_CAUTION)
